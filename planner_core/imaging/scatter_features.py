"""What is known of each cell before its chance of being ruined is stated, whatever grey scale the scan has."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, distance_transform_edt, gaussian_filter

from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_difference import Difference
from planner_core.imaging.scatter_path import Image

Column = NDArray[np.float16]

FAR_MM = 60.0
"""Distance given in slices that no body touches."""

FEATURES = (
    "difference, near",
    "difference, around",
    "difference, in the slice",
    "difference, mean",
    "pattern of squared length",
    "pattern of stopped lines",
    "beam taken",
    "length in bodies",
    "distance in the slice",
    "distance",
    "bodies around",
    "roughness of soft tissue",
    "soft tissue around",
    "air",
    "hard tissue",
    "density",
)
"""Names of the columns, in their order; lengths and amounts enter as logarithms."""


def _logarithm(values: Image, floor: float) -> Column:
    return np.log(np.maximum(values, 0.0) + np.float32(floor)).astype(np.float16)


def _rms(values: Image, sigma: float | tuple[float, ...], weight: Image) -> Image:
    """Local root mean square of the weighed cells."""
    total = np.maximum(gaussian_filter(values * values * weight, sigma), 0.0)
    return np.asarray(np.sqrt(total / np.maximum(gaussian_filter(weight, sigma), 0.02)), dtype=np.float32)


def _sigmoid(values: Image) -> Image:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(values, -30.0, 30.0))), dtype=np.float32)


def distance_in_slices(bodies: NDArray[np.bool_], cell_mm: float) -> Image:
    """Give the distance (mm) to the nearest body of the same slice, `FAR_MM` where it has none."""
    away = np.full(bodies.shape, FAR_MM, np.float32)
    for k in np.flatnonzero(bodies.any(axis=(1, 2))):
        away[k] = np.minimum(distance_transform_edt(~bodies[k]) * cell_mm, FAR_MM)
    return away


def features_of(cells: Cells, share: Image, difference: Difference, bone: float) -> list[Column]:
    """Give the columns of `FEATURES`, each a float16 array of the cells' shape (half the memory).

    Parameters
    ----------
    cells : Cells
    share : float32 array
        Share of each cell that the bodies fill.
    difference : Difference
    bone : float
        Bone on the relative scale (0 air, 1 soft tissue); the soft-to-bone contrast is the unit of all greys.
    """
    h, contrast = cells.cell_mm, np.float32(bone - 1.0)
    bodies = share > 0.05
    # The distances come first: their scratch arrays are the largest.
    away = _logarithm((distance_transform_edt(~bodies) * h).astype(np.float32), 0.5)
    away_in_slice = _logarithm(distance_in_slices(bodies, h), 0.5)
    outside = (~binary_dilation(bodies)).astype(np.float32)
    added = difference.added / contrast
    density = gaussian_filter(cells.relative - difference.added, 0.7 / h)
    soft = ((np.abs(density - 1.0) < 0.45) * outside).astype(np.float32)
    soft_around = gaussian_filter(soft, 1.6 / h)
    rough = _rms((cells.relative - 1.0) / contrast, 1.6 / h, soft)
    mean = np.abs(gaussian_filter(added * outside, 1.2 / h))
    mean /= np.maximum(gaussian_filter(outside, 1.2 / h), 0.05)
    return [
        _logarithm(_rms(added, 0.8 / h, outside), 0.01),
        _logarithm(_rms(added, 1.6 / h, outside), 0.01),
        _logarithm(_rms(added, (1.0 / h, 5.0 / h, 5.0 / h), outside), 0.01),
        _logarithm(mean, 0.01),
        _logarithm(_rms(difference.patterns[0] / 10.0, 0.8 / h, outside), 0.01),
        _logarithm(_rms(difference.patterns[1], 0.8 / h, outside), 0.01),
        _logarithm(difference.shadow, 0.01),
        _logarithm(difference.shadow_length_mm, 0.03),
        away_in_slice,
        away,
        _logarithm(gaussian_filter(share, (0.0, 3.0 / h, 3.0 / h)), 0.003),
        _logarithm(rough, 0.02) * np.clip(2.0 * soft_around, 0.0, 1.0).astype(np.float16),
        soft_around.astype(np.float16),
        _sigmoid((0.5 - density) * 8.0).astype(np.float16),
        _sigmoid((density - 1.35) * 8.0).astype(np.float16),
        np.clip(gaussian_filter(cells.relative, 0.7 / h), -0.5, 3.0).astype(np.float16),
    ]
