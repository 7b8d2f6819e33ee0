"""What the tool in hand is, what to do next, and how to end it."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QPushButton, QWidget

from app.tools.tool import ToolBox


class ToolBanner(QFrame):
    """A line above the views; hidden while no tool is in hand."""

    def __init__(self, toolbox: ToolBox, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._toolbox = toolbox
        self.setProperty("role", "card")
        row = QHBoxLayout(self)
        row.setContentsMargins(12, 5, 8, 5)
        row.setSpacing(8)
        self.words = QLabel()
        self.words.setTextFormat(Qt.TextFormat.PlainText)
        self.words.setWordWrap(True)
        row.addWidget(self.words, 1)
        self.back = QPushButton("Last point off")
        self.back.clicked.connect(toolbox.back)
        self.keep = QPushButton("Keep")
        self.keep.setProperty("role", "main")
        self.keep.setObjectName("tool-keep")
        self.keep.clicked.connect(toolbox.finish)
        self.stop = QPushButton("Not now")
        self.stop.setObjectName("tool-stop")
        self.stop.clicked.connect(toolbox.stop)
        for button in (self.back, self.keep, self.stop):
            row.addWidget(button)
        toolbox.changed.connect(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Show the tool in hand."""
        tool = self._toolbox.active
        self.setVisible(tool is not None)
        if tool is not None:
            self.words.setText(f"{tool.title}. {tool.hint}")
            collects = hasattr(tool, "points") and not tool.keeps_at_once
            self.stop.setText("Done" if tool.keeps_at_once else "Not now")
            self.back.setVisible(collects)
            self.keep.setVisible(collects)
