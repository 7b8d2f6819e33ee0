"""One flat view: a section as an image, the marks over it, the pointer's gestures."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPoint, QPointF, QRectF, QSize, Qt, QTimer
from PySide6.QtGui import (
    QColor,
    QImage,
    QKeyEvent,
    QMouseEvent,
    QPainter,
    QPaintEvent,
    QWheelEvent,
)
from PySide6.QtWidgets import QWidget

from app.picks import Gestures, Pick
from app.sections import altered, marks
from app.sections.cuts import Cuts
from app.sections.pixels import grey_image
from app.sections.planes import plane_of
from app.sections.section_paint import TITLES, SectionPainter, caption_of
from app.view_state import ViewKind
from app.workspace import Workspace
from planner_core.anatomy.sections import SectionFrame, sample_section
from planner_core.case.session import Change

CONTRAST_PER_PIXEL = 6.0
"""Grey values by which a pixel of dragging changes window or level (our choice)."""
WHEEL_MM = 0.5
"""One notch of the wheel moves a section by this, mm (our choice: about two voxels)."""
LEAN_PER_PIXEL_DEG, LEAN_STEP_DEG = 0.4, 2.0
"""A section is leaned by hand by this much for each pixel of dragging, each key (our choice)."""
CLICK_PX = 4
"""A press that moves less than this is a click (our choice)."""
FOLLOW_MS, FOLLOW_APART_MS = 120, 40
"""A view comes so much after the one in which something is dragged, the next so much later again: drawn together
they would hold up the pointer (our choice: seven pictures a second are still seen to move)."""


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
        self._painter = SectionPainter(workspace, kind, gestures)
        self._frame: SectionFrame | None = None
        self._held: SectionFrame | None = None
        self._cuts = Cuts()
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
        self._later.setInterval(FOLLOW_MS + FOLLOW_APART_MS * list(ViewKind).index(kind))
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
        found = plane_of(self.kind, self._workspace.plan, self._workspace.view, self._columns(), self.height())
        if found is None or not self._pan.any():
            return found
        shift = self._pan[0] * found.right_lps + self._pan[1] * found.down_lps
        from attrs import evolve

        return evolve(found, origin_lps_mm=found.origin_lps_mm + shift)

    def _columns(self) -> int:
        """Give the width of one picture, pixels: half of the view where two stand side by side."""
        return self.width() // 2 if altered.is_beside(self._workspace) else self.width()

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

    def follow(self) -> None:
        """Come after the view in which something is dragged; at once when it is this one."""
        if self._held is not None:
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
        instead = altered.is_altered(self._workspace)
        self._paint_one(painter, frame, instead)
        if altered.is_beside(self._workspace):
            painter.translate(self._columns(), 0)
            painter.setClipRect(QRectF(0, 0, self._columns(), self.height()))
            painter.fillRect(QRectF(0, 0, self._columns(), self.height()), QColor(theme.picture))
            self._paint_one(painter, frame, True)
            painter.setClipping(False)
            painter.resetTransform()
        if self.hasFocus():
            painter.setPen(marks.pen(theme.mark, 1.0))
            painter.setBrush(Qt.BrushStyle.NoBrush)
            painter.drawRect(QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5))
        painter.end()

    def _paint_one(self, painter: QPainter, frame: SectionFrame, is_altered: bool) -> None:
        """Draw one picture with its marks; an altered one says so."""
        painter.drawImage(0, 0, self._picture(frame, is_altered))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        self._cuts.begin(frame)
        work = marks.Brushwork(painter, frame, self._workspace.theme, self._cuts)
        others = [other.frame for other in self._others]
        self._painter.paint_marks(work, [found for found in others if found is not None])
        self._painter.paint_captions(work)
        if is_altered:
            altered.paint_label(painter, QRectF(0, 0, self._columns(), self.height()))

    def _paint_empty(self, painter: QPainter) -> None:
        painter.setPen(QColor(self._workspace.theme.muted))
        painter.setFont(marks.small_font())
        painter.drawText(
            self.rect(), Qt.AlignmentFlag.AlignCenter, f"{TITLES[self.kind]}\n\nOpen a scan to see it here."
        )

    def _picture(self, frame: SectionFrame, is_altered: bool = False) -> QImage:
        volume = altered.shown_volume(self._workspace, is_altered)
        view = self._workspace.view
        place = (
            id(volume),
            frame.shape,
            frame.origin_lps_mm.tobytes(),
            frame.right_lps.tobytes(),
            frame.down_lps.tobytes(),
            frame.pixel_mm,
            view.slab_mm,
            view.slab_mode,
        )
        if self._sampled != place:
            self._values = sample_section(volume, frame, view.slab_mm, view.slab_mode)
            self._sampled, self._contrast = place, ()
        if self._image is None or self._contrast != (view.window, view.level):
            self._image = grey_image(self._values, view.window, view.level)
            self._contrast = (view.window, view.level)
        return self._image

    def caption(self) -> str:
        """Give the view's name with the place that it shows."""
        return caption_of(self._workspace, self.kind)

    # ------------------------------------------------------------ pointer and keys

    def pick_at(
        self, x: float, y: float, double: bool = False, turning: bool = False, sliding: bool = False
    ) -> Pick | None:
        """Give the place under a screen point."""
        frame = self.frame
        if frame is None:
            return None
        if altered.is_beside(self._workspace) and x >= self._columns():
            x -= self._columns()
        point = frame.to_lps([y - 0.5, x - 0.5])
        reach = 7.0 * frame.pixel_mm
        return Pick(self.kind.value, point, reach, frame, double=double, turning=turning, sliding=sliding)

    def _pick(self, event: QMouseEvent, double: bool = False) -> Pick | None:
        turning = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        sliding = bool(event.modifiers() & Qt.KeyboardModifier.ControlModifier)
        return self.pick_at(event.position().x(), event.position().y(), double, turning, sliding)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Begin a gesture: a tool's, the contrast's or the shift of the picture."""
        pick = self._pick(event)
        if pick is None:
            return
        self._press = event.position().toPoint()
        leaning = bool(event.modifiers() & Qt.KeyboardModifier.AltModifier)
        if event.button() is Qt.MouseButton.LeftButton and leaning and self._workspace.selected is None:
            self._mode = "lean"
        elif event.button() is Qt.MouseButton.LeftButton:
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
        elif self._mode == "lean":
            self._press = event.position().toPoint()
            self.lean(LEAN_PER_PIXEL_DEG * by.x(), LEAN_PER_PIXEL_DEG * by.y())
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

    def lean(self, upright_deg: float, level_deg: float) -> None:
        """Turn the plane by hand: an oblique section about the place looked at."""
        if self._workspace.selected is None:
            first, second = self._workspace.view.oblique_deg[self.kind]
            self._workspace.view.set_oblique(self.kind, first + upright_deg, second + level_deg)

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Arrows: along the arch; with Shift: lean the section; Page keys: next section; Home: straight again."""
        key = event.key()
        ways = {Qt.Key.Key_Left: (-1, 0), Qt.Key.Key_Right: (1, 0), Qt.Key.Key_Up: (0, -1), Qt.Key.Key_Down: (0, 1)}
        if event.modifiers() == Qt.KeyboardModifier.ShiftModifier and key in ways:
            upright, level = ways[Qt.Key(key)]
            self.lean(LEAN_STEP_DEG * upright, LEAN_STEP_DEG * level)
            return
        if key in (Qt.Key.Key_Left, Qt.Key.Key_Right) and not event.modifiers():
            self._workspace.step_station(-1 if key == Qt.Key.Key_Left else 1)
        elif key in (Qt.Key.Key_PageUp, Qt.Key.Key_PageDown) and not event.modifiers():
            self.go_on(1.0 if key == Qt.Key.Key_PageUp else -1.0)
        elif key == Qt.Key.Key_Home:
            self._pan[:] = 0
            self._workspace.view.turn(self.kind, 0.0)
            self._workspace.view.set_oblique(self.kind, 0.0, 0.0)
        else:
            super().keyPressEvent(event)

    def picture(self) -> QImage:
        """Give what is on the screen, for the sheet and for tests."""
        return self.grab().toImage()


def centre_of(view: SectionView) -> QPointF:
    """Give the middle of a view, for tests."""
    return QPointF(view.width() / 2.0, view.height() / 2.0)
