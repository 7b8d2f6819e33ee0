"""What is marked besides arch and canal, painted over the strip."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPainter, QPolygonF

from app.sections import marks
from app.sections.anatomy_paint import AIR, DRAWN, TOOTH, TOOTH_LINES
from app.sections.strip_rows import write
from app.words import site_label
from app.workspace import Workspace
from planner_core.anatomy.marked import DrawnKind


def paint_over_strip(painter: QPainter, strip: Any, workspace: Workspace) -> None:
    """Paint teeth, floors of air spaces, foramina, drawn courses and the planned cut."""
    plan, layers = workspace.plan, workspace.view.layers
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if "cut" in layers and plan.bone_cut is not None:
        _cut(painter, strip, workspace)
    if "cavities" in layers and plan.cavities:
        _floors(painter, strip, workspace)
    if "teeth" in layers:
        for site, tooth in plan.teeth.items():
            _tooth(painter, strip, workspace, site, tooth)
    if "canal" in layers:
        for side, foramen in plan.foramina.items():
            xy, _ = strip.place(f"foramen:{side}", foramen, foramen.point_lps_mm[None])
            style = Qt.PenStyle.SolidLine if foramen.seen else Qt.PenStyle.DashLine
            painter.setPen(marks.pen(workspace.theme.canal, 1.8, style))
            painter.drawEllipse(QPointF(*xy[0]), 6.0, 5.0)
    if "drawn" in layers:
        for name, structure in plan.drawn.items():
            if structure.is_tube:
                xy, _ = strip.place(f"drawn:{name}", structure, structure.points_lps_mm)
                colour = workspace.theme.canal if structure.kind is DrawnKind.INCISIVE_CANAL else DRAWN
                _line(painter, xy, colour, Qt.PenStyle.DashDotLine)


def _line(painter: QPainter, xy: Any, colour: str, style: Qt.PenStyle, width: float = 1.6) -> None:
    line = marks.pen(colour, width, alpha=230)
    line.setStyle(style)
    painter.setPen(line)
    painter.drawPolyline(QPolygonF([QPointF(x, y) for x, y in xy.tolist()]))


def _tooth(painter: QPainter, strip: Any, workspace: Workspace, site: str, tooth: Any) -> None:
    ends = np.stack([tooth.tip_lps_mm, tooth.neck_lps_mm, tooth.apex_lps_mm])
    xy, _ = strip.place(f"tooth:{site}", tooth, ends)
    _line(painter, xy, TOOTH, TOOTH_LINES[tooth.state], 1.8)
    along = xy[2] - xy[0]
    across = np.array([-along[1], along[0]]) / max(float(np.hypot(*along)), 1e-6) * 5.0
    painter.setPen(marks.pen(TOOTH, 1.4))
    painter.drawLine(QPointF(*(xy[1] - across)), QPointF(*(xy[1] + across)))
    label = site_label(site, workspace.settings.notation)
    upper = float(along[1]) < 0
    y = max(float(xy[0, 1]) + (2 if upper else -17), 3.0)
    x, wide = float(xy[0, 0]), 9.0 + 6.0 * len(label)
    painter.fillRect(QRectF(x - wide / 2, y + 1, wide, 13), QColor(7, 9, 11, 190))
    write(painter, label, x - 16, y, 32, TOOTH, middle=True)


def _floors(painter: QPainter, strip: Any, workspace: Workspace) -> None:
    """Paint the floors that the height was measured to, dotted, where they were met."""
    tracks, arch = workspace.numbers.tracks, workspace.plan.arch
    if tracks is None or tracks.table is None or arch is None:
        return
    points = [
        row.crest_lps_mm + row.height_mm * arch.up_lps
        for row in tracks.table.rows
        if row.height_mm is not None and row.crest_lps_mm is not None and "floor" in row.height_to
    ]
    if len(points) < 2:
        return
    xy, _ = strip.place("floors", tracks.table, np.array(points))
    painter.setPen(marks.pen(AIR, 1.5))
    for (x0, y0), (x1, y1) in zip(xy[:-1].tolist(), xy[1:].tolist(), strict=True):
        if abs(x1 - x0) < 12.0:
            painter.drawLine(QPointF(x0, y0), QPointF(x1, y1))


def _cut(painter: QPainter, strip: Any, workspace: Workspace) -> None:
    """Paint where the plane of the reduction passes the strip."""
    cut, arch = workspace.plan.bone_cut, workspace.plan.arch
    assert cut is not None
    assert arch is not None
    base = arch.curve_lps_mm[::8]
    slope = float(arch.up_lps @ cut.normal_lps)
    if abs(slope) < 0.2:
        return
    height = (cut.point_lps_mm - base) @ cut.normal_lps / slope
    xy, _ = strip.place("cut", cut, base + height[:, None] * arch.up_lps)
    _line(painter, xy, workspace.theme.picture_text, Qt.PenStyle.DashLine, 1.4)
