"""Grey values along and round a bore, told relative to the same jaw's cortex. They are grey values, not HU."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.sampling import grey_at
from planner_core.geometry.frames import FloatArray, perpendicular, readonly, unit
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey

STEP_MM = 0.25
RING_MM = 1.0
"""Thickness of the ring round the bore that is read, mm (our choice: the bone that the thread will meet)."""

CAUTION = (
    "Grey values of a cone-beam scan are not HU and change with position, field of view and neighbours; published "
    "bone classes rest on CT numbers and differ from each other. The word is a rough impression relative to this "
    "jaw's own cortex."
)
"""Against taking the classes for a measurement: R^2 of 20 to 30 % between cone-beam grey values and CT numbers
(Dent Med Probl 2022;59(3):413), inconsistent with position and field of view (Campos et al. 2014, World J Radiol
6:607); S."""

CLASS_EDGES = (0.35, 0.6, 0.85)
"""Share of the way from soft tissue to cortex at which the words change (our choice: the scales of Misch and of
Norton and Gamble rest on CT numbers and cannot be carried over)."""

CLASS_WORDS = ("fine trabecular", "coarse trabecular", "dense trabecular", "nearly compact")
"""Words by rising share, after the descriptions of Lekholm and Zarb (S2)."""


@frozen(eq=False)
class BoreProfile:
    """Grey values along a bore.

    Parameters
    ----------
    depth_mm : array of shape (n,)
        From the bore's start.
    core, ring : arrays of shape (n,)
        Mean relative grey value inside the bore and in the ring round it: 0 soft tissue, 1 this jaw's cortex.
    around : array of shape (n, 12)
        Ring by direction, 30 degrees apart from `frames.perpendicular(axis)`, right-handed about the axis.
    word : str
        One of `CLASS_WORDS` for the whole ring, or "outside the scan".
    caution : str
    spread : float
        Standard deviation of the relative value along the ring.
    """

    depth_mm: FloatArray = field(converter=readonly)
    core: FloatArray = field(converter=readonly)
    ring: FloatArray = field(converter=readonly)
    around: FloatArray = field(converter=readonly)
    word: str
    spread: float
    caution: str = CAUTION


def bore_profile(
    volume: Volume,
    start_lps_mm: ArrayLike,
    axis_lps: ArrayLike,
    length_mm: float,
    diameter_mm: float,
    levels: GreyLevels | None = None,
) -> BoreProfile:
    """Read the grey values along and round a bore, such as a planned osteotomy."""
    levels = calibrate_grey(volume) if levels is None else levels
    axis = unit(axis_lps)
    first = perpendicular(axis)
    second = np.cross(axis, first)
    depth = np.arange(0.0, length_mm + STEP_MM / 2, STEP_MM)
    line = np.asarray(start_lps_mm, dtype=np.float64) + depth[:, None] * axis
    turns = np.radians(np.arange(0.0, 360.0, 30.0))
    side = np.outer(np.cos(turns), first) + np.outer(np.sin(turns), second)

    def at(radius: float) -> FloatArray:
        grey = grey_at(volume, line[:, None, :] + radius * side[None])
        return np.asarray((grey - levels.soft_tissue) / (levels.bone - levels.soft_tissue), dtype=np.float64)

    radius = diameter_mm / 2.0
    around = np.mean([at(radius + share * RING_MM) for share in (0.1, 0.4, 0.7, 1.0)], axis=0)
    core = np.mean([at(share * radius) for share in (0.0, 0.35, 0.6, 0.8)], axis=0).mean(axis=1)
    known = np.isfinite(around)
    if not known.any():
        word, spread = "outside the scan", float("nan")
    else:
        word = CLASS_WORDS[int(np.searchsorted(CLASS_EDGES, float(around[known].mean())))]
        spread = float(around[known].std())
    filled = np.where(known, around, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    ring = np.where(known.any(axis=1), filled, np.nan)
    return BoreProfile(depth, core, ring, around, word, spread)
