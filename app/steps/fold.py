"""A fold: widgets behind a heading that opens them; the heading says the answer even while it is closed."""

from __future__ import annotations

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QResizeEvent
from PySide6.QtWidgets import QFrame, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from app.steps.parts import label
from app.theme import GAP_PX

INDENT_PX = 15
"""What stands under a heading starts where its words do, behind the arrow."""
LEAST_ROOM_PX = 60


class Fold(QFrame):
    """A heading that opens and closes what is under it, by mouse and by keyboard.

    Parameters
    ----------
    title : str
    name : str
        The heading's object name is ``fold-`` and this.
    is_open : bool
    strong : bool
        A question of the panel itself: bold.
    """

    opened = Signal()

    def __init__(self, title: str, name: str, is_open: bool = False, strong: bool = False) -> None:
        super().__init__()
        self._title, self._answer = title, ""
        self.is_open = is_open
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, GAP_PX // 2 if strong else 0, 0, GAP_PX // 2)
        whole.setSpacing(2)
        self.head = QPushButton()
        self.head.setObjectName(f"fold-{name}")
        self.head.setProperty("role", "fold")
        self.head.setProperty("strong", strong)
        # A long heading is shortened; it does not widen the panel.
        self.head.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Fixed)
        self.head.clicked.connect(lambda _=False: self.set_open(not self.is_open))
        whole.addWidget(self.head)
        self._note = label("", "note")
        self._note.setContentsMargins(INDENT_PX, 0, 0, 2)
        self._note.hide()
        whole.addWidget(self._note)
        self.body = QWidget()
        self._rows = QVBoxLayout(self.body)
        self._rows.setContentsMargins(0 if strong else INDENT_PX, 2, 0, 2)
        self._rows.setSpacing(6)
        whole.addWidget(self.body)
        self._dress()

    @property
    def answer(self) -> str:
        """What is said while it is closed."""
        return self._answer or self._note.text()

    def add(self, widget: QWidget) -> QWidget:
        """Put a widget at the end."""
        self._rows.addWidget(widget)
        return widget

    def say(self, answer: str) -> None:
        """Say a few words beside the title."""
        if answer != self._answer:
            self._answer = answer
            self._dress()

    def explain(self, answer: str) -> None:
        """Say a sentence under the heading."""
        self._note.setText(answer)
        self._note.setVisible(bool(answer))

    def set_open(self, is_open: bool) -> None:
        """Open or close it."""
        self.is_open = is_open
        self._dress()
        if is_open:
            self.opened.emit()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Shorten the heading to the room that there is."""
        self._dress()
        super().resizeEvent(event)

    def _dress(self) -> None:
        self.body.setVisible(self.is_open)
        words = f"{self._title}: {self._answer}" if self._answer else self._title
        room = max(self.width() - INDENT_PX - 4, LEAST_ROOM_PX)
        shown = self.head.fontMetrics().elidedText(words, Qt.TextElideMode.ElideRight, room)
        self.head.setText(f"{'▾' if self.is_open else '▸'}  {shown}")
        self.head.setToolTip(words if shown != words else "")
        self.head.setAccessibleName(f"{words}, {'open' if self.is_open else 'closed'}")
