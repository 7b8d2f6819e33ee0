"""The mandibular canal as the user clicks it: a smooth tube whose uncertainty grows away from the clicks."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree

from planner_core.anatomy.structures import Canal, Side
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.polyline import lengths_mm, smooth_through
from planner_core.geometry.volume import Volume

DEFAULT_DIAMETER_MM = 3.0
"""Diameter of a canal that was not measured, mm (2 to 4 mm; common practice, no source)."""

PATH_STEP_MM = 0.5
"""Spacing of the centre line's points, mm (our choice: about a voxel)."""

CLICK_SIGMA_MM = 0.4
"""Standard deviation per axis of a landmark set by hand in a cone-beam scan, mm: 0.36 to 0.48 mm (Tomasi et al.
2011, Dentomaxillofac Radiol 40:244; S)."""

GAP_SIGMA_MM_PER_MM = 0.06
"""Growth of the standard deviation per mm away from the nearest click: the course between clicks is only joined up
(our choice; tests/studies anatomy compares it with known canals)."""

CERTAIN_REACH_MM = 6.0
"""A course that was clicked counts as seen this far from a click, mm (our choice)."""

VOXEL_SIGMA_SHARE = 0.29
"""Standard deviation of a uniform error of one voxel, as a share of the voxel: 1/sqrt(12)."""


def click_sigma_mm(volume: Volume | None) -> float:
    """Give the standard deviation per axis of a clicked landmark, with the voxel's share (mm)."""
    voxel = 0.0 if volume is None else max(volume.spacing_mm)
    return float(np.hypot(CLICK_SIGMA_MM, VOXEL_SIGMA_SHARE * voxel))


def ordered_from_front(clicks_lps_mm: ArrayLike) -> FloatArray:
    """Give clicks of shape (k, 3) as they follow each other, the most anterior end first.

    Raises
    ------
    PlannerError
        If there are fewer than two different points.
    """
    clicks = np.asarray(clicks_lps_mm, dtype=np.float64).reshape(-1, 3)
    if len(clicks) < 2 or not np.isfinite(clicks).all():
        raise PlannerError(f"A canal needs at least two points, not {len(clicks)}.", "Click another point on it.")
    # Clicks may come in any order: the shortest way through all of them is the canal's.
    best = min((_nearest_next(clicks, start) for start in range(len(clicks))), key=lambda way: lengths_mm(way)[-1])
    return best if best[0, 1] <= best[-1, 1] else np.asarray(best[::-1])


def _nearest_next(clicks: FloatArray, start: int) -> FloatArray:
    """Visit the clicks from `start`, always going to the nearest one left."""
    remaining = [k for k in range(len(clicks)) if k != start]
    order = [start]
    while remaining:
        gaps = np.linalg.norm(clicks[remaining] - clicks[order[-1]], axis=1)
        order.append(remaining.pop(int(np.argmin(gaps))))
    return np.asarray(clicks[order])


def canal_from_clicks(
    side: Side,
    clicks_lps_mm: ArrayLike,
    volume: Volume | None = None,
    diameter_mm: float = DEFAULT_DIAMETER_MM,
) -> Canal:
    """Give a smooth tube through the clicks, its foramen end first.

    Parameters
    ----------
    clicks_lps_mm : array of shape (k, 3), k >= 2
        In any order.
    volume : Volume, optional
        The scan that was clicked in; its voxel size adds to the uncertainty.
    diameter_mm : float
        Diameter given to the whole tube.

    Raises
    ------
    PlannerError
        If there are fewer than two different points or the diameter is not above zero.
    """
    if not 0.0 < diameter_mm < 20.0:
        raise PlannerError(f"A canal of {diameter_mm:g} mm diameter is not possible.", "Give 1 to 6 mm.")
    clicks = ordered_from_front(clicks_lps_mm)
    path = smooth_through(clicks, PATH_STEP_MM)
    gap = cKDTree(clicks).query(path)[0]
    sigma = np.hypot(click_sigma_mm(volume), GAP_SIGMA_MM_PER_MM * gap)
    return Canal(side, clicks, path, np.full(len(path), diameter_mm), sigma, gap <= CERTAIN_REACH_MM)
