"""What a dense body may be, from its size, shape and density: a guess, said as such.

A scale cut at twelve bits shows zirconia, cobalt-chromium and amalgam alike, so size and shape decide; the chances
given are shares of right guesses on simulated mouths, rounded (``python -m tests.studies scatter``).
"""

from __future__ import annotations

import numpy as np

from planner_core.geometry.frames import FloatArray
from planner_core.imaging.retention import IN_A_TOOTH

MARKER_MM = 3.4
"""Longest edge of a marker or another small dense body; markers have 1.5 to 2 mm and bloom (our choice)."""

MARKER_SURE = 0.9
"""Share of right ones among bodies called so, held below what was seen (29 of 29 on fifteen simulated mouths)."""

SOLID_SHARE = 0.65
"""A rod or a ball fills at least this share of the box of its own axes, a crown's cap or a filling less (a full
cylinder fills all of it, counted by its spread)."""

POST_WIDTH_MM = 3.2
FIXTURE_WIDTH_MM = (3.2, 6.5)
"""Fixtures have 3.3 to 5.5 mm and bloom (common practice, no source)."""

FIXTURE_LENGTH_MM = (7.5, 20.0)
FILLING_THIN_MM = 3.8
FILLING_MOST_MM3 = 180.0
"""Fillings are thinner and smaller than crowns: on simulated mouths, bloomed, 3.2 mm and 150 mm3 at most against
4.5 mm and 200 mm3 at least."""


def kind_of(
    places_mm: FloatArray, volume_mm3: float, depth_mm: float, density: float, saturated: bool
) -> tuple[str, float]:
    """Guess what a body is.

    Parameters
    ----------
    places_mm : array of shape (n, 3)
        Its voxels.
    volume_mm3 : float
    depth_mm : float
        Largest distance of its inside to its surface.
    density : float
        Median grey value in soft-to-bone distances above soft tissue.
    saturated : bool
        The density is a lower bound.

    Returns
    -------
    kind : str
    confidence : float
        Chance that it is right, 0..1.
    """
    length, width, thin = axes_mm(places_mm)
    solid = volume_mm3 / (length * width * thin)
    if length <= MARKER_MM and solid >= SOLID_SHARE:
        return "marker or small dense body", MARKER_SURE
    if length >= 1.9 * width and solid >= SOLID_SHARE and thin >= 0.6 * width:
        if FIXTURE_WIDTH_MM[0] <= width <= FIXTURE_WIDTH_MM[1] and _within(length, FIXTURE_LENGTH_MM):
            return "fixture", 0.6
        if width < POST_WIDTH_MM:
            return IN_A_TOOTH, 0.6
    if thin < FILLING_THIN_MM and volume_mm3 < FILLING_MOST_MM3:
        return "filling", 0.65
    return "zirconia", 0.75


def axes_mm(places_mm: FloatArray) -> tuple[float, float, float]:
    """Give the lengths of a box with the same spread along its own axes, longest first."""
    spread = np.linalg.eigvalsh(np.cov(places_mm.T) + 0.02 * np.eye(3))
    length, width, thin = np.sqrt(12.0 * spread[::-1])
    return float(length), float(width), float(thin)


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]
