"""A sentence with findings under it, to be read or decided on."""

from __future__ import annotations

from PySide6.QtWidgets import QDialog, QHBoxLayout, QScrollArea, QVBoxLayout, QWidget

from app.steps.parts import Lines, button, label
from app.theme import Theme


class LinesDialog(QDialog):
    """Shows (state, sentence) lines; with `yes` it asks, without it is only closed."""

    def __init__(
        self, title: str, text: str, lines: list[tuple[str, str]], theme: Theme, yes: str, parent: QWidget | None
    ) -> None:
        super().__init__(parent)
        self.setWindowTitle(title)
        rows = QVBoxLayout(self)
        rows.setContentsMargins(18, 16, 18, 14)
        rows.setSpacing(10)
        rows.addWidget(label(text))
        shown = Lines()
        shown.show_lines(lines, theme)
        holder = QWidget()
        upright = QVBoxLayout(holder)
        upright.setContentsMargins(0, 0, 0, 0)
        upright.addWidget(shown)
        upright.addStretch(1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setWidget(holder)
        rows.addWidget(area, 1)
        feet = QHBoxLayout()
        feet.addStretch(1)
        if yes:
            feet.addWidget(button("Leave it", self.reject, name="lines-no"))
            feet.addWidget(button(yes, self.accept, main=True, name="lines-yes"))
        else:
            feet.addWidget(button("Close", self.accept, main=True, name="lines-close"))
        rows.addLayout(feet)
        self.resize(620, min(460, 150 + 34 * max(len(lines), 1)))
