"""What runs under the strip by station: fixtures, scatter level, ridge width and height."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QBrush, QColor, QFontMetricsF, QPainter, QPainterPath

from app.numbers import WIDTH_DEPTH_MM
from app.sections import marks
from app.sections.section_paint import HATCH_FROM_LEVEL
from app.words import mm, site_label, within
from app.workspace import Workspace
from planner_core.anatomy.strip import Strip

LABELS_PX = 100
READING_PX = 172
ROW_PX = 15
ROWS = ("Fixtures", "Scatter level", "Ridge width, mm", "Ridge height, mm")
NUMBER_EVERY_MM = 10.0


def write(
    painter: QPainter,
    text: str,
    x: float,
    y: float,
    width: float,
    colour: str,
    right: bool = False,
    middle: bool = False,
) -> None:
    """Write a small text into a row."""
    painter.setFont(marks.small_font())
    painter.setPen(QColor(colour))
    side = Qt.AlignmentFlag.AlignRight if right else Qt.AlignmentFlag.AlignLeft
    if middle:
        side = Qt.AlignmentFlag.AlignHCenter
    painter.drawText(QRectF(x, y, width, ROW_PX), side | Qt.AlignmentFlag.AlignVCenter, text)


class StripRows:
    """Paints the rows for a strip whose stations stand at `x_of`."""

    def __init__(self, workspace: Workspace, x_of: Callable[[float], float]) -> None:
        self._workspace = workspace
        self._x_of = x_of
        self._height = 0.0

    def fit(self, height_px: float) -> None:
        """Stand at the bottom of a widget of this height."""
        self._height = height_px

    def _row_top(self, row: int) -> float:
        return self._height - ROW_PX * (len(ROWS) + 1 - row)

    def paint_rows(self, painter: QPainter, strip: Strip) -> None:
        """Paint the rows with their names and the stations."""
        theme = self._workspace.theme
        first, last = float(strip.stations_mm[0]), float(strip.stations_mm[-1])
        x0, x1 = self._x_of(first), self._x_of(last)
        painter.setPen(marks.pen(theme.line, 1.0, alpha=160))
        for row in range(len(ROWS) + 1):
            y = self._row_top(row) + 0.5
            painter.drawLine(QPointF(x0, y), QPointF(x1, y))
        muted = "#9aa5b1"
        edge = x0 - LABELS_PX - 18
        for row, name in enumerate((*ROWS, "Station, mm")):
            write(painter, name, edge, self._row_top(row), LABELS_PX, muted, right=True)
        for station in np.arange(np.ceil(first / 10) * 10, last + 0.1, NUMBER_EVERY_MM):
            x = self._x_of(float(station))
            write(
                painter,
                f"{station:+.0f}" if station else "0",
                x - 20,
                self._row_top(len(ROWS)),
                40,
                muted,
                middle=True,
            )
        self._paint_sites(painter)
        tracks = self._workspace.numbers.tracks
        if tracks is None:
            wait = "being computed …" if self._workspace.numbers.plan is not self._workspace.plan else "–"
            for row in (1, 2, 3):
                write(painter, wait, x0 + 4, self._row_top(row), 200, muted)
            return
        self._paint_scatter(painter, tracks)
        ridges = tracks.ridges
        widths = [None if ridge is None else ridge.width_sigma_mm.get(WIDTH_DEPTH_MM) for ridge in ridges]
        heights = [None if ridge is None else ridge.height_sigma_mm for ridge in ridges]
        self._paint_numbers(painter, tracks.stations_mm, tracks.width_mm, widths, 2)
        self._paint_numbers(painter, tracks.stations_mm, tracks.height_mm, heights, 3)

    def _paint_sites(self, painter: QPainter) -> None:
        workspace = self._workspace
        arch = workspace.plan.arch
        assert arch is not None
        for site, fixture in workspace.plan.fixtures.items():
            x = self._x_of(arch.station_of(fixture.pose.platform_lps_mm))
            top = self._row_top(0)
            colour = workspace.theme.mark if site == workspace.view.site else workspace.theme.picture_text
            tip = QPainterPath(QPointF(x - 4, top + 4))
            tip.lineTo(x + 4, top + 4)
            tip.lineTo(x, top + 12)
            tip.closeSubpath()
            painter.fillPath(tip, QColor(colour))
            write(painter, site_label(site, workspace.settings.notation), x + 7, top, 40, colour)

    def _paint_scatter(self, painter: QPainter, tracks: Any) -> None:
        top = self._row_top(1)
        wide = max(self._x_of(float(tracks.stations_mm[1])) - self._x_of(float(tracks.stations_mm[0])), 1.0)
        for station, level in zip(tracks.stations_mm.tolist(), tracks.scatter.tolist(), strict=True):
            if not np.isfinite(level):
                continue
            height = (ROW_PX - 2) * min(max(level, 0.0), 1.0)
            box = QRectF(self._x_of(station) - wide / 2, top + ROW_PX - 1 - height, wide, height)
            heavy = level >= HATCH_FROM_LEVEL
            painter.fillRect(box, QColor("#9aa5b1") if not heavy else QColor("#4a535d"))
            if heavy:
                painter.fillRect(box, QBrush(QColor("#e4e8ed"), Qt.BrushStyle.BDiagPattern))

    def _paint_numbers(self, painter: QPainter, stations: Any, values: Any, sigmas: Any, row: int) -> None:
        """Write as many of a row's values, each with its error, as find place beside each other."""
        text = self._workspace.theme.picture_text
        metrics = QFontMetricsF(marks.small_font())
        last_right = -1e9
        least = self._x_of(float(stations[0])) - 8.0  # clear of the rows' names
        for station, value, sigma in zip(stations.tolist(), values.tolist(), sigmas, strict=True):
            shown = within(value, sigma) if np.isfinite(value) else "·"
            width = metrics.horizontalAdvance(shown)
            x = max(self._x_of(station) - width / 2, least)
            if x > last_right + 10:
                write(painter, shown, x - 2, self._row_top(row), width + 4, text, middle=True)
                last_right = x + width

    def paint_reading(self, painter: QPainter, strip: Strip) -> None:
        """Write what is measured at the station looked at."""
        workspace, theme = self._workspace, self._workspace.theme
        x, muted = self._x_of(float(strip.stations_mm[-1])) + 26.0, "#9aa5b1"
        station = workspace.view.station_mm
        lines = [(f"Station {mm(station)} mm", theme.picture_text)]
        tracks = workspace.numbers.tracks
        if tracks is not None and len(tracks.stations_mm):
            k = tracks.nearest(station)
            ridge = tracks.ridge_at(station)
            sigmas = (None, None)
            if ridge is not None:
                sigmas = (ridge.width_sigma_mm.get(WIDTH_DEPTH_MM), ridge.height_sigma_mm)
            lines += [
                (_measured("width", float(tracks.width_mm[k]), sigmas[0]), muted),
                (_measured("height", float(tracks.height_mm[k]), sigmas[1]), muted),
                (f"Scatter level {mm(float(tracks.scatter[k]), 2)} of 1", muted),
            ]
        if workspace.view.picture != "original":
            lines.append(("Strip: as scanned", theme.picture_text))
        for k, (text, colour) in enumerate(lines):
            write(painter, text, x, 10.0 + 18 * k, READING_PX - 16, colour)
        view = workspace.view
        how = "Brightest of" if view.slab_mode == "max" else "Averaged over"
        slab = f"{how} {mm(view.strip_slab_mm)} mm" if view.strip_slab_mm else "A single layer"
        write(painter, slab, x, 10.0 + 18 * 5, READING_PX - 16, muted)


def _measured(what: str, value_mm: float, sigma_mm: float | None) -> str:
    if not np.isfinite(value_mm):
        return f"{what.capitalize()} not measurable"
    return f"Ridge {what} {within(value_mm, sigma_mm)} mm"
