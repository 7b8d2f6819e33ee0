"""The altered picture in a flat view: which volume is shown where, and the words that always stand on it."""

from __future__ import annotations

from PySide6.QtCore import QRectF, Qt
from PySide6.QtGui import QColor, QFont, QPainter, QPen

from app.sections import marks
from app.workspace import Workspace
from planner_core.case.derived.reduced import known_reduced
from planner_core.geometry.volume import Volume

LABEL_LINES = ("ALTERED: streaks reduced by computation.", "Not for measuring or matching.")
SHORT_LABEL = "ALTERED: not for measuring or matching."
REFUSED = (
    "Nothing is placed, moved or measured on the altered picture.",
    "Show the scan as scanned first (key X).",
)
"""What happened and what to do, where a gesture is refused in any view."""
WIDE_PX = 250.0
"""Narrower pictures get the short words."""
EDGE_PX = 3.0


def is_beside(workspace: Workspace) -> bool:
    """Tell whether scan and altered picture stand side by side."""
    return workspace.view.picture == "beside" and known_reduced(workspace.plan) is not None


def shown_volume(workspace: Workspace, altered: bool) -> Volume:
    """Give the scan, or its altered copy where that is asked for and there."""
    scan = workspace.plan.scan
    assert scan is not None
    view = known_reduced(workspace.plan) if altered else None
    return scan.volume if view is None else view.volume


def is_altered(workspace: Workspace) -> bool:
    """Tell whether the altered copy is shown in place of the scan."""
    return workspace.view.picture == "altered" and known_reduced(workspace.plan) is not None


def paint_label(painter: QPainter, area: QRectF) -> None:
    """Frame an altered picture and say that it is one."""
    painter.save()
    painter.setRenderHint(QPainter.RenderHint.Antialiasing, False)
    pen = QPen(QColor("#ffffff"), EDGE_PX, Qt.PenStyle.DashLine)
    painter.setPen(pen)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    half = EDGE_PX / 2.0
    painter.drawRect(area.adjusted(half, half, -half, -half))
    font = QFont(marks.small_font())
    font.setBold(True)
    painter.setFont(font)
    flags = int(Qt.AlignmentFlag.AlignCenter.value) | int(Qt.TextFlag.TextWordWrap.value)
    text = " ".join(LABEL_LINES) if area.width() > WIDE_PX and area.height() > WIDE_PX else SHORT_LABEL
    room = QRectF(area.left() + 8, area.top() + 42, area.width() - 16, area.height())
    needed = painter.boundingRect(room, flags, text)
    box = QRectF(room.left(), room.top(), room.width(), needed.height() + 4)
    painter.fillRect(box, QColor("#ffffff"))
    painter.setPen(QColor("#000000"))
    painter.drawText(box, flags, text)
    painter.restore()
