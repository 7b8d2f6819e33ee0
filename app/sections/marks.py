"""The program's own marks, painted over a flat section (DESIGN.md section 7, "Our own marks")."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFont, QFontMetricsF, QImage, QPainter, QPainterPath, QPen

from app.sections.cuts import Cuts
from app.shapes import CanalBody, Mesh, cut
from app.theme import FONT_SMALL_PX, Theme
from planner_core.anatomy.sections import SectionFrame
from planner_core.geometry.frames import FloatArray

PLUMB_UP_MM = 14.0
"""How far the plumb line rises over the platform, mm (our choice: about a crown and its opening)."""
WHISKER_REACH_MM = 2.0
"""A whisker is drawn in a section when both its ends lie within this of the plane, mm (our choice)."""
NEAR_PLANE_MM = 1.0
"""A point counts as lying in a section within this distance, mm (our choice: three voxels)."""


@frozen(eq=False)
class Brushwork:
    """A painter with the frame that it paints in."""

    painter: QPainter
    frame: SectionFrame
    theme: Theme
    cuts: Cuts
    tags: list[QRectF] = field(factory=list)
    """Where words stand already in this painting."""

    def place(self, points_lps_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Give screen points of shape (n, 2) as (x, y) and their distance from the plane (mm)."""
        found = np.atleast_2d(self.frame.to_pixel(points_lps_mm))
        return found[:, 1::-1] + 0.5, found[:, 2]

    def holds(self, x: float, y: float) -> bool:
        """Tell whether a screen point lies in the picture."""
        rows, columns = self.frame.shape
        return 0.0 <= x <= columns and 0.0 <= y <= rows

    def pixels(self, length_mm: float) -> float:
        """Give a length in screen pixels."""
        return length_mm / self.frame.pixel_mm


def pen(colour: str, width: float = 1.4, style: Qt.PenStyle = Qt.PenStyle.SolidLine, alpha: int = 255) -> QPen:
    """Give a pen with round ends."""
    shade = QColor(colour)
    shade.setAlpha(alpha)
    made = QPen(shade, width, style, Qt.PenCapStyle.RoundCap, Qt.PenJoinStyle.RoundJoin)
    if style is Qt.PenStyle.DashLine:
        made.setDashPattern([4.0, 3.0])
    return made


def cut_image(mesh: Mesh, frame: SectionFrame, colour: str) -> QImage:
    """Give the cut of a large mesh as a picture of one-pixel lines over nothing."""
    rows, columns = frame.shape
    shade = QColor(colour)
    ink = np.array([shade.blue(), shade.green(), shade.red(), 255], np.uint8)
    picture = np.zeros((rows, columns, 4), np.uint8)
    pieces = cut(mesh, frame.origin_lps_mm, frame.normal_lps)
    if len(pieces):
        ends = frame.to_pixel(pieces.reshape(-1, 3))[:, :2].reshape(-1, 2, 2)
        count = np.ceil(np.abs(ends[:, 1] - ends[:, 0]).max(axis=1)).astype(int).clip(1, 400) + 1
        piece = np.repeat(np.arange(len(ends)), count)
        first = np.repeat(np.cumsum(count) - count, count)
        share = (np.arange(len(piece)) - first) / np.repeat(count - 1, count)
        spots = np.rint(ends[piece, 0] + share[:, None] * (ends[piece, 1] - ends[piece, 0])).astype(int)
        inside = ((spots >= 0) & (spots < (rows, columns))).all(axis=1)
        picture[spots[inside, 0], spots[inside, 1]] = ink
    return QImage(picture.data, columns, rows, 4 * columns, QImage.Format.Format_ARGB32_Premultiplied).copy()


def small_font() -> QFont:
    """Give the small type of the pictures."""
    font = QFont()
    font.setPixelSize(FONT_SMALL_PX)
    return font


def tag(
    work: Brushwork, text: str, x: float, y: float, colour: str = "", middle: bool = False, apart: bool = False
) -> None:
    """Write a short text on a dark ground, kept inside the picture; `apart` moves it off words that stand there."""
    painter = work.painter
    font = small_font()
    painter.setFont(font)
    metrics = QFontMetricsF(font)
    width, height = metrics.horizontalAdvance(text) + 6, metrics.height() + 1
    rows, columns = work.frame.shape
    left = x - width / 2 if middle else x
    left = min(max(left, 2.0), max(columns - width - 2, 2.0))
    top = min(max(y - height / 2, 2.0), max(rows - height - 2, 2.0))
    box = QRectF(left, top, width, height)
    if apart:
        box = _beside(box, work.tags, float(rows))
    work.tags.append(box)
    painter.setPen(Qt.PenStyle.NoPen)
    painter.setBrush(QColor(7, 9, 11, 190))
    painter.drawRoundedRect(box, 3, 3)
    painter.setPen(QColor(colour or work.theme.picture_text))
    painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)


def _beside(box: QRectF, taken: list[QRectF], bottom: float) -> QRectF:
    """Give the nearest free place for a box, a line at a time below or above; where none is free, its own."""
    for shift in (0, 1, -1, 2, -2, 3, -3):
        moved = box.translated(0.0, shift * (box.height() + 1.0))
        if moved.top() >= 0.0 and moved.bottom() <= bottom and not any(moved.intersects(t) for t in taken):
            return moved
    return box


def paint_canal(work: Brushwork, canal: CanalBody) -> None:
    """Paint a canal's cut: a purple tube with a ring every 5 mm, hollow and dashed where it was not seen."""
    xy, depth = work.place(canal.path_lps_mm)
    reach = canal.radius_mm**2 - depth**2
    inside = np.flatnonzero(reach > 0)
    if not len(inside):
        return
    radius = np.sqrt(reach[inside]) / work.frame.pixel_mm
    in_ring, certain = canal.in_ring()[inside], canal.certain[inside]
    for wanted, alpha in ((certain & ~in_ring, 95), (certain & in_ring, 190)):
        _fill_discs(work, xy[inside][wanted], radius[wanted], alpha)
    painter = work.painter
    painter.setBrush(Qt.BrushStyle.NoBrush)
    dashed = not bool(certain.all())
    painter.setPen(pen(work.theme.canal, 1.3, Qt.PenStyle.DashLine if dashed else Qt.PenStyle.SolidLine))
    painter.drawLines(work.cuts.lines(canal.wall))


def _fill_discs(work: Brushwork, xy: FloatArray, radius_px: FloatArray, alpha: int) -> None:
    path = QPainterPath()
    path.setFillRule(Qt.FillRule.WindingFill)
    for (x, y), r in zip(xy.tolist(), radius_px.tolist(), strict=True):
        path.addEllipse(QPointF(x, y), r, r)
    shade = QColor(work.theme.canal)
    shade.setAlpha(alpha)
    work.painter.fillPath(path, shade)


def paint_fixture(work: Brushwork, body: Mesh, in_hand: bool, locked: bool) -> bool:
    """Paint a fixture's cut: a light outline, the one in hand stronger; tell whether the section meets it."""
    lines = work.cuts.lines(body)
    if not lines:
        return False
    painter = work.painter
    painter.setPen(pen(work.theme.picture, 4.0 if in_hand else 3.2, alpha=150))
    painter.drawLines(lines)
    style = Qt.PenStyle.DotLine if locked else Qt.PenStyle.SolidLine
    painter.setPen(pen(work.theme.mark if in_hand else work.theme.fixture, 2.0 if in_hand else 1.4, style))
    painter.drawLines(lines)
    return True


def paint_envelope(work: Brushwork, body: Mesh) -> None:
    """Paint where the drill may go: dashed, widening towards the apex."""
    work.painter.setPen(pen(work.theme.mark, 1.2, Qt.PenStyle.DashLine, 220))
    for line in work.cuts.paths(body):
        work.painter.drawPath(line)


def paint_plumb(work: Brushwork, platform_lps_mm: FloatArray, axis_lps: FloatArray, length_mm: float) -> None:
    """Paint the restorative axis as a plumb line: ticks every mm, longer every 5 mm, a bob at the apex."""
    if abs(float(axis_lps @ work.frame.normal_lps)) > 0.5:
        return
    heights = np.arange(0.0, PLUMB_UP_MM + 0.5)
    xy, depth = work.place(platform_lps_mm - heights[:, None] * axis_lps)
    if abs(float(depth[0])) > WHISKER_REACH_MM:
        return
    tip, _ = work.place(platform_lps_mm + length_mm * axis_lps)
    painter = work.painter
    painter.setPen(pen(work.theme.picture_text, 1.0, alpha=200))
    painter.drawLine(QPointF(*xy[-1]), QPointF(*tip[0]))
    run = xy[-1] - xy[0]
    across = np.array([-run[1], run[0]]) / max(float(np.hypot(*run)), 1e-9)
    for k, at in enumerate(xy[1:], start=1):
        half = 5.0 if k % 5 == 0 else 2.5
        painter.drawLine(QPointF(*(at - half * across)), QPointF(*(at + half * across)))
    painter.setBrush(QColor(work.theme.picture_text))
    painter.drawEllipse(QPointF(*tip[0]), 2.2, 2.2)
    painter.setBrush(Qt.BrushStyle.NoBrush)


def paint_whisker(
    work: Brushwork, start_lps_mm: FloatArray, end_lps_mm: FloatArray, text: str, colour: str
) -> None:
    """Join the nearest points by a thin line with end ticks and its mm."""
    xy, depth = work.place(np.stack([start_lps_mm, end_lps_mm]))
    if float(np.abs(depth).max()) > WHISKER_REACH_MM:
        return
    a, b = xy
    run = b - a
    length = float(np.hypot(*run))
    painter = work.painter
    painter.setPen(pen(colour, 1.2))
    painter.drawLine(QPointF(*a), QPointF(*b))
    if length > 1.0:
        across = np.array([-run[1], run[0]]) / length * 4.0
        for end in (a, b):
            painter.drawLine(QPointF(*(end - across)), QPointF(*(end + across)))
    middle = (a + b) / 2.0
    if work.holds(float(middle[0]), float(middle[1])):
        tag(work, text, float(middle[0]) + 8, float(middle[1]), colour, apart=True)


def paint_pair(work: Brushwork, point_lps_mm: FloatArray, name: str, colour: str, hollow: bool = False) -> None:
    """Paint a named point as a cross in a square, where it lies near the plane."""
    xy, depth = work.place(point_lps_mm)
    if abs(float(depth[0])) > NEAR_PLANE_MM * 1.5:
        return
    x, y = float(xy[0, 0]), float(xy[0, 1])
    if not work.holds(x, y):
        return
    painter = work.painter
    painter.setPen(pen(colour, 1.4, Qt.PenStyle.DashLine if hollow else Qt.PenStyle.SolidLine))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawRect(QRectF(x - 5, y - 5, 10, 10))
    painter.drawLine(QPointF(x - 2.5, y), QPointF(x + 2.5, y))
    painter.drawLine(QPointF(x, y - 2.5), QPointF(x, y + 2.5))
    if name:
        tag(work, name, x + 9, y - 9, colour)


def paint_curve(
    work: Brushwork, points_lps_mm: FloatArray, colour: str, dashed: bool = False, width: float = 1.3
) -> None:
    """Paint a curve of space as seen along the view."""
    xy, _ = work.place(points_lps_mm)
    path = QPainterPath(QPointF(*xy[0]))
    for x, y in xy[1:].tolist():
        path.lineTo(x, y)
    work.painter.setBrush(Qt.BrushStyle.NoBrush)
    work.painter.setPen(pen(colour, width, Qt.PenStyle.DashLine if dashed else Qt.PenStyle.SolidLine, 200))
    work.painter.drawPath(path)


def paint_handles(work: Brushwork, points_lps_mm: FloatArray, colour: str) -> None:
    """Paint the points that can be dragged."""
    xy, _ = work.place(points_lps_mm)
    work.painter.setPen(pen(work.theme.picture, 1.0))
    work.painter.setBrush(QColor(colour))
    for x, y in xy.tolist():
        work.painter.drawRect(QRectF(x - 3.5, y - 3.5, 7, 7))
    work.painter.setBrush(Qt.BrushStyle.NoBrush)


def paint_plane_line(work: Brushwork, other: SectionFrame, colour: str) -> None:
    """Paint where another view's plane meets this one, from the edges, so that the middle stays free."""
    along = np.cross(work.frame.normal_lps, other.normal_lps)
    size = float(np.linalg.norm(along))
    if size < 0.05:
        return
    along /= size
    normals = np.stack([work.frame.normal_lps, other.normal_lps, along])
    offsets = [
        float(work.frame.normal_lps @ work.frame.origin_lps_mm),
        float(other.normal_lps @ other.origin_lps_mm),
        float(along @ work.frame.origin_lps_mm),
    ]
    foot = np.linalg.solve(normals, offsets)
    xy, _ = work.place(np.stack([foot - 300.0 * along, foot + 300.0 * along]))
    rows, columns = work.frame.shape
    clipped = _clip(xy[0], xy[1], float(columns), float(rows))
    if clipped is None:
        return
    a, b = clipped
    reach = 22.0 / max(float(np.hypot(*(b - a))), 1.0)
    painter = work.painter
    painter.setPen(pen(colour, 1.2, alpha=210))
    painter.drawLine(QPointF(*a), QPointF(*(a + reach * (b - a))))
    painter.drawLine(QPointF(*b), QPointF(*(b - reach * (b - a))))


def _clip(a: FloatArray, b: FloatArray, width: float, height: float) -> tuple[FloatArray, FloatArray] | None:
    run = b - a
    low, high = 0.0, 1.0
    for k, limit in ((0, width), (1, height)):
        if abs(float(run[k])) < 1e-9:
            if not 0 <= float(a[k]) <= limit:
                return None
            continue
        first, second = sorted(((0.0 - float(a[k])) / float(run[k]), (limit - float(a[k])) / float(run[k])))
        low, high = max(low, first), min(high, second)
    return None if low >= high else (a + low * run, a + high * run)


def paint_hatch(work: Brushwork, region: object, colour: str) -> None:
    """Hatch a clipped region; read without colour by its slanted lines."""
    painter = work.painter
    painter.save()
    painter.setClipRegion(region)  # type: ignore[arg-type]
    shade = QColor(colour)
    shade.setAlpha(150)
    rows, columns = work.frame.shape
    painter.fillRect(QRectF(0, 0, columns, rows), QBrush(shade, Qt.BrushStyle.BDiagPattern))
    painter.restore()


def scale_bar_mm(pixel_mm: float, longest_px: float) -> float:
    """Give the longest round length that fits: 1, 2, 5, 10, 20 or 50 mm."""
    fitting = [length for length in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0) if length / pixel_mm <= longest_px]
    return fitting[-1] if fitting else 1.0


def paint_scale_bar(work: Brushwork) -> None:
    """Paint the scale bar at the lower right."""
    rows, columns = work.frame.shape
    length = scale_bar_mm(work.frame.pixel_mm, columns * 0.3)
    size = work.pixels(length)
    right, y = columns - 10.0, rows - 10.0
    painter = work.painter
    painter.setPen(pen(work.theme.picture_text, 1.4))
    painter.drawLine(QPointF(right - size, y), QPointF(right, y))
    for x in (right - size, right):
        painter.drawLine(QPointF(x, y - 4), QPointF(x, y + 1))
    tag(work, f"{length:g} mm", right - size / 2, y - 12, middle=True)


Painting = Callable[[Brushwork], None]
