"""One flat view: a section as an image, the marks over it, the pointer's gestures."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPoint, QPointF, QRectF, QSize, Qt, QTimer
from PySide6.QtGui import (
    QBitmap,
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
from app.sections.pixels import grey_image, mask_image
from app.sections.planes import letters, plane_of, seen_from
from app.view_state import ViewKind
from app.words import mm, site_label
from app.workspace import Workspace
from planner_core.anatomy.sections import SectionFrame, sample_section
from planner_core.case.session import Change

TITLES = {ViewKind.ACROSS: "Cross-section", ViewKind.ALONG: "Along the arch", ViewKind.AXIAL: "Axial"}
CONTRAST_PER_PIXEL = 6.0
"""Grey values by which a pixel of dragging changes window or level (our choice)."""
CLICK_PX = 4
"""A press that moves less than this is a click (our choice)."""
FOLLOW_MS = 80
"""While something is dragged in one view the others follow at most this often, ms (our choice)."""
OUTLINE_OPACITY = 0.75
HATCH_BLOCK_PX = 4
"""The hatched region is found on blocks of this size (our choice: finer than the hatching)."""
HATCH_FROM_LEVEL = 0.35
"""Places from this scatter level on are hatched: where the scan check calls a site unreadable."""
LIP_TO_MM = 20.0
"""Stations nearer to the midline look at the lip, the others at the cheek (our choice: about the canines)."""
WHEEL_MM = 0.5
"""One notch of the wheel moves a section by this, mm (our choice: about two voxels)."""


class SectionView(QWidget):
    """A flat view that draws its own picture."""

    def __init__(
        self, kind: ViewKind, workspace: Workspace, gestures: Gestures, parent: QWidget | None = None
    ) -> None:
        super().__init__(parent)
        self.kind = kind
        self._workspace = workspace
        self._gestures = gestures
        self._others: list[SectionView] = []
        self._image: QImage | None = None
        self._values: Any = None
        self._sampled: tuple[Any, ...] = ()
        self._contrast: tuple[float, ...] = ()
        self._cuts: dict[str, tuple[Any, SectionFrame, Any]] = {}
        self._frame: SectionFrame | None = None
        self._held: SectionFrame | None = None
        self._pan = np.zeros(2)
        self._press: QPoint | None = None
        self._mode = ""
        self._start_contrast = (0.0, 0.0)
        self.setObjectName(f"view-{kind.value}")
        self.setAccessibleName(TITLES[kind])
        self.setMinimumSize(120, 110)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAttribute(Qt.WidgetAttribute.WA_OpaquePaintEvent)
        self.setToolTip("")
        self._later = QTimer(self)
        self._later.setSingleShot(True)
        self._later.setInterval(FOLLOW_MS)
        self._later.timeout.connect(self._look_again)
        view = workspace.view
        for signal in (view.moved, view.selected, view.restyled, workspace.signals.opened):
            signal.connect(self._look_again)
        workspace.signals.changed.connect(self._on_changed)
        workspace.numbers_changed.connect(self._on_numbers)

    def sizeHint(self) -> QSize:  # noqa: N802 - Qt's name
        """Give a size that the splitters may change."""
        return QSize(320, 300)

    def show_planes_of(self, others: list[SectionView]) -> None:
        """Mark where these views' planes lie."""
        self._others = others

    # ------------------------------------------------------------ the plane

    @property
    def frame(self) -> SectionFrame | None:
        """The plane shown now, one pixel per screen pixel; None without a scan."""
        if self._held is not None:
            return self._held
        if self._frame is None:
            self._frame = self._made_frame()
        return self._frame

    def _made_frame(self) -> SectionFrame | None:
        found = plane_of(self.kind, self._workspace.plan, self._workspace.view, self.width(), self.height())
        if found is None or not self._pan.any():
            return found
        shift = self._pan[0] * found.right_lps + self._pan[1] * found.down_lps
        from attrs import evolve

        return evolve(found, origin_lps_mm=found.origin_lps_mm + shift)

    def _look_again(self, *_: object) -> None:
        self._frame = None
        self.update()

    def _on_changed(self, change: Change) -> None:
        if change.preview and self._held is None:
            self._follow()
        else:
            self._look_again()

    def _on_numbers(self) -> None:
        if self._workspace.numbers.is_complete or self._held is not None:
            self.update()
        else:
            self._follow()

    def _follow(self) -> None:
        """Come after the view in which something is dragged, a little later."""
        if not self._later.isActive():
            self._later.start()

    def hold(self, held: bool) -> None:
        """Keep the plane while something is dragged in it."""
        self._held = self.frame if held else None
        if not held:
            self._look_again()

    def resizeEvent(self, event: Any) -> None:  # noqa: N802
        """Take the new size."""
        self._held = None
        self._look_again()
        super().resizeEvent(event)

    # ------------------------------------------------------------ painting

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the picture and the marks."""
        painter = QPainter(self)
        theme = self._workspace.theme
        painter.fillRect(self.rect(), QColor(theme.picture))
        frame = self.frame
        if frame is None:
            self._paint_empty(painter)
            painter.end()
            return
        painter.drawImage(0, 0, self._picture(frame))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        work = marks.Brushwork(painter, frame, theme)
        self._paint_marks(work)
        self._paint_captions(work)
        if self.hasFocus():
            painter.setPen(marks.pen(theme.mark, 1.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5))
        painter.end()

    def _paint_empty(self, painter: QPainter) -> None:
        painter.setPen(QColor(self._workspace.theme.muted))
        painter.setFont(marks.small_font())
        painter.drawText(
            self.rect(), Qt.AlignmentFlag.AlignCenter, f"{TITLES[self.kind]}\n\nOpen a scan to see it here."
        )

    def _picture(self, frame: SectionFrame) -> QImage:
        scan = self._workspace.plan.scan
        assert scan is not None
        view = self._workspace.view
        place = (
            id(scan.volume),
            frame.shape,
            frame.origin_lps_mm.tobytes(),
            frame.right_lps.tobytes(),
            frame.down_lps.tobytes(),
            frame.pixel_mm,
            view.slab_mm,
        )
        if self._sampled != place:
            self._values = sample_section(scan.volume, frame, view.slab_mm)
            self._sampled, self._contrast = place, ()
        if self._image is None or self._contrast != (view.window, view.level):
            self._image = grey_image(self._values, view.window, view.level)
            self._contrast = (view.window, view.level)
        return self._image

    def _kept(self, name: str, value: Any, frame: SectionFrame, make: Any) -> Any:
        found = self._cuts.get(name)
        if found is None or found[0] is not value or found[1] is not frame:
            found = (value, frame, make())
            self._cuts[name] = found
        return found[2]

    def _paint_marks(self, work: marks.Brushwork) -> None:
        workspace, frame, theme = self._workspace, work.frame, work.theme
        plan, layers = workspace.plan, workspace.view.layers
        if "degraded" in layers and workspace.numbers.scan_check is not None:
            region = self._kept(
                "degraded", workspace.numbers.scan_check, frame, lambda: self._degraded_region(frame)
            )
            marks.paint_hatch(work, region, theme.picture_text)
        for name, layer, mesh, colour in (
            ("bone", "bone", drawn.bone_mesh(workspace), theme.bone),
            ("surface", "surface", drawn.matched_surface_mesh(workspace), theme.surface),
        ):
            if mesh is not None and layer in layers:
                outline = self._kept(name, mesh, frame, lambda mesh=mesh, c=colour: marks.cut_image(mesh, frame, c))
                work.painter.setOpacity(OUTLINE_OPACITY)
                work.painter.drawImage(0, 0, outline)
                work.painter.setOpacity(1.0)
        if "canal" in layers:
            for side in plan.canals:
                marks.paint_canal(work, drawn.canal_shape(workspace, side))
        if self.kind is ViewKind.AXIAL and plan.arch is not None:
            marks.paint_curve(work, plan.arch.curve_lps_mm, theme.arch)
        if "places" in layers:
            for other in self._others:
                if other.frame is not None:
                    marks.paint_plane_line(work, other.frame, theme.mark)
        self._paint_fixtures(work)
        for pair in plan.pairs:
            marks.paint_pair(work, pair.lps_mm, pair.name, theme.pair)
        self._gestures_paint(work)

    def _gestures_paint(self, work: marks.Brushwork) -> None:
        paint = getattr(self._gestures, "paint", None)
        if paint is not None:
            paint(work, self.kind)

    def _paint_fixtures(self, work: marks.Brushwork) -> None:
        workspace = self._workspace
        layers, in_hand = workspace.view.layers, workspace.view.site
        for site, fixture in workspace.plan.fixtures.items():
            mesh = drawn.fixture_mesh(workspace, fixture)
            if site == in_hand and "envelope" in layers:
                envelope = drawn.envelope_mesh(workspace, fixture)
                if envelope is not None:
                    marks.paint_envelope(work, envelope)
            met = marks.paint_fixture(work, mesh, site == in_hand, fixture.locked)
            if site == in_hand and "plumb" in layers:
                marks.paint_plumb(
                    work, fixture.pose.platform_lps_mm, fixture.pose.axis_lps, fixture.shape.length_mm
                )
            x, y = work.place(fixture.pose.platform_lps_mm)[0][0].tolist()
            if met and site != in_hand and work.holds(x, y):
                label = site_label(site, workspace.settings.notation)
                marks.tag(work, label, x, y - 10, middle=True)
        if "whiskers" in layers and in_hand in workspace.plan.fixtures:
            self._paint_whiskers(work, in_hand)

    def _paint_whiskers(self, work: marks.Brushwork, site: str) -> None:
        colours = {"clear": work.theme.picture_text, "inside margin": "#E69F00", "touches": "#D55E00"}
        for row in self._workspace.numbers.rows:
            if row.site == site and row.body == "fixture":
                colour = colours.get(row.state.value, work.theme.picture_text)
                text = f"{mm(row.distance_mm)} mm"
                marks.paint_whisker(work, row.fixture_point_lps_mm, row.obstacle_point_lps_mm, text, colour)

    def _degraded_region(self, frame: SectionFrame) -> QRegion:
        rows, columns = frame.shape
        down = np.arange(HATCH_BLOCK_PX / 2, rows, HATCH_BLOCK_PX)
        right = np.arange(HATCH_BLOCK_PX / 2, columns, HATCH_BLOCK_PX)
        grid = np.stack(np.meshgrid(down, right, indexing="ij"), axis=-1).reshape(-1, 2)
        points = frame.to_lps(grid)
        scan = self._workspace.plan.scan
        assert scan is not None
        level = self._workspace.numbers.scan_check.level_at(points)
        mask = ((level >= HATCH_FROM_LEVEL) & scan.volume.contains(points)).reshape(len(down), len(right))
        full = np.repeat(np.repeat(mask, HATCH_BLOCK_PX, axis=0), HATCH_BLOCK_PX, axis=1)
        return QRegion(QBitmap.fromImage(mask_image(full[:rows, :columns])))

    def _paint_captions(self, work: marks.Brushwork) -> None:
        frame, theme = work.frame, work.theme
        rows, columns = frame.shape
        marks.tag(work, self.caption(), 6, 12)
        for direction, x, y in (
            (-frame.right_lps, 4.0, rows / 2),
            (frame.right_lps, columns - 4.0, rows / 2),
        ):
            marks.tag(work, letters(direction), x, y, theme.mark)
        marks.tag(work, letters(-frame.down_lps), columns / 2, 30, theme.mark, middle=True)
        marks.tag(work, letters(frame.down_lps), columns / 2, rows - 12, theme.mark, middle=True)
        side = seen_from(frame)
        if not any(letter in letters(frame.right_lps) for letter in "RL"):
            marks.tag(work, f"seen from {side}", 6, 30, theme.mark)
        if self.kind is ViewKind.ACROSS and self._workspace.plan.arch is not None:
            marks.tag(work, "tongue", 6, rows / 2 + 18)
            station = self._shown_station()
            marks.tag(work, "lip" if abs(station) < LIP_TO_MM else "cheek", columns - 6, rows / 2 + 18)
        marks.paint_scale_bar(work)

    def _shown_station(self) -> float:
        fixture, arch = self._workspace.selected, self._workspace.plan.arch
        if fixture is None or arch is None:
            return self._workspace.view.station_mm
        return arch.station_of(fixture.pose.platform_lps_mm)

    def caption(self) -> str:
        """Give the view's name with the place that it shows."""
        workspace = self._workspace
        view, plan = workspace.view, workspace.plan
        if workspace.selected is not None:
            site = site_label(view.site, workspace.settings.notation)
            away = view.away_mm[self.kind]
            if self.kind is ViewKind.AXIAL:
                return f"Across the axis of {site}, {mm(away)} mm below platform"
            off = f", {mm(away)} mm off axis" if away else ""
            roll = f", rolled {view.roll_deg:.0f}°" if view.roll_deg else ""
            return f"{TITLES[self.kind]} on the axis of {site}{off}{roll}"
        if self.kind is ViewKind.AXIAL:
            return f"Axial, height {mm(float(view.focus_lps_mm[2]))} mm"
        if plan.arch is None:
            return "Side view" if self.kind is ViewKind.ACROSS else "Front view"
        return f"{TITLES[self.kind]}, station {mm(view.station_mm)} mm"

    # ------------------------------------------------------------ pointer and keys

    def pick_at(self, x: float, y: float, double: bool = False, turning: bool = False) -> Pick | None:
        """Give the place under a screen point."""
        frame = self.frame
        if frame is None:
            return None
        point = frame.to_lps([y - 0.5, x - 0.5])
        return Pick(self.kind.value, point, 7.0 * frame.pixel_mm, frame, double=double, turning=turning)

    def _pick(self, event: QMouseEvent, double: bool = False) -> Pick | None:
        turning = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        return self.pick_at(event.position().x(), event.position().y(), double, turning)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Begin a gesture: a tool's, the contrast's or the shift of the picture."""
        pick = self._pick(event)
        if pick is None:
            return
        self._press = event.position().toPoint()
        if event.button() is Qt.MouseButton.LeftButton:
            self._mode = "tool" if self._gestures.press(pick) else "contrast"
            if self._mode == "tool":
                self.hold(True)
        elif event.button() in (Qt.MouseButton.MiddleButton, Qt.MouseButton.RightButton):
            self._mode = "pan"
        view = self._workspace.view
        self._start_contrast = (view.window, view.level)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Tell the tool of a double click."""
        pick = self._pick(event, double=True)
        if pick is not None and event.button() is Qt.MouseButton.LeftButton:
            self._press = event.position().toPoint()
            self._mode = "tool" if self._gestures.press(pick) else ""

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Go on with the gesture, or say by the pointer's shape what it could be."""
        pick = self._pick(event)
        if pick is None:
            return
        if self._press is None:
            shapes = {
                "move": Qt.CursorShape.SizeAllCursor,
                "turn": Qt.CursorShape.PointingHandCursor,
                "point": Qt.CursorShape.CrossCursor,
            }
            self.setCursor(shapes.get(self._gestures.hover(pick), Qt.CursorShape.ArrowCursor))
            return
        by = event.position().toPoint() - self._press
        if self._mode == "tool":
            self._gestures.drag(pick)
        elif self._mode == "contrast" and by.manhattanLength() > CLICK_PX:
            window, level = self._start_contrast
            step = CONTRAST_PER_PIXEL * max(window, 500.0) / 2500.0
            self._workspace.view.set_contrast(window + by.x() * step, level + by.y() * step)
        elif self._mode == "pan" and self._frame is not None:
            self._pan -= np.array([by.x(), by.y()]) * self._frame.pixel_mm
            self._press = event.position().toPoint()
            self._look_again()

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """End the gesture; a click without movement goes to the place."""
        pick, press, mode = self._pick(event), self._press, self._mode
        self._press, self._mode = None, ""
        if pick is None or press is None:
            return
        if mode == "tool":
            self._gestures.release(pick)
            self.hold(False)
        elif mode == "contrast" and (event.position().toPoint() - press).manhattanLength() <= CLICK_PX:
            self._workspace.view.select("")
            self._pan[:] = 0
            self._workspace.go_to_point(pick.point_mm)

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        """Wheel: next section. With Ctrl: magnify. With Shift: thicker."""
        notches = (event.angleDelta().y() or event.angleDelta().x()) / 120.0
        keys = event.modifiers()
        if keys & Qt.KeyboardModifier.ControlModifier:
            self._workspace.view.scale(self.kind, 1.15**notches)
        elif keys & Qt.KeyboardModifier.ShiftModifier:
            self._workspace.view.set_slab(self._workspace.view.slab_mm + notches)
        else:
            self.go_on(notches)
        event.accept()

    def go_on(self, notches: float) -> None:
        """Go on by some sections along the view's normal."""
        frame = self.frame
        if frame is not None:
            sign = -1.0 if self.kind is ViewKind.AXIAL else 1.0
            normal = frame.normal_lps
            if self.kind is ViewKind.AXIAL and self._workspace.selected is None:
                sign = 1.0 if normal[2] > 0 else -1.0
            self._workspace.step_view(self.kind, sign * notches * WHEEL_MM, normal)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Arrows go along the arch, Page keys through the sections, Home to the axis of the fixture in hand."""
        key = event.key()
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right) and not event.modifiers():
            self._workspace.step_station(-1 if key == Qt.Key.Key_Left else 1)
        elif key in (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown) and not event.modifiers():
            self.go_on(1.0 if key == Qt.Key.Key_PageUp else -1.0)
        elif key == Qt.Key.Key_Home:
            self._pan[:] = 0
            self._workspace.view.turn(self.kind, 0.0)
        else:
            super().keyPressEvent(event)

    def picture(self) -> QImage:
        """Give what is on the screen, for the sheet and for tests."""
        return self.grab().toImage()


def centre_of(view: SectionView) -> QPointF:
    """Give the middle of a view, for tests."""
    return QPointF(view.width() / 2.0, view.height() / 2.0)
