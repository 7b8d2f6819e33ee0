"""The bottom of the window: the last message, and running work with progress and cancel."""

from __future__ import annotations

import time
from typing import Any

from PySide6.QtCore import QPoint, QSize, Qt, QTimer
from PySide6.QtGui import QFontMetrics, QResizeEvent
from PySide6.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from app.jobs import Job
from app.messages import Level, Message
from app.steps.parts import Lines, state_icon
from app.workspace import Workspace

SHOW_AFTER_MS = 500
"""Work that ends sooner shows no bar (STYLE: as Anki's progress, half a second)."""
KEEP_MS = 500
"""A bar that was shown stays at least this long."""
LEVEL_STATES = {Level.NOTE: "note", Level.WARNING: "warning", Level.PROBLEM: "problem"}
SHOWN_MESSAGES = 12


class Elided(QLabel):
    """A line that ends in an ellipsis rather than pushing others away."""

    def __init__(self) -> None:
        super().__init__()
        self._whole = ""
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)

    def show_text(self, text: str) -> None:
        """Show a text; the whole of it is in the tool tip."""
        self._whole = text
        self.setToolTip(text)
        self._fit()

    def resizeEvent(self, event: QResizeEvent) -> None:  # noqa: N802
        """Fit anew."""
        self._fit()
        super().resizeEvent(event)

    def _fit(self) -> None:
        self.setText(QFontMetrics(self.font()).elidedText(self._whole, Qt.TextElideMode.ElideRight, self.width()))


class JobLine(QWidget):
    """One running job."""

    def __init__(self, job: Job) -> None:
        super().__init__()
        self.job = job
        self.setVisible(False)
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.setSpacing(6)
        self.words = QLabel(job.title)
        self.bar = QProgressBar()
        self.bar.setRange(0, 100)
        self.bar.setFixedWidth(130)
        self.cancel = QPushButton("Stop")
        self.cancel.clicked.connect(self._on_cancel)
        for widget in (self.words, self.bar, self.cancel):
            row.addWidget(widget)
        job.progressed.connect(self._on_progress)

    def _on_progress(self, fraction: float, text: str) -> None:
        self.bar.setValue(round(100 * fraction))
        self.words.setText(text or self.job.title)

    def _on_cancel(self) -> None:
        self.job.cancel()
        self.words.setText(f"Stopping: {self.job.title}")
        self.cancel.setEnabled(False)


class BottomBar(QWidget):
    """Messages on the left, running work on the right."""

    def __init__(self, workspace: Workspace, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self.setObjectName("BottomBar")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setFixedHeight(30)
        row = QHBoxLayout(self)
        row.setContentsMargins(10, 3, 10, 3)
        row.setSpacing(8)
        self._mark = QLabel()
        self._mark.setFixedSize(QSize(14, 14))
        self._text = Elided()
        self._all = QPushButton("Messages")
        self._all.clicked.connect(self.toggle_history)
        self._jobs = QHBoxLayout()
        self._jobs.setSpacing(14)
        self._case = QLabel("")
        row.addWidget(self._mark)
        row.addWidget(self._text, 1)
        row.addLayout(self._jobs)
        row.addWidget(self._all)
        row.addWidget(self._case)
        self._lines: dict[Job, JobLine] = {}
        self._history: QFrame | None = None
        workspace.messages.said.connect(self._on_message)
        workspace.jobs.started.connect(self._on_started)
        workspace.jobs.ended.connect(self._on_ended)
        workspace.signals.opened.connect(self._show_case)
        workspace.signals.history_changed.connect(self._show_case)
        self._show_case()

    @property
    def shown_jobs(self) -> list[JobLine]:
        """Lines of running work that can be seen."""
        return [line for line in self._lines.values() if line.isVisible()]

    @property
    def text(self) -> str:
        """The message shown."""
        return self._text.toolTip()

    def _show_case(self) -> None:
        workspace = self._workspace
        if not workspace.is_open:
            self._case.setText("No case open")
            return
        number = workspace.session.revision_number
        words = "not kept on disk" if number is None else f"revision {number}, kept"
        if workspace.read_only_reason:
            words = "read-only"
            self._case.setToolTip(workspace.read_only_reason)
        self._case.setText(f"{workspace.plan.title or 'Case'}: {words}")

    def _on_message(self, message: Message) -> None:
        state = LEVEL_STATES[message.level]
        self._mark.setPixmap(state_icon(state, self._workspace.theme).pixmap(12, 12))
        self._mark.setToolTip(state)
        self._text.show_text(message.sentence)

    def _on_started(self, job: Any) -> None:
        if not job.shown:
            return
        line = JobLine(job)
        self._lines[job] = line
        self._jobs.addWidget(line)
        QTimer.singleShot(SHOW_AFTER_MS, line, lambda: line.setVisible(not job.is_over))

    def _on_ended(self, job: Any) -> None:
        line = self._lines.pop(job, None)
        if line is None:
            return
        shown = line.isVisible()
        age = 1000 * (time.monotonic() - job.started_s)
        left = max(0, round(SHOW_AFTER_MS + KEEP_MS - age)) if shown else 0
        if left:
            QTimer.singleShot(left, line, line.deleteLater)
        else:
            line.hide()
            line.deleteLater()

    def toggle_history(self) -> None:
        """Show the last messages above the bar, or hide them."""
        if self._history is not None:
            self._history.deleteLater()
            self._history = None
            return
        frame = QFrame(self.window())
        frame.setProperty("role", "card")
        rows = QVBoxLayout(frame)
        rows.setContentsMargins(12, 10, 12, 10)
        lines = Lines()
        shown = [
            (LEVEL_STATES[m.level], f"{time.strftime('%H:%M', time.localtime(m.time_s))}  {m.sentence}")
            for m in self._workspace.messages.history[-SHOWN_MESSAGES:]
        ]
        lines.show_lines(shown, self._workspace.theme, "No messages yet.")
        rows.addWidget(lines)
        width = min(640, self.window().width() - 40)
        frame.setFixedWidth(width)
        frame.adjustSize()
        place = self.mapTo(self.window(), QPoint(10, 0))
        frame.move(place.x(), place.y() - frame.height() - 6)
        frame.show()
        frame.raise_()
        self._history = frame
