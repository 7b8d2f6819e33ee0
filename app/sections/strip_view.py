"""The strip: the section along the arch that is the window's navigator, with what runs under it by station."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, QSize, Qt, QTimer
from PySide6.QtGui import (
    QBitmap,
    QBrush,
    QColor,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QRegion,
    QWheelEvent,
)
from PySide6.QtWidgets import QWidget

from app import drawn
from app.picks import Gestures, Pick
from app.sections import marks
from app.sections.anatomy_strip import paint_over_strip
from app.sections.pixels import grey_image, mask_image
from app.sections.section_paint import HATCH_BLOCK_PX, HATCH_FROM_LEVEL
from app.sections.section_view import FOLLOW_MS
from app.sections.strip_rows import LABELS_PX, READING_PX, ROW_PX, ROWS, StripRows, write
from app.sections.strip_shapes import body_beside, stroke
from app.shapes import runs_of
from app.workspace import Workspace
from planner_core.anatomy.strip import Strip, sample_strip
from planner_core.anatomy.structures import Jaw

STRIP_HEIGHT_MM = 34.0
"""Height of the strip (our choice: crowns to the lower border of the jaw)."""
CENTRE_MM = 7.5
"""The strip's middle lies this far from the arch curve towards the jaw's base, mm (our choice)."""


class StripView(QWidget):
    """Picture along the arch; a click goes there."""

    def __init__(self, workspace: Workspace, gestures: Gestures, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self._gestures = gestures
        self._strip: Strip | None = None
        self._painting: Strip | None = None
        """The strip while it is being painted, so that it is not looked for at every mark."""
        self._strip_key: tuple[Any, ...] = ()
        self._image: QImage | None = None
        self._image_key: tuple[Any, ...] = ()
        self._projected: dict[str, tuple[Any, Any, Any]] = {}
        self._rows = StripRows(workspace, self.x_of)
        self._hatch: tuple[Any, Any, QRegion] | None = None
        self._pressed = ""
        self.setObjectName("strip")
        self.setAccessibleName("Strip along the arch")
        self.setMinimumHeight(150)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setInterval(FOLLOW_MS)
        self._later.timeout.connect(self.update)
        view = workspace.view
        for signal in (
            view.moved,
            view.selected,
            view.restyled,
            workspace.signals.changed,
            workspace.signals.opened,
            workspace.numbers_changed,
        ):
            signal.connect(self._redraw)

    def _redraw(self, *_: object) -> None:
        if self._workspace.numbers.is_complete or self._pressed == "tool":
            self.update()
        elif not self._later.isActive():
            self._later.start()

    def follow(self) -> None:
        """Come after the view in which something is dragged; at once when it is this one."""
        if self._pressed == "tool":
            self.update()
        elif not self._later.isActive():
            self._later.start()

    def sizeHint(self) -> QSize:  # noqa: N802
        """Give a size that the splitter may change."""
        return QSize(900, 230)

    # ------------------------------------------------------------ places

    def _area(self) -> QRectF:
        """Give where the picture may stand."""
        height = self.height() - ROW_PX * (len(ROWS) + 1)
        return QRectF(LABELS_PX + 20, 0, max(self.width() - LABELS_PX - READING_PX - 20, 40), max(height, 40))

    def strip(self) -> Strip | None:
        """Give the strip shown now; None without a scan or an arch."""
        if self._painting is not None:
            return self._painting
        plan = self._workspace.plan
        if plan.scan is None or plan.arch is None:
            return None
        area = self._area()
        length = float(plan.arch.stations_mm[-1] - plan.arch.stations_mm[0])
        pixel = max(length / area.width(), STRIP_HEIGHT_MM / area.height())
        view = self._workspace.view
        key = (id(plan.scan.volume), plan.arch, round(pixel, 4), view.strip_slab_mm, view.slab_mode)
        if self._strip is None or key != self._strip_key:
            centre = -CENTRE_MM if plan.arch.jaw is Jaw.LOWER else CENTRE_MM
            self._strip = sample_strip(
                plan.scan.volume,
                plan.arch,
                pixel_mm=pixel,
                height_mm=STRIP_HEIGHT_MM,
                slab_mm=view.strip_slab_mm,
                mode=view.slab_mode,
                centre_height_mm=centre,
            )
            self._strip_key = key
        return self._strip

    def _origin(self, strip: Strip) -> tuple[float, float]:
        area = self._area()
        rows, columns = strip.image.shape
        return round(area.left() + (area.width() - columns) / 2), round(area.top() + (area.height() - rows) / 2)

    def x_of(self, station_mm: float) -> float:
        """Give where a station stands on the screen."""
        strip = self.strip()
        if strip is None:
            return 0.0
        left, _ = self._origin(strip)
        return left + 0.5 + (station_mm - float(strip.stations_mm[0])) / strip.pixel_mm

    def place(self, name: str, value: Any, points: Any) -> Any:
        """Give screen points (x, y) and mm outwards of the strip, kept while value and strip are the same."""
        strip = self.strip()
        assert strip is not None
        kept = self._projected.get(name)
        if kept is None or kept[0] is not value or kept[1] is not strip:
            kept = (value, strip, strip.to_pixel(points))
            self._projected[name] = kept
        left, top = self._origin(strip)
        found = kept[2]
        return np.stack([found[:, 1] + left + 0.5, found[:, 0] + top + 0.5], axis=1), found[:, 2]

    # ------------------------------------------------------------ painting

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the strip, its marks and its rows."""
        painter = QPainter(self)
        theme = self._workspace.theme
        painter.fillRect(self.rect(), QColor(theme.picture))
        strip = self.strip()
        if strip is None:
            self._paint_empty(painter)
            painter.end()
            return
        self._painting = strip
        try:
            self._paint_all(painter, strip)
        finally:
            self._painting = None
            painter.end()

    def _paint_all(self, painter: QPainter, strip: Strip) -> None:
        theme = self._workspace.theme
        left, top = self._origin(strip)
        painter.drawImage(QPointF(left, top), self._picture(strip))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._paint_over(painter, strip)
        self._rows.fit(self.height())
        self._rows.paint_rows(painter, strip)
        self._rows.paint_reading(painter, strip)
        if self.hasFocus():
            painter.setPen(marks.pen(theme.mark, 1.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5))

    def _paint_empty(self, painter: QPainter) -> None:
        painter.setPen(QColor(self._workspace.theme.muted))
        painter.setFont(marks.small_font())
        has_scan = self._workspace.plan.scan is not None
        text = (
            "Draw the arch in the axial view (Anatomy) to see the strip." if has_scan else "The strip needs a scan."
        )
        painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, text)

    def _picture(self, strip: Strip) -> QImage:
        view = self._workspace.view
        key = (strip, view.window, view.level)
        if self._image is None or key != self._image_key:
            self._image = grey_image(strip.image, view.window, view.level)
            self._image_key = key
        return self._image

    def _paint_over(self, painter: QPainter, strip: Strip) -> None:
        workspace, theme = self._workspace, self._workspace.theme
        view = workspace.view
        left, top = self._origin(strip)
        rows, columns = strip.image.shape
        painter.save()
        painter.setClipRect(QRectF(left, top, columns, rows))
        if "degraded" in view.layers and workspace.numbers.scan_check is not None:
            self._paint_hatch(painter, strip, left, top)
        if "canal" in view.layers:
            for side in workspace.plan.canals:
                self._paint_canal(painter, side, strip)
        paint_over_strip(painter, self, workspace)
        for site, fixture in workspace.plan.fixtures.items():
            in_hand = site == view.site
            ends = np.stack([fixture.pose.platform_lps_mm, fixture.apex_lps_mm])
            xy, _ = self.place(f"fixture:{site}", fixture, ends)
            wide = fixture.shape.diameter_mm / strip.pixel_mm
            line = QColor(theme.mark if in_hand else theme.fixture)
            fill = QColor(line)
            fill.setAlpha(70)
            outline = body_beside(xy, wide)
            painter.setPen(marks.pen(line.name(), 1.6))
            painter.setBrush(fill)
            painter.drawPath(outline)
        paint = getattr(self._gestures, "paint_strip", None)
        if paint is not None:
            paint(painter, self)
        x = self.x_of(view.station_mm)
        painter.setPen(marks.pen(theme.mark, 1.2))
        painter.drawLine(QPointF(x, top), QPointF(x, top + 12))
        painter.drawLine(QPointF(x, top + rows), QPointF(x, top + rows - 12))
        painter.setPen(marks.pen(theme.mark, 1.0, Qt.PenStyle.DotLine, 120))
        painter.drawLine(QPointF(x, top + 12), QPointF(x, top + rows - 12))
        painter.restore()
        write(painter, "R", left - 14, top + rows / 2 - 8, 12, theme.mark)
        write(painter, "L", left + columns + 4, top + rows / 2 - 8, 12, theme.mark)
        self._scale_bar(painter, strip)

    def _paint_hatch(self, painter: QPainter, strip: Strip, left: float, top: float) -> None:
        check = self._workspace.numbers.scan_check
        if self._hatch is None or self._hatch[0] is not check or self._hatch[1] is not strip:
            rows, columns = strip.image.shape
            down = np.arange(HATCH_BLOCK_PX / 2, rows, HATCH_BLOCK_PX)
            along = np.arange(HATCH_BLOCK_PX / 2, columns, HATCH_BLOCK_PX)
            places = strip.to_lps(*np.meshgrid(down, along, indexing="ij")).reshape(-1, 3)
            mask = (check.level_at(places) >= HATCH_FROM_LEVEL).reshape(len(down), len(along))
            full = np.repeat(np.repeat(mask, HATCH_BLOCK_PX, axis=0), HATCH_BLOCK_PX, axis=1)[:rows, :columns]
            self._hatch = (check, strip, QRegion(QBitmap.fromImage(mask_image(full))))
        painter.save()
        painter.setClipRegion(self._hatch[2].translated(int(left), int(top)), Qt.ClipOperation.IntersectClip)
        shade = QColor(self._workspace.theme.picture_text)
        shade.setAlpha(120)
        area = QRectF(left, top, strip.image.shape[1], strip.image.shape[0])
        painter.fillRect(area, QBrush(shade, Qt.BrushStyle.BDiagPattern))
        painter.restore()

    def _paint_canal(self, painter: QPainter, side: str, strip: Strip) -> None:
        canal = drawn.canal_shape(self._workspace, side)
        xy, _ = self.place(f"canal:{side}", canal, canal.path_lps_mm)
        width = float(np.mean(canal.radius_mm)) * 2 / strip.pixel_mm
        colour = self._workspace.theme.canal
        for first, last in runs_of(canal.certain, grown=1):
            stroke(painter, xy[first:last], colour, width, 110, Qt.PenStyle.SolidLine)
        for first, last in runs_of(~canal.certain, grown=1):
            stroke(painter, xy[first:last], colour, 1.6, 230, Qt.PenStyle.DashLine)
        for first, last in runs_of(canal.in_ring() & canal.certain, grown=1):
            stroke(painter, xy[first:last], colour, width, 230, Qt.PenStyle.SolidLine)

    def _scale_bar(self, painter: QPainter, strip: Strip) -> None:
        left, top = self._origin(strip)
        rows, columns = strip.image.shape
        size = 10.0 / strip.pixel_mm
        x, y = left + columns - 8.0, top + rows - 8.0
        painter.setPen(marks.pen(self._workspace.theme.picture_text, 1.4))
        painter.drawLine(QPointF(x - size, y), QPointF(x, y))
        painter.drawLine(QPointF(x - size, y - 4), QPointF(x - size, y + 1))
        painter.drawLine(QPointF(x, y - 4), QPointF(x, y + 1))
        write(
            painter,
            "10 mm along the arch",
            x - size - 124,
            y - 9,
            120,
            self._workspace.theme.picture_text,
            right=True,
        )

    # ------------------------------------------------------------ pointer and keys

    def pick_at(self, x: float, y: float, double: bool = False) -> Pick | None:
        """Give the place under a screen point."""
        strip = self.strip()
        if strip is None:
            return None
        left, top = self._origin(strip)
        return Pick("strip", strip.to_lps(y - top - 0.5, x - left - 0.5), 6.0 * strip.pixel_mm, double=double)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Give the place to the tool, or go there."""
        if event.button() is not Qt.MouseButton.LeftButton:
            return
        self._to(event, double=False)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Tell the tool of a double click."""
        self._to(event, double=True)

    def _to(self, event: QMouseEvent, double: bool) -> None:
        pick = self.pick_at(event.position().x(), event.position().y(), double)
        if pick is None:
            return
        if self._on_ruler(event.position().y()):
            self._pressed = "ruler"
            self._along(pick)
            return
        if self._gestures.press(pick):
            self._pressed = "tool"
            return
        self._pressed = "go"
        self._go(pick)

    def _on_ruler(self, y: float) -> bool:
        """Tell whether a place lies in the rows under the picture: they go along the arch, whatever is in hand."""
        return y > self.height() - ROW_PX * (len(ROWS) + 1)

    def _along(self, pick: Pick) -> None:
        """Go to the station, at the height that is looked at already."""
        arch = self._workspace.plan.arch
        assert arch is not None
        self._workspace.go_to_station(arch.station_of(pick.point_mm))

    def _go(self, pick: Pick) -> None:
        workspace = self._workspace
        arch = workspace.plan.arch
        assert arch is not None
        near = [
            site
            for site, fixture in workspace.plan.fixtures.items()
            if abs(arch.station_of(fixture.pose.platform_lps_mm) - arch.station_of(pick.point_mm))
            < fixture.shape.diameter_mm / 2
        ]
        workspace.go_to_point(pick.point_mm)
        workspace.view.select(near[0] if near else "")

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Go along, or go on with the tool's gesture."""
        pick = self.pick_at(event.position().x(), event.position().y())
        if pick is None:
            return
        if self._pressed == "tool":
            self._gestures.drag(pick)
        elif self._pressed == "go":
            self._go(pick)
        elif self._pressed == "ruler":
            self._along(pick)
        elif self._on_ruler(event.position().y()):
            self.setCursor(Qt.CursorShape.PointingHandCursor)
        else:
            taken = self._gestures.hover(pick)
            self.setCursor(Qt.CursorShape.CrossCursor if taken else Qt.CursorShape.ArrowCursor)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """End the gesture."""
        pick = self.pick_at(event.position().x(), event.position().y())
        if pick is not None and self._pressed == "tool":
            self._gestures.release(pick)
        self._pressed = ""

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        """Wheel: along the arch. With Shift: thicker."""
        notches = (event.angleDelta().y() or event.angleDelta().x()) / 120.0
        if event.modifiers() & Qt.KeyboardModifier.ShiftModifier:
            self._workspace.view.set_strip_slab(self._workspace.view.strip_slab_mm + notches)
        else:
            self._workspace.step_station(round(notches) or (1 if notches > 0 else -1))
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Arrows go along the arch; Page keys in larger steps."""
        steps = {
            Qt.Key.Key_Left: -1,
            Qt.Key.Key_Right: 1,
            Qt.Key.Key_PageUp: 5,
            Qt.Key.Key_PageDown: -5,
        }.get(Qt.Key(event.key()))
        if steps is None or event.modifiers():
            super().keyPressEvent(event)
        else:
            self._workspace.step_station(steps)
