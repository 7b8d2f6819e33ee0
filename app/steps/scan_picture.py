"""The altered picture with fewer streaks, beside or in place of the scan; for looking only."""

from __future__ import annotations

from PySide6.QtWidgets import QButtonGroup, QPushButton

from app.steps.panel_block import PanelBlock
from app.steps.parts import Row, button, label

WORDS = {"original": "As scanned", "altered": "Altered", "beside": "Side by side"}


class PictureBlock(PanelBlock):
    """Three ways to look."""

    def build(self) -> None:
        """Make the widgets."""
        self.buttons: dict[str, QPushButton] = {}
        group = QButtonGroup(self)
        for picture, words in WORDS.items():
            made = button(words, lambda picture=picture: self._show(picture), name=f"picture-{picture}")
            made.setCheckable(True)
            group.addButton(made)
            self.buttons[picture] = made
        self.workspace.view.restyled.connect(self.refresh)
        self.add(Row(*self.buttons.values()))
        self.add(
            label(
                "The altered picture has streaks taken off by computation; what it shows may not be there. It is"
                " never measured on or matched to. Key X swaps the two.",
                "note",
            )
        )

    def refresh(self) -> None:
        """Bring them up to date."""
        for picture, made in self.buttons.items():
            made.setEnabled(self.plan.scan is not None)
            made.setChecked(self.workspace.view.picture == picture)

    def _show(self, picture: str) -> None:
        self.guarded(self.do.scan.show_picture, picture)
