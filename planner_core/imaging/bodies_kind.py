"""What a dense body may be, from its size, shape and density: a guess, said as such."""

from __future__ import annotations

import numpy as np

from planner_core.geometry.frames import FloatArray


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
    spread = np.linalg.eigvalsh(np.cov(places_mm.T) + 0.02 * np.eye(3))
    length, width, thin = np.sqrt(12.0 * spread[::-1])
    if length < 3.2 and thin > 0.5 * length:
        return "marker or small dense body", 0.7
    if length > 2.2 * width and thin > 0.6 * width:
        if 2.8 <= width <= 6.0 and length >= 7.0:
            return "fixture", 0.6
        return "post or root filling", 0.6
    if volume_mm3 < 40.0:
        return "filling", 0.5
    return "zirconia", 0.5
