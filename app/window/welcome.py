"""The first thing seen without a case: what the program is for, and three ways in."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QFrame, QGridLayout, QVBoxLayout, QWidget

from app.case_actions import CaseActions
from app.commands import Commands
from app.steps.parts import Row, button, label
from app.window.chain_bar import QUESTIONS
from app.workspace import Workspace

PURPOSE = (
    "Plan implants from a cone-beam scan, and know how far the drill may stray: from the trust that the scan"
    " deserves to the guide that the bone can bear."
)
LIMITS = (
    "It supports a licensed clinician's judgement and does not replace it. The whole scan must be read by a"
    " qualified person; manufacturers' drilling instructions and local rules come first. Not a cleared medical"
    " device."
)


class Plumb(QWidget):
    """The program's mark: a plumb line over a ridge."""

    def __init__(self, workspace: Workspace) -> None:
        super().__init__()
        self._workspace = workspace
        self.setFixedSize(64, 84)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw it."""
        theme = self._workspace.theme
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(QColor(theme.text), 1.6))
        painter.drawLine(QPointF(32, 2), QPointF(32, 46))
        for k in range(1, 8):
            half = 7 if k % 5 == 0 else 4
            painter.drawLine(QPointF(32 - half, 2 + 5.6 * k), QPointF(32 + half, 2 + 5.6 * k))
        painter.setBrush(QColor(theme.accent))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.drawPolygon([QPointF(26, 46), QPointF(38, 46), QPointF(32, 62)])
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.setPen(QPen(QColor(theme.muted), 2.0))
        painter.drawArc(QRectF(8, 58, 48, 44), 20 * 16, 140 * 16)
        painter.end()


class Welcome(QWidget):
    """Purpose, three ways in, and the eight questions."""

    def __init__(self, workspace: Workspace, case: CaseActions, commands: Commands) -> None:
        super().__init__()
        self.setObjectName("welcome")
        outer = QVBoxLayout(self)
        outer.setContentsMargins(40, 24, 40, 16)
        outer.addStretch(1)
        middle = QFrame()
        middle.setMaximumWidth(860)
        rows = QVBoxLayout(middle)
        rows.setSpacing(10)
        head = QGridLayout()
        head.setHorizontalSpacing(22)
        head.addWidget(Plumb(workspace), 0, 0, 2, 1)
        title = label("Plumbline", "large", wrap=False)
        title.setStyleSheet("font-size: 30px; font-weight: 600;")
        head.addWidget(title, 0, 1, Qt.AlignmentFlag.AlignBottom)
        head.addWidget(label(PURPOSE), 1, 1, Qt.AlignmentFlag.AlignTop)
        head.setColumnStretch(1, 1)
        rows.addLayout(head)
        rows.addSpacing(14)
        cards = QGridLayout()
        cards.setHorizontalSpacing(14)
        for column, (title_text, words, text, command, main, more) in enumerate(
            (
                (
                    "A new patient's scan",
                    "Folder, zip, disc or file: DICOM, NIfTI, NRRD or MetaImage. A case is made for it.",
                    "Open scan …",
                    "scan.folder",
                    True,
                    (("Open a file …", "scan.file"), ("Over the network …", "scan.network")),
                ),
                (
                    "A case begun before",
                    "Every step was kept as it was made, with its history.",
                    "Open case …",
                    "case.open",
                    False,
                    (("Unpack a case …", "case.unpack"),),
                ),
                (
                    "Just looking",
                    "An invented lower jaw with a ceramic bridge and its known truth, planned at 36 and 46.",
                    "Open sample case",
                    "case.sample",
                    False,
                    (),
                ),
            )
        ):
            card = QFrame()
            card.setProperty("role", "card")
            inside = QVBoxLayout(card)
            inside.setContentsMargins(16, 14, 16, 14)
            inside.setSpacing(8)
            inside.addWidget(label(title_text, "title"))
            inside.addWidget(label(words, "note"))
            inside.addStretch(1)
            run = button(text, lambda command=command: commands.run(command), main=main, name=f"welcome-{command}")
            links = []
            for link_text, name in more:
                link = button(link_text, lambda name=name: commands.run(name), name=f"welcome-{name}")
                link.setProperty("role", "link")
                links.append(link)
            inside.addWidget(Row(*links) if links else label("", "note"))
            inside.addWidget(run)
            card.setMinimumHeight(172)
            cards.addWidget(card, 0, column)
            cards.setColumnStretch(column, 1)
        rows.addLayout(cards)
        rows.addSpacing(12)
        rows.addWidget(label("The chain of a plan", "heading", wrap=False))
        chain = QGridLayout()
        chain.setHorizontalSpacing(18)
        chain.setVerticalSpacing(4)
        for k, (name, question) in enumerate(QUESTIONS.values()):
            line = label(f"{name}: {question}", "note", wrap=False)
            chain.addWidget(line, k % 4, k // 4)
        rows.addLayout(chain)
        rows.addSpacing(14)
        rows.addWidget(label(LIMITS, "note"))
        holder = QGridLayout()
        holder.addWidget(middle, 0, 1)
        holder.setColumnStretch(0, 1)
        holder.setColumnStretch(1, 8)
        holder.setColumnStretch(2, 1)
        outer.addLayout(holder)
        outer.addStretch(2)
