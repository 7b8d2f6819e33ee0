"""Parts of the Anatomy panel: a chart along a length, the arch map of the teeth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt, Signal
from PySide6.QtGui import QColor, QKeyEvent, QMouseEvent, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from app.sections.anatomy_paint import TOOTH_LINES
from app.shapes import runs_of
from app.theme import FONT_SMALL_PX, Theme
from app.words import site_label, sites_of_jaw
from planner_core.anatomy.marked import ToothState
from planner_core.geometry.frames import FloatArray


class Chart(QWidget):
    """One or two courses over a length, with gaps where nothing was measured; a click goes to a place."""

    picked = Signal(float)

    def __init__(self, theme: Theme, height_px: int = 116, unit: str = "mm") -> None:
        super().__init__()
        self.theme, self._unit = theme, unit
        self._along: FloatArray = np.zeros(0)
        self._courses: Sequence[tuple[str, FloatArray, bool]] = ()
        self._band: FloatArray | None = None
        self._mark: float | None = None
        self._ends = ("", "")
        self.setFixedHeight(height_px)
        self.setMouseTracking(False)
        self.setAccessibleName("Chart")

    def show_courses(
        self,
        along: FloatArray,
        courses: Sequence[tuple[str, FloatArray, bool]],
        mark: float | None = None,
        ends: tuple[str, str] = ("R", "L"),
        band: FloatArray | None = None,
    ) -> None:
        """Show (name, values, dashed) courses over the length; `mark` is the place looked at.

        `band` is the half width of the 95 % interval about the last course, a length: it does not go below 0.
        """
        self._band = band
        self._along, self._courses, self._mark, self._ends = along, courses, mark, ends
        self.update()

    def set_mark(self, mark: float) -> None:
        """Move the line of the place looked at."""
        self._mark = mark
        self.update()

    def _box(self) -> QRectF:
        return QRectF(30, 8, max(self.width() - 38, 20), max(self.height() - 30, 20))

    def _range(self) -> tuple[float, float]:
        shown = [values for _, values, _ in self._courses]
        if shown and self._band is not None:
            shown.append(shown[-1] + self._band)
        known = [values[np.isfinite(values)] for values in shown]
        known = [values for values in known if len(values)]
        if not known:
            return 0.0, 1.0
        low, high = min(float(v.min()) for v in known), max(float(v.max()) for v in known)
        return min(0.0, low), max(high, low + 1e-3)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw axes, courses and the place looked at."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = painter.font()
        font.setPixelSize(FONT_SMALL_PX)
        painter.setFont(font)
        box, theme = self._box(), self.theme
        painter.fillRect(box, QColor(theme.field))
        painter.setPen(QColor(theme.line))
        painter.drawRect(box)
        if len(self._along) > 1:
            self._axes(painter, box)
            if self._band is not None and len(self._courses):
                self._interval(painter, box, self._courses[-1][1], self._band)
            for name, values, dashed in self._courses:
                self._course(painter, box, values, dashed, bool(name))
            if self._mark is not None:
                x = self._x(box, self._mark)
                painter.setPen(QPen(QColor(theme.accent), 1.2))
                painter.drawLine(QPointF(x, box.top()), QPointF(x, box.bottom()))
        else:
            painter.setPen(QColor(theme.muted))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, "nothing measured yet")
        painter.end()

    def _x(self, box: QRectF, place: float) -> float:
        first, last = float(self._along[0]), float(self._along[-1])
        return box.left() + (place - first) / max(last - first, 1e-9) * box.width()

    def _y(self, box: QRectF, value: float) -> float:
        low, high = self._range()
        return box.bottom() - (value - low) / (high - low) * (box.height() - 16)

    def _axes(self, painter: QPainter, box: QRectF) -> None:
        low, high = self._range()
        step = next(s for s in (0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 1e9) if (high - low) / s <= 4.5)
        muted = QColor(self.theme.muted)
        for value in np.arange(np.ceil(low / step) * step, high + 1e-9, step):
            y = self._y(box, float(value))
            painter.setPen(QColor(self.theme.line))
            painter.drawLine(QPointF(box.left(), y), QPointF(box.right(), y))
            painter.setPen(muted)
            painter.drawText(QRectF(0, y - 7, 26, 14), Qt.AlignmentFlag.AlignRight, f"{value + 0.0:g}")
        first, last = float(self._along[0]), float(self._along[-1])
        wide = next(s for s in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 1e9) if (last - first) / s <= 7.5)
        painter.setPen(muted)
        for place in np.arange(np.ceil(first / wide) * wide, last + 1e-9, wide):
            x = self._x(box, float(place))
            text = f"{place:+.0f}".replace("-", "−") if self._ends[0] and place else f"{place:g}"
            painter.drawText(QRectF(x - 20, box.bottom() + 2, 40, 14), Qt.AlignmentFlag.AlignHCenter, text)
        painter.drawText(QRectF(0, self.height() - 15, 26, 14), Qt.AlignmentFlag.AlignRight, self._unit)
        painter.setPen(QColor(self.theme.accent))
        painter.drawText(QRectF(box.left() + 3, box.top() + 1, 20, 14), Qt.AlignmentFlag.AlignLeft, self._ends[0])
        painter.drawText(
            QRectF(box.right() - 23, box.top() + 1, 20, 14), Qt.AlignmentFlag.AlignRight, self._ends[1]
        )

    def _interval(self, painter: QPainter, box: QRectF, values: FloatArray, half: FloatArray) -> None:
        tint = QColor(self.theme.accent)
        tint.setAlpha(60)
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(tint)
        for first, last in runs_of(np.isfinite(values) & np.isfinite(half)):
            there = range(first, last)
            over = [(k, float(values[k] + half[k])) for k in there]
            under = [(k, max(0.0, float(values[k] - half[k]))) for k in reversed(there)]
            corners = [
                QPointF(self._x(box, float(self._along[k])), self._y(box, value)) for k, value in over + under
            ]
            painter.drawPolygon(QPolygonF(corners))
        painter.setBrush(Qt.BrushStyle.NoBrush)

    def _course(self, painter: QPainter, box: QRectF, values: FloatArray, dashed: bool, strong: bool) -> None:
        style = Qt.PenStyle.DashLine if dashed else Qt.PenStyle.SolidLine
        painter.setPen(QPen(QColor(self.theme.text if strong else self.theme.muted), 1.6, style))
        for first, last in runs_of(np.isfinite(values)):
            spots = [
                QPointF(self._x(box, float(self._along[k])), self._y(box, float(values[k])))
                for k in range(first, last)
            ]
            if len(spots) == 1:
                painter.drawEllipse(spots[0], 1.5, 1.5)
            else:
                painter.drawPolyline(QPolygonF(spots))

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Go to the place under the pointer."""
        self._pick(event)

    def mouseMoveEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Go along with the pointer."""
        self._pick(event)

    def _pick(self, event: QMouseEvent) -> None:
        if len(self._along) > 1:
            box = self._box()
            share = np.clip((event.position().x() - box.left()) / box.width(), 0.0, 1.0)
            self.picked.emit(float(self._along[0] + share * (self._along[-1] - self._along[0])))


class ArchMap(QWidget):
    """The teeth of one jaw along an arch, seen as the clinician sees the mouth: patient's right on the left.

    A tooth that is not marked is a faint outline; a marked one is filled and drawn in the line of its state.
    """

    picked = Signal(str)
    TOOTH_PX = (17.0, 20.0)

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self._jaw, self._notation, self._chosen = "lower", "iso", ""
        self._states: Mapping[str, ToothState] = {}
        self.setFixedHeight(132)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName("Arch map of the teeth")
        self.setToolTip("Click a tooth; arrow keys go along the arch")

    def show_teeth(self, jaw: str, states: Mapping[str, ToothState], chosen: str, notation: str) -> None:
        """Show the marked teeth of a jaw."""
        self._jaw, self._states, self._chosen, self._notation = jaw, states, chosen, notation
        self.update()

    def place_of(self, site: str) -> QPointF:
        """Give where a tooth stands in the widget."""
        sites = sites_of_jaw(self._jaw)
        angle = np.pi * (sites.index(site) + 0.5) / len(sites)
        # Half an ellipse; the lower jaw opens upwards on the map as it does when the mouth is looked into.
        x = self.width() / 2.0 - np.cos(angle) * (self.width() / 2.0 - 22.0)
        reach = np.sin(angle) * (self.height() - 34.0)
        y = 16.0 + reach if self._jaw == "lower" else self.height() - 16.0 - reach
        return QPointF(x, y)

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the arch."""
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = painter.font()
        font.setPixelSize(FONT_SMALL_PX)
        painter.setFont(font)
        wide, high = self.TOOTH_PX
        for site in sites_of_jaw(self._jaw):
            middle = self.place_of(site)
            box = QRectF(middle.x() - wide / 2 - 1, middle.y() - high / 2, wide + 2, high)
            state = self._states.get(site)
            painter.setBrush(QColor(self.theme.raised) if state is not None else Qt.BrushStyle.NoBrush)
            colour = self.theme.text if state is not None else self.theme.line
            painter.setPen(
                QPen(QColor(colour), 1.6 if state else 1.0, TOOTH_LINES.get(state, Qt.PenStyle.SolidLine))
            )
            painter.drawRoundedRect(box, 6, 6)
            if state is ToothState.TO_EXTRACT:
                painter.drawLine(box.topLeft() + QPointF(2, 2), box.bottomRight() - QPointF(2, 2))
            if site == self._chosen:
                painter.setBrush(Qt.BrushStyle.NoBrush)
                painter.setPen(QPen(QColor(self.theme.accent), 2.0))
                painter.drawRoundedRect(box.adjusted(-3, -3, 3, 3), 8, 8)
            painter.setPen(QColor(self.theme.text if state is not None else self.theme.muted))
            text = site_label(site, self._notation).removeprefix("U")
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, text)
        painter.setPen(QColor(self.theme.accent))
        y = self.height() - 16.0 if self._jaw == "lower" else 2.0
        painter.drawText(QRectF(2, y, 20, 14), Qt.AlignmentFlag.AlignLeft, "R")
        painter.drawText(QRectF(self.width() - 22, y, 20, 14), Qt.AlignmentFlag.AlignRight, "L")
        painter.setPen(QColor(self.theme.muted))
        kind = "Universal numbers" if self._notation == "universal" else "ISO 3950 numbers"
        middle = QRectF(0, self.height() / 2 - 22, self.width(), 16)
        painter.drawText(middle, Qt.AlignmentFlag.AlignHCenter, f"{self._jaw} jaw, {kind}")
        painter.end()

    def mousePressEvent(self, event: QMouseEvent) -> None:  # noqa: N802
        """Choose the tooth under the pointer."""
        for site in sites_of_jaw(self._jaw):
            off = self.place_of(site) - event.position()
            if abs(off.x()) <= self.TOOTH_PX[0] / 2 + 2 and abs(off.y()) <= self.TOOTH_PX[1] / 2 + 2:
                self.picked.emit(site)
                return

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Left and right go along the arch."""
        step = {Qt.Key.Key_Left: -1, Qt.Key.Key_Right: 1}.get(Qt.Key(event.key()))
        sites = sites_of_jaw(self._jaw)
        if step is None:
            super().keyPressEvent(event)
            return
        now = sites.index(self._chosen) if self._chosen in sites else (len(sites) - 1 if step < 0 else 0) - step
        self.picked.emit(sites[int(np.clip(now + step, 0, len(sites) - 1))])
