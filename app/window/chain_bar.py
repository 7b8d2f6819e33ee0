"""The chain: eight questions with their computed answers, broken where an answer is out of date."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QFont, QFontMetrics, QKeyEvent, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QAbstractButton, QHBoxLayout, QSizePolicy, QWidget

from app.steps.parts import paint_state, state_colour
from app.theme import FONT_BASE_PX, FONT_SMALL_PX
from app.view_state import Step
from app.workspace import Workspace

QUESTIONS = {
    Step.SCAN: ("Scan", "Can this scan be trusted?"),
    Step.MATCH: ("Match", "Do the scans agree?"),
    Step.ANATOMY: ("Anatomy", "What is in the way?"),
    Step.FIXTURES: ("Fixtures", "Where do they go?"),
    Step.BUDGET: ("Budget", "What error does the bone forgive?"),
    Step.GUIDE: ("Guide", "What carries the drill?"),
    Step.SHEET: ("Sheet", "What goes to the chair?"),
    Step.OUTCOME: ("Outcome", "Did it land?"),
}
NO_ANSWER = {"open": "no answer yet", "waiting": "waits for what comes before", "stale": "to be done again"}
CHAIN_PX = 104
JOINT_PX = 14
"""Width of the piece that joins two links."""


class ChainLink(QAbstractButton):
    """One question with its answer."""

    def __init__(self, step: Step, workspace: Workspace) -> None:
        super().__init__()
        self.step = step
        self._workspace = workspace
        self.answer = ""
        self.state = "open"
        self._shown: tuple[str, str, str] | None = None
        self.setCheckable(True)
        self.setCursor(Qt.CursorShape.PointingHandCursor)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setObjectName(f"chain-{step.value}")
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setFixedHeight(CHAIN_PX - 12)
        self.setMinimumWidth(96)

    def show_link(self, answer: str, state: str, per_site: str) -> None:
        """Show an answer with its state; what stays as it is is not painted again."""
        shown = (answer, state, per_site)
        if shown == self._shown:
            return
        self._shown = shown
        self.answer, self.state = answer, state
        title, question = QUESTIONS[self.step]
        self.setAccessibleName(f"{title}: {question} {answer or 'no answer yet'} ({state})")
        self.setToolTip(
            "\n".join(line for line in (question, f"{state}: {answer}" if answer else state, per_site) if line)
        )
        self.update()

    def sizeHint(self) -> QSize:  # noqa: N802
        """Give an even share."""
        return QSize(150, CHAIN_PX - 12)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the link."""
        theme = self._workspace.theme
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        box = QRectF(self.rect()).adjusted(1.5, 1.5, -1.5, -1.5)
        painter.setBrush(QColor(theme.raised if self.isChecked() or self.underMouse() else theme.panel))
        edge = QPen(
            QColor(theme.accent if self.isChecked() or self.hasFocus() else theme.line),
            1.6 if self.isChecked() else 1.2,
        )
        if self.state in ("stale", "waiting"):
            edge.setStyle(Qt.PenStyle.DashLine)
        painter.setPen(edge)
        painter.drawRoundedRect(box, 12, 12)
        title, question = QUESTIONS[self.step]
        inner = box.adjusted(11, 7, -9, -6)
        paint_state(
            painter,
            self.state,
            QRectF(inner.right() - 11, inner.top() + 2, 11, 11),
            state_colour(self.state, theme),
        )
        self._text(painter, title, inner.adjusted(0, 0, -16, 0), FONT_BASE_PX, theme.text, bold=True)
        top = 17 + self._text(painter, question, inner.adjusted(0, 17, 0, 0), FONT_SMALL_PX, theme.muted, lines=2)
        shown = self.answer or NO_ANSWER.get(self.state, "")
        colour = theme.text if self.answer else theme.muted
        answer = inner.adjusted(0, top + 2, 2, 0)
        # A long answer goes smaller rather than being cut: it is what the link is for.
        room = int(answer.height() + 4)
        for size in (FONT_SMALL_PX + 1, FONT_SMALL_PX):
            metrics = QFontMetrics(self._font(painter, size, bool(self.answer)))
            most = max(room // metrics.height(), 1)
            if "…" not in "".join(_lines(shown, metrics, int(answer.width()), most)):
                break
        self._text(painter, shown, answer, size, colour, bool(self.answer), most)
        painter.end()

    @staticmethod
    def _font(painter: QPainter, size: int, bold: bool) -> QFont:
        font = QFont(painter.font())
        font.setPixelSize(size)
        font.setWeight(QFont.Weight.DemiBold if bold else QFont.Weight.Normal)
        return font

    @staticmethod
    def _text(
        painter: QPainter, text: str, box: QRectF, size: int, colour: str, bold: bool = False, lines: int = 1
    ) -> int:
        """Write a text and give its height in pixels."""
        font = ChainLink._font(painter, size, bold)
        painter.setFont(font)
        painter.setPen(QColor(colour))
        metrics = QFontMetrics(font)
        shown = _lines(text, metrics, int(box.width()), lines)
        for k, line in enumerate(shown):
            painter.drawText(QPointF(box.left(), box.top() + metrics.ascent() + k * metrics.height()), line)
        return len(shown) * metrics.height()


def _lines(text: str, metrics: QFontMetrics, width: int, most: int) -> list[str]:
    """Break a text into at most so many lines; what does not fit ends in an ellipsis."""
    lines: list[str] = []
    words = text.split()
    while words and len(lines) < most:
        line = words.pop(0)
        while words and metrics.horizontalAdvance(f"{line} {words[0]}") <= width:
            line = f"{line} {words.pop(0)}"
        if len(lines) == most - 1 and words:
            line = f"{line} {' '.join(words)}"
            words = []
        lines.append(metrics.elidedText(line, Qt.TextElideMode.ElideRight, width))
    return lines


class Joint(QWidget):
    """What joins two links: whole while both are answered, broken otherwise."""

    def __init__(self, workspace: Workspace) -> None:
        super().__init__()
        self._workspace = workspace
        self.whole = False
        self._shown: bool | None = None
        self.setFixedSize(JOINT_PX, CHAIN_PX - 12)

    def show_whole(self, whole: bool) -> None:
        """Show it whole or broken."""
        if whole == self._shown:
            return
        self._shown = whole
        self.whole = whole
        self.setToolTip("" if whole else "Broken: an answer before this one is missing or out of date")
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the joint."""
        theme = self._workspace.theme
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(theme.muted if self.whole else theme.line), 2.6))
        middle = self.height() / 2
        box = QRectF(-5, middle - 6, self.width() + 10, 12)
        if self.whole:
            painter.drawRoundedRect(box, 6, 6)
        else:
            for start in (QRectF(-11, middle - 6, 15, 12), QRectF(self.width() - 4, middle - 6, 15, 12)):
                painter.drawRoundedRect(start, 6, 6)
        painter.end()


class ChainBar(QWidget):
    """All eight links."""

    def __init__(self, workspace: Workspace, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self.setObjectName("chain")
        row = QHBoxLayout(self)
        row.setContentsMargins(8, 6, 8, 6)
        row.setSpacing(0)
        self.links: dict[Step, ChainLink] = {}
        self.joints: list[Joint] = []
        for step in Step:
            if self.links:
                joint = Joint(workspace)
                self.joints.append(joint)
                row.addWidget(joint)
            link = ChainLink(step, workspace)
            link.clicked.connect(lambda _=False, step=step: self._choose(step))
            self.links[step] = link
            row.addWidget(link, 1)
        self.setFixedHeight(CHAIN_PX)
        workspace.numbers_changed.connect(self.refresh)
        workspace.signals.changed.connect(self.refresh)
        workspace.signals.opened.connect(self.refresh)
        workspace.view.stepped.connect(self.refresh)
        self.refresh()

    def _choose(self, step: Step) -> None:
        self._workspace.view.set_step(step)
        self.refresh()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Arrows go from link to link."""
        steps = list(Step)
        now = steps.index(self._workspace.view.step)
        by = {Qt.Key.Key_Right: 1, Qt.Key.Key_Left: -1}.get(Qt.Key(event.key()))
        if by is None:
            super().keyPressEvent(event)
            return
        step = steps[max(0, min(len(steps) - 1, now + by))]
        self._choose(step)
        self.links[step].setFocus()

    def refresh(self, *_: object) -> None:
        """Show the answers that belong to the plan as it stands; older ones vanish."""
        numbers, plan = self._workspace.numbers, self._workspace.plan
        current = numbers.plan is plan and numbers.is_complete
        found: dict[str, Any] = {link.key: link for link in numbers.links} if current else {}
        states = []
        for step, widget in self.links.items():
            link = found.get(step.value)
            widget.setChecked(step is self._workspace.view.step)
            if link is None:
                widget.show_link("", "waiting" if self._workspace.is_open else "open", "")
                states.append("waiting")
                continue
            widget.show_link(link.answer, link.state.value, _site_words(link))
            states.append(link.state.value)
        for k, joint in enumerate(self.joints):
            joint.show_whole(states[k] == "answered" and states[k + 1] == "answered")


def _site_words(link: Any) -> str:
    per_site = getattr(link, "per_site", None) or {}
    items = per_site.items() if hasattr(per_site, "items") else per_site
    return "\n".join(f"{site}: {answer}" for site, answer in items)
