"""Measurements in sections and space: distance, polyline, angle, area, each with its uncertainty."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.canal import click_sigma_mm
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, angle_between_deg, readonly, unit
from planner_core.geometry.volume import Volume


class MeasureKind(StrEnum):
    """What is measured."""

    DISTANCE = "distance"
    POLYLINE = "polyline"
    ANGLE = "angle"
    AREA = "area"


UNITS = {MeasureKind.DISTANCE: "mm", MeasureKind.POLYLINE: "mm", MeasureKind.ANGLE: "deg", MeasureKind.AREA: "mm2"}


@frozen(eq=False)
class Measurement:
    """One measurement.

    Parameters
    ----------
    kind : MeasureKind
    points_lps_mm : array of shape (n, 3)
        Two for a distance, two or more for a polyline, three for an angle (its vertex second), three or more for an
        area.
    value, sigma : float
        In mm, degrees or mm^2; the standard deviation comes from hand-set points alone.
    label : str
    on_sheet : bool
        Whether the drilling sheet lists it.
    """

    kind: MeasureKind
    points_lps_mm: FloatArray = field(converter=readonly)
    value: float
    sigma: float
    label: str = ""
    on_sheet: bool = False

    @property
    def unit(self) -> str:
        """``"mm"``, ``"deg"`` or ``"mm2"``."""
        return UNITS[self.kind]

    @property
    def text(self) -> str:
        """Value with its 95 % interval, for example ``"8.3 mm (± 1.1)"``."""
        sign = {"deg": "°", "mm2": " mm²"}.get(self.unit, " mm")
        return f"{self.value:.1f}{sign} (± {1.96 * self.sigma:.1f})"


NEEDED = {MeasureKind.DISTANCE: 2, MeasureKind.POLYLINE: 2, MeasureKind.ANGLE: 3, MeasureKind.AREA: 3}
"""Least number of points by kind."""


def _distance(points: FloatArray) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def _angle(points: FloatArray) -> float:
    return angle_between_deg(points[0] - points[1], points[2] - points[1])


def _area(points: FloatArray) -> float:
    """Area of the closed polygon projected onto its own mean plane (Newell's normal; M)."""
    ahead = np.roll(points, -1, axis=0)
    return float(np.linalg.norm(0.5 * np.cross(points - points[0], ahead - points[0]).sum(axis=0)))


_VALUES = {
    MeasureKind.DISTANCE: _distance,
    MeasureKind.POLYLINE: _distance,
    MeasureKind.ANGLE: _angle,
    MeasureKind.AREA: _area,
}


def measure(
    kind: MeasureKind,
    points_lps_mm: ArrayLike,
    volume: Volume | None = None,
    sigma_mm: float | None = None,
    label: str = "",
) -> Measurement:
    """Measure between points.

    Parameters
    ----------
    sigma_mm : float, optional
        Standard deviation of each point per axis; default that of a hand-set point (Tomasi et al. 2011) with the
        volume's voxel.

    Raises
    ------
    PlannerError
        If there are too few points, or an angle's legs have no length.
    """
    points = np.asarray(points_lps_mm, dtype=np.float64).reshape(-1, 3)
    if len(points) < NEEDED[kind] or not np.isfinite(points).all():
        raise PlannerError(
            f"A measured {kind.value} needs {NEEDED[kind]} points, not {len(points)}.", "Click more."
        )
    if kind in (MeasureKind.DISTANCE, MeasureKind.ANGLE):
        points = points[: NEEDED[kind]]
    if kind is MeasureKind.ANGLE:
        unit(points[0] - points[1])
        unit(points[2] - points[1])
    spread = click_sigma_mm(volume) if sigma_mm is None else sigma_mm
    function = _VALUES[kind]
    # First order: the value's slope with each coordinate, by central differences.
    variance = 0.0
    step = 0.01
    for k in range(len(points)):
        for axis in range(3):
            moved = points.copy()
            moved[k, axis] += step
            above = function(moved)
            moved[k, axis] -= 2 * step
            variance += ((above - function(moved)) / (2 * step) * spread) ** 2
    return Measurement(kind, points, function(points), float(np.sqrt(variance)), label)
