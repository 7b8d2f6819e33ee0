"""A block of the Fixtures panel that can be folded: its heading says the answer even when it is closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from PySide6.QtWidgets import QFrame, QPushButton, QVBoxLayout, QWidget

from app.steps.panel_block import OfPanel
from app.theme import GAP_PX

if TYPE_CHECKING:
    from app.steps.panel import StepPanel


class Fold(QFrame):
    """A titled block; a press on its heading opens or closes it."""

    def __init__(self, title: str, name: str, is_open: bool = False) -> None:
        super().__init__()
        self._title, self._answer = title, ""
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, GAP_PX // 2, 0, 0)
        rows.setSpacing(5)
        self.head = QPushButton()
        self.head.setProperty("role", "link")
        self.head.setObjectName(f"fold-{name}")
        self.head.clicked.connect(lambda _=False: self.set_open(not self.is_open))
        rows.addWidget(self.head)
        self.body = QWidget()
        self._rows = QVBoxLayout(self.body)
        self._rows.setContentsMargins(0, 0, 0, GAP_PX // 2)
        self._rows.setSpacing(6)
        rows.addWidget(self.body)
        self.is_open = is_open
        self._dress()

    def add(self, widget: QWidget) -> QWidget:
        """Put a widget at the end."""
        self._rows.addWidget(widget)
        return widget

    def say(self, answer: str) -> None:
        """Show the block's answer beside its title."""
        if answer != self._answer:
            self._answer = answer
            self._dress()

    def set_open(self, is_open: bool) -> None:
        """Open or close it."""
        self.is_open = is_open
        self._dress()
        self.opened()

    def opened(self) -> None:
        """Bring the contents up to date after opening or closing."""

    def _dress(self) -> None:
        self.body.setVisible(self.is_open)
        arrow = "▾" if self.is_open else "▸"
        self.head.setText(f"{arrow} {self._title}" + (f": {self._answer}" if self._answer else ""))
        self.head.setAccessibleName(self._title)


class Block(Fold, OfPanel):
    """A fold that shows part of the plan and acts on it through its panel."""

    def __init__(self, panel: StepPanel, title: str, name: str, is_open: bool = False) -> None:
        super().__init__(title, name, is_open)
        self.panel = panel
        self.build()

    def opened(self) -> None:
        """Bring the contents up to date after opening or closing."""
        self.refresh()
