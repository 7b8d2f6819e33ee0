"""The ridge measured along the whole arch, as arrays for a chart and as a table (CSV)."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen

from planner_core.anatomy.bone import Degradation
from planner_core.anatomy.ridge import WIDTH_DEPTHS_MM, AirSpace, Ridge, ridge_at
from planner_core.anatomy.ridge_plates import PLATE_DEPTHS_MM
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

SIDES = ("cheek", "tongue")

SPACING_MM = 1.0
"""Spacing of the stations, mm (our choice: three voxels of a usual scan)."""


@frozen(eq=False)
class RidgeTable:
    """The ridge at even stations; None becomes nan in the arrays and an empty cell in the table."""

    rows: tuple[Ridge, ...]

    @property
    def stations_mm(self) -> FloatArray:
        """Stations, shape (n,)."""
        return np.array([row.station_mm for row in self.rows])

    def width_mm(self, depth_mm: float) -> FloatArray:
        """Width at a depth of `WIDTH_DEPTHS_MM` below the crest, shape (n,); nan where not measurable."""
        return numbers_of([row.width_mm[depth_mm] for row in self.rows])

    @property
    def height_mm(self) -> FloatArray:
        """Height over what lies beneath, shape (n,); nan where not measurable."""
        return numbers_of([row.height_mm for row in self.rows])

    def to_csv(self) -> str:
        """Give the table as comma-separated text with a header line and units in the names."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(
            [
                "station_mm",
                *(f"width_{depth:g}_mm" for depth in WIDTH_DEPTHS_MM),
                *(f"width_{depth:g}_sigma_mm" for depth in WIDTH_DEPTHS_MM),
                "height_mm", "height_sigma_mm", "height_to",
                *(
                    f"{side}_plate_{depth:g}{what}_mm"
                    for side in SIDES
                    for what in ("", "_sigma")
                    for depth in PLATE_DEPTHS_MM
                ),
                "concavity_mm", "crest_x_lps_mm", "crest_y_lps_mm", "crest_z_lps_mm", "not_measurable",
            ]
        )  # fmt: skip
        for row in self.rows:
            writer.writerow(_cells(row))
        return out.getvalue()


def numbers_of(values: Sequence[float | None]) -> FloatArray:
    """Give measurements as an array, nan where there is none."""
    return np.array([np.nan if value is None else value for value in values], dtype=np.float64)


def _cell(value: float | None) -> str:
    return "" if value is None or not np.isfinite(value) else f"{value:.2f}"


def _plates(row: Ridge) -> tuple[Mapping[float, float | None], ...]:
    return row.cheek_plate_mm, row.cheek_plate_sigma_mm, row.tongue_plate_mm, row.tongue_plate_sigma_mm


def _cells(row: Ridge) -> list[str]:
    crest = [None, None, None] if row.crest_lps_mm is None else list(row.crest_lps_mm)
    # One reason said once is enough: most stations fail as a whole.
    reasons = list(dict.fromkeys(row.reasons.values()))
    return [
        f"{row.station_mm:.1f}",
        *(_cell(row.width_mm[depth]) for depth in WIDTH_DEPTHS_MM),
        *(_cell(row.width_sigma_mm.get(depth)) for depth in WIDTH_DEPTHS_MM),
        _cell(row.height_mm),
        _cell(row.height_sigma_mm),
        row.height_to if row.height_mm is not None else "",
        *(_cell(plates.get(depth)) for plates in _plates(row) for depth in PLATE_DEPTHS_MM),
        _cell(row.concavity_mm),
        *(_cell(value) for value in crest),
        "; ".join(reasons),
    ]


def ridge_along(
    volume: Volume,
    arch: ArchCurve,
    bone: BoneSurface | None = None,
    canals: Sequence[Canal] = (),
    spaces: Sequence[AirSpace] = (),
    spacing_mm: float = SPACING_MM,
    progress: Progress = silent,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
    crest_cut: tuple[FloatArray, FloatArray] | None = None,
) -> RidgeTable:
    """Measure the ridge at stations along the whole arch (see `ridge_at`)."""
    levels = calibrate_grey(volume) if levels is None else levels
    first, last = float(arch.stations_mm[0]), float(arch.stations_mm[-1])
    stations = np.arange(np.ceil(first / spacing_mm), np.floor(last / spacing_mm) + 1) * spacing_mm
    rows = []
    for k, station in enumerate(stations):
        progress(k / len(stations), "Measuring the ridge")
        rows.append(ridge_at(volume, arch, float(station), bone, canals, spaces, levels, degradation, crest_cut))
    return RidgeTable(tuple(rows))
