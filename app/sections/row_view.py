"""Several cross-sections side by side, evenly apart along the arch; the middle one is the place looked at."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QImage, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QWheelEvent
from PySide6.QtWidgets import QWidget

from app import drawn
from app.picks import Gestures, Pick
from app.sections import anatomy_paint, marks
from app.sections.cuts import Cuts
from app.sections.pixels import grey_image
from app.sections.planes import BELOW_CREST_MM, letters
from app.sections.section_paint import slab_words
from app.view_state import ViewKind
from app.words import mm
from app.workspace import Workspace
from planner_core.anatomy.sections import SectionFrame, cross_section_row, sample_section
from planner_core.anatomy.structures import Jaw

GAP_PX = 4
ROW_HEIGHT_MM = 42.0
"""Height of the sections at first, mm (our choice: crown to lower border)."""
LEAST_WIDE_MM = 14.0
"""Each section shows at least this much across the ridge, mm (our choice: the widest ridges)."""


class RowView(QWidget):
    """A strip of cross-sections; a click goes to the station, tools work in each."""

    def __init__(self, workspace: Workspace, gestures: Gestures, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self._gestures = gestures
        self._pictures: dict[int, tuple[Any, ...]] = {}
        self._cuts: dict[int, Cuts] = {}
        self._frames: tuple[SectionFrame, ...] = ()
        self._frames_key: tuple[Any, ...] = ()
        self._held = False
        self._pressed = -1
        self.setObjectName("view-row")
        self.setAccessibleName("Cross-sections side by side")
        self.setMinimumSize(240, 110)
        self.setMouseTracking(True)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        view, signals = workspace.view, workspace.signals
        for signal in (view.moved, view.restyled, signals.opened, signals.changed, workspace.numbers_changed):
            signal.connect(self._redraw)

    def _redraw(self, *_: object) -> None:
        if self.isVisible():
            self.update()

    # ------------------------------------------------------------ the planes

    def frames(self) -> tuple[SectionFrame, ...]:
        """Give the planes shown now, by growing station; none without scan and arch."""
        plan, view = self._workspace.plan, self._workspace.view
        if plan.scan is None or plan.arch is None:
            return ()
        if self._held and self._frames:
            return self._frames
        count = max(view.row_count, 1)
        wide = max((self.width() - GAP_PX * (count - 1)) / count, 40.0)
        pixel = ROW_HEIGHT_MM / view.zoom[ViewKind.ACROSS] / max(self.height(), 40)
        pixel = max(pixel, LEAST_WIDE_MM / wide)
        below = -BELOW_CREST_MM if plan.arch.jaw is Jaw.LOWER else BELOW_CREST_MM
        key = (plan.arch, view.station_mm, count, view.row_spacing_mm, wide, self.height(), pixel)
        if key != self._frames_key:
            self._frames_key = key
            self._frames = cross_section_row(
                plan.arch,
                view.station_mm,
                count,
                view.row_spacing_mm,
                width_mm=int(wide) * pixel,
                height_mm=max(self.height(), 40) * pixel,
                pixel_mm=pixel,
                centre_height_mm=below,
            )
        return self._frames

    def station_of(self, k: int) -> float:
        """Give the station of the k-th section."""
        view = self._workspace.view
        return view.station_mm + view.row_spacing_mm * (k - (view.row_count - 1) / 2.0)

    def left_of(self, k: int) -> float:
        """Give where the k-th section begins."""
        count = max(len(self.frames()), 1)
        return k * (self.width() + GAP_PX) / count

    # ------------------------------------------------------------ painting

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the sections with their marks."""
        painter = QPainter(self)
        theme = self._workspace.theme
        painter.fillRect(self.rect(), QColor(theme.ground))
        frames = self.frames()
        if not frames:
            painter.setPen(QColor(theme.muted))
            painter.setFont(marks.small_font())
            text = "Cross-sections side by side need a scan and the arch."
            painter.drawText(self.rect(), Qt.AlignmentFlag.AlignCenter, text)
        for k, frame in enumerate(frames):
            painter.save()
            painter.translate(round(self.left_of(k)), 0)
            painter.setClipRect(QRectF(0, 0, frame.shape[1], frame.shape[0]))
            self._paint_one(painter, k, frame)
            painter.restore()
        painter.end()

    def _picture(self, k: int, frame: SectionFrame) -> QImage:
        view, scan = self._workspace.view, self._workspace.plan.scan
        assert scan is not None
        place = (frame, scan.volume, view.slab_mm, view.slab_mode)
        known = self._pictures.get(k)
        if known is None or any(a is not b and a != b for a, b in zip(known[0], place, strict=True)):
            known = (place, sample_section(scan.volume, frame, view.slab_mm, view.slab_mode), (), None)
        contrast = (view.window, view.level)
        if known[2] != contrast:
            known = (place, known[1], contrast, grey_image(known[1], *contrast))
        self._pictures[k] = known
        return known[3]  # type: ignore[no-any-return]

    def _paint_one(self, painter: QPainter, k: int, frame: SectionFrame) -> None:
        workspace, theme = self._workspace, self._workspace.theme
        painter.drawImage(0, 0, self._picture(k, frame))
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        cuts = self._cuts.setdefault(k, Cuts())
        cuts.begin(frame)
        work = marks.Brushwork(painter, frame, theme, cuts)
        if "canal" in workspace.view.layers:
            for side in workspace.plan.canals:
                marks.paint_canal(work, drawn.canal_shape(workspace, side))
        anatomy_paint.paint_anatomy(work, workspace)
        for site, fixture in workspace.plan.fixtures.items():
            marks.paint_fixture(work, drawn.fixture_mesh(workspace, fixture), site == workspace.view.site, False)
        paint = getattr(self._gestures, "paint", None)
        if paint is not None:
            paint(work, ViewKind.ACROSS)
        self._captions(work, k, frame)

    def _captions(self, work: marks.Brushwork, k: int, frame: SectionFrame) -> None:
        workspace, theme = self._workspace, self._workspace.theme
        is_middle = k == (len(self._frames) - 1) / 2.0
        rows, columns = frame.shape
        station = f"{mm(self.station_of(k))} mm"
        marks.tag(work, station, columns / 2, 12, theme.mark if is_middle else "", middle=True)
        marks.tag(work, letters(-frame.right_lps), 4, rows / 2, theme.mark)
        marks.tag(work, letters(frame.right_lps), columns - 4, rows / 2, theme.mark)
        if is_middle:
            slab = slab_words(workspace.view.slab_mm, workspace.view.slab_mode).lstrip(", ")
            if slab:
                marks.tag(work, slab, columns / 2, 30, middle=True)
            work.painter.setPen(marks.pen(theme.mark, 1.4))
            work.painter.setBrush(Qt.BrushStyle.NoBrush)
            work.painter.drawRect(QRectF(0.5, 0.5, columns - 1, rows - 1))
        tracks = workspace.numbers.tracks
        ridge = None if tracks is None else tracks.ridge_at(self.station_of(k))
        if ridge is not None:
            width = ridge.width_mm.get(1.0)
            high = "" if ridge.height_mm is None else f", {mm(ridge.height_mm)} high"
            words = "not measurable" if width is None else f"{mm(width)} wide{high}"
            marks.tag(work, words, columns / 2, rows - 12, middle=True)
        if k == 0:
            x, size = 8.0, work.pixels(5.0)
            work.painter.setPen(marks.pen(theme.picture_text, 1.4))
            work.painter.drawLine(QPointF(x, rows - 30.0), QPointF(x + size, rows - 30.0))
            marks.tag(work, "5 mm", x + size / 2, rows - 42.0, middle=True)

    # ------------------------------------------------------------ pointer and keys

    def pick_at(self, x: float, y: float, double: bool = False, turning: bool = False) -> tuple[int, Pick] | None:
        """Give the section under a screen point and the place in it."""
        frames = self.frames()
        if not frames:
            return None
        k = min(int(x / ((self.width() + GAP_PX) / len(frames))), len(frames) - 1)
        k = self._pressed if self._pressed >= 0 else k
        frame = frames[k]
        point = frame.to_lps([y - 0.5, x - round(self.left_of(k)) - 0.5])
        reach = 7.0 * frame.pixel_mm
        return k, Pick(ViewKind.ACROSS.value, point, reach, frame, double=double, turning=turning)

    def _pick(self, event: QMouseEvent, double: bool = False) -> tuple[int, Pick] | None:
        turning = bool(event.modifiers() & Qt.KeyboardModifier.ShiftModifier)
        return self.pick_at(event.position().x(), event.position().y(), double, turning)

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Give the place to the tool, or go there on release."""
        found = self._pick(event)
        if found is None or event.button() is not Qt.MouseButton.LeftButton:
            return
        k, pick = found
        if self._gestures.press(pick):
            self._pressed, self._held = k, True
        else:
            self._workspace.view.select("")
            self._workspace.go_to_point(pick.point_mm)

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Tell the tool of a double click."""
        found = self._pick(event, double=True)
        if found is not None:
            self._gestures.press(found[1])

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Go on with the tool's gesture."""
        found = self._pick(event)
        if found is None:
            return
        if self._pressed >= 0:
            self._gestures.drag(found[1])
        else:
            taken = self._gestures.hover(found[1])
            self.setCursor(Qt.CursorShape.CrossCursor if taken else Qt.CursorShape.ArrowCursor)

    def mouseReleaseEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """End the gesture."""
        found = self._pick(event)
        if found is not None and self._pressed >= 0:
            self._gestures.release(found[1])
        self._pressed, self._held = -1, False
        self.update()

    def wheelEvent(self, event: QWheelEvent) -> None:  # noqa: N802
        """Wheel: along the arch. With Shift: thicker. With Ctrl: magnify."""
        notches = (event.angleDelta().y() or event.angleDelta().x()) / 120.0
        view, keys = self._workspace.view, event.modifiers()
        if keys & Qt.KeyboardModifier.ShiftModifier:
            view.set_slab(view.slab_mm + notches)
        elif keys & Qt.KeyboardModifier.ControlModifier:
            view.scale(ViewKind.ACROSS, 1.15**notches)
        else:
            self._step(1 if notches > 0 else -1)
        event.accept()

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Arrows go along the arch by the spacing of the sections, Page keys by the whole row."""
        count = self._workspace.view.row_count
        steps = {
            Qt.Key.Key_Left: -1,
            Qt.Key.Key_Right: 1,
            Qt.Key.Key_PageUp: count,
            Qt.Key.Key_PageDown: -count,
        }.get(Qt.Key(event.key()))
        if steps is None or event.modifiers():
            super().keyPressEvent(event)
        else:
            self._step(steps)

    def _step(self, steps: int) -> None:
        view = self._workspace.view
        self._workspace.go_to_station(view.station_mm + steps * view.row_spacing_mm)


def middle_of(view: RowView, k: int) -> QPointF:
    """Give the middle of the k-th section, for tests."""
    return QPointF(view.left_of(k) + view.frames()[k].shape[1] / 2.0, view.height() / 2.0)
