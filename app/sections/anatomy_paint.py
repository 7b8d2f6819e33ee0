"""What is marked besides arch, canal and bone, painted over a flat section: each kind by its own line and word."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPen, QPolygonF

from app import drawn_anatomy
from app.sections import marks
from app.sections.cuts import lines_of
from app.shapes import Mesh
from app.words import mm, site_label
from app.workspace import Workspace
from planner_core.anatomy.marked import DrawnKind, DrawnStructure, MarkedTooth, ToothState
from planner_core.anatomy.measure import MeasureKind, Measurement
from planner_core.geometry.frames import FloatArray

TOOTH, AIR, DRAWN = "#e9dfc7", "#7fc8f0", "#F0E442"
"""Ivory, a pale blue, and the yellow of Okabe and Ito; each also has a line of its own and its word."""
TOOTH_LINES = {
    ToothState.SOUND: Qt.PenStyle.SolidLine,
    ToothState.MOBILE: Qt.PenStyle.DotLine,
    ToothState.TO_EXTRACT: Qt.PenStyle.DashLine,
    ToothState.IMPACTED: Qt.PenStyle.DashDotLine,
    ToothState.RETAINED_ROOT: Qt.PenStyle.DashDotDotLine,
}
"""The state of a tooth is read from its line and its word."""
FORAMEN_SIZE = 5.0


def paint_anatomy(work: marks.Brushwork, workspace: Workspace) -> None:
    """Paint teeth, air spaces, drawn structures, foramina, the planned cut and the measurements."""
    plan, layers = workspace.plan, workspace.view.layers
    if "cavities" in layers:
        for key, cavity in plan.cavities.items():
            _outline(work, drawn_anatomy.cavity_mesh(workspace, key), AIR, cavity.name)
            _septa(work, cavity.septa_lps_mm)
    if "teeth" in layers:
        for site, tooth in plan.teeth.items():
            _tooth(work, workspace, site, tooth)
    if "canal" in layers:
        for side, foramen in plan.foramina.items():
            _foramen(work, foramen.point_lps_mm, foramen.seen, f"mental foramen, {side}")
    if "drawn" in layers:
        for structure in plan.drawn.values():
            _structure(work, workspace, structure)
    if "cut" in layers and plan.bone_cut is not None:
        paint_cut(work, plan.bone_cut.point_lps_mm, plan.bone_cut.normal_lps)
    if "measured" in layers:
        for key, measurement in plan.measurements.items():
            paint_measurement(work, measurement.kind, measurement.points_lps_mm, _measured_words(key, measurement))


def _measured_words(key: str, measurement: Measurement) -> str:
    return f"{measurement.label or key}: {measurement.text}"


def _stroke(colour: str, width: float, style: Qt.PenStyle) -> QPen:
    made = marks.pen(colour, width, alpha=235)
    made.setStyle(style)
    return made


def _outline(
    work: marks.Brushwork,
    mesh: Mesh | None,
    colour: str,
    words: str,
    style: Qt.PenStyle = Qt.PenStyle.SolidLine,
) -> None:
    """Paint the line in which the section cuts a wall, with its name at the topmost place."""
    if mesh is None:
        return
    lines = work.cuts.lines(mesh)
    if not lines:
        return
    work.painter.setBrush(Qt.BrushStyle.NoBrush)
    work.painter.setPen(_stroke(colour, 1.5, style))
    if style is Qt.PenStyle.SolidLine:
        work.painter.drawLines(lines)
    else:
        for path in work.cuts.paths(mesh):
            work.painter.drawPath(path)
    inside = [line.p1() for line in lines if work.holds(line.p1().x(), line.p1().y())]
    if inside:
        top = min(inside, key=lambda point: point.y())
        marks.tag(work, words, top.x(), top.y() - 9, colour, middle=True)


def _septa(work: marks.Brushwork, points: FloatArray) -> None:
    if not len(points):
        return
    xy, depth = work.place(points)
    for (x, y), away in zip(xy.tolist(), depth.tolist(), strict=True):
        if abs(away) <= marks.NEAR_PLANE_MM and work.holds(x, y):
            work.painter.setPen(marks.pen(AIR, 1.6))
            work.painter.drawPolyline(QPolygonF([QPointF(x - 4, y + 4), QPointF(x, y - 3), QPointF(x + 4, y + 4)]))
            marks.tag(work, "septum", x + 7, y, AIR)


def _tooth(work: marks.Brushwork, workspace: Workspace, site: str, tooth: MarkedTooth) -> None:
    label = site_label(site, workspace.settings.notation)
    words = label if tooth.state is ToothState.SOUND else f"{label} {tooth.state.value}"
    mesh = drawn_anatomy.tooth_mesh(workspace, site)
    _outline(work, mesh, TOOTH, words, TOOTH_LINES[tooth.state])


def _foramen(work: marks.Brushwork, point: FloatArray, seen: bool, words: str) -> None:
    xy, depth = work.place(point)
    x, y = xy[0].tolist()
    if abs(float(depth[0])) > 2.0 * marks.NEAR_PLANE_MM or not work.holds(x, y):
        return
    style = Qt.PenStyle.SolidLine if seen else Qt.PenStyle.DashLine
    work.painter.setBrush(Qt.BrushStyle.NoBrush)
    work.painter.setPen(marks.pen(work.theme.canal, 1.8, style))
    work.painter.drawEllipse(QPointF(x, y), FORAMEN_SIZE + 2, FORAMEN_SIZE)
    marks.tag(work, words if seen else f"{words}: not seen, look at it", x + 11, y, work.theme.canal)


def _structure(work: marks.Brushwork, workspace: Workspace, structure: DrawnStructure) -> None:
    is_canal = structure.kind is DrawnKind.INCISIVE_CANAL
    colour = work.theme.canal if is_canal else DRAWN
    mesh = drawn_anatomy.structure_mesh(workspace, structure)
    sure = not structure.is_tube or bool(structure.certain.all())
    style = Qt.PenStyle.SolidLine if sure else Qt.PenStyle.DashLine
    _outline(work, mesh, colour, structure.name, style)


def paint_cut(work: marks.Brushwork, point_lps_mm: FloatArray, normal_lps: FloatArray) -> None:
    """Paint where a planned bone reduction meets the section, hatched towards what is taken away."""
    along = np.cross(work.frame.normal_lps, normal_lps)
    size = float(np.linalg.norm(along))
    if size < 0.05:
        return
    along /= size
    off = float((point_lps_mm - work.frame.origin_lps_mm) @ normal_lps)
    away = normal_lps - work.frame.normal_lps * float(normal_lps @ work.frame.normal_lps)
    foot = work.frame.origin_lps_mm + away * off / float(away @ away)
    xy, _ = work.place(np.stack([foot - 200.0 * along, foot + 200.0 * along, foot + 1.2 * away]))
    painter = work.painter
    painter.setPen(marks.pen(work.theme.picture_text, 1.6))
    painter.drawLine(QPointF(*xy[0]), QPointF(*xy[1]))
    run, tick = xy[1] - xy[0], xy[2] - (xy[0] + xy[1]) / 2.0
    share = np.arange(0.0, 1.0, 7.0 / max(float(np.hypot(*run)), 8.0))
    starts = xy[0] + share[:, None] * run
    rows, columns = work.frame.shape
    starts = starts[((starts >= 0) & (starts <= (columns, rows))).all(axis=1)]
    painter.drawLines(lines_of(np.stack([starts, starts + tick], axis=1)))
    middle = (xy[0] + xy[1]) / 2.0
    marks.tag(work, "bone reduction", float(middle[0]) + 40, float(middle[1]) + 12)


def paint_measurement(work: marks.Brushwork, kind: MeasureKind, points: FloatArray, words: str) -> None:
    """Paint a measurement that lies in the section: end ticks, an arc at an angle, a hatched area."""
    xy, depth = work.place(points)
    if float(np.abs(depth).max()) > marks.NEAR_PLANE_MM:
        return
    painter, colour = work.painter, work.theme.mark
    spots = [QPointF(x, y) for x, y in xy.tolist()]
    painter.setPen(marks.pen(colour, 1.4))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    if kind is MeasureKind.AREA:
        shade = QColor(colour)
        shade.setAlpha(60)
        painter.setBrush(shade)
        painter.drawPolygon(QPolygonF(spots))
    else:
        painter.drawPolyline(QPolygonF(spots))
    if kind is MeasureKind.ANGLE and len(spots) == 3:
        _arc(work, xy)
    else:
        _ticks(work, xy)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    middle = xy.mean(axis=0)
    if work.holds(float(middle[0]), float(middle[1])):
        marks.tag(work, words, float(middle[0]) + 9, float(middle[1]) + 10, colour)


def _ticks(work: marks.Brushwork, xy: FloatArray) -> None:
    for at in xy:
        work.painter.drawRect(QRectF(float(at[0]) - 2.5, float(at[1]) - 2.5, 5, 5))


def _arc(work: marks.Brushwork, xy: FloatArray) -> None:
    first, last = (np.degrees(np.arctan2(-(p - xy[1])[1], (p - xy[1])[0])) for p in (xy[0], xy[2]))
    sweep = (last - first + 180.0) % 360.0 - 180.0
    radius = 0.3 * min(float(np.hypot(*(xy[0] - xy[1]))), float(np.hypot(*(xy[2] - xy[1]))))
    box = QRectF(float(xy[1, 0]) - radius, float(xy[1, 1]) - radius, 2 * radius, 2 * radius)
    work.painter.drawArc(box, round(first * 16), round(sweep * 16))


def measured_line(value_mm: float, sigma_mm: float) -> str:
    """Give a length with its 95 % interval."""
    return f"{mm(value_mm)} mm (± {mm(1.96 * sigma_mm)})"
