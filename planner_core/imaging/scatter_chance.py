"""From what is known of a cell to the chance that a restoration ruined it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter

from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_features import Column
from planner_core.imaging.scatter_path import Image

HARM_SHARE = 0.15
"""A grey value is ruined from this error on, as a share of the bone-to-soft-tissue contrast (our definition)."""

MEANS = (
    -3.8286,
    -3.7226,
    -3.7422,
    -4.0677,
    -4.3636,
    -4.4073,
    -3.3012,
    -2.1611,
    3.4863,
    2.7358,
    -5.5503,
    -1.4372,
    0.5862,
    0.1605,
    0.3101,
    1.1671,
)
"""Means of the columns over the mouths that the model was fitted on."""

SPREADS = (
    0.9531,
    0.9604,
    0.9743,
    0.7795,
    0.5704,
    0.3625,
    1.4705,
    1.6515,
    0.9837,
    0.8808,
    0.865,
    0.889,
    0.3563,
    0.3295,
    0.3819,
    0.6776,
)
"""Their standard deviations."""

WEIGHTS = (
    2.0329,
    -0.5057,
    0.6218,
    -0.18,
    -0.1873,
    0.3092,
    0.9233,
    2.6553,
    -1.3851,
    0.2933,
    0.1266,
    0.7402,
    -0.051,
    0.4773,
    -0.2677,
    0.0999,
)
"""Weights of the standardised columns in the logarithm of the odds."""

PAIRS: tuple[tuple[int, int, float], ...] = (
    (0, 0, 0.1222),
    (0, 2, -0.0957),
    (0, 6, -0.1171),
    (0, 7, -0.242),
    (0, 8, 0.2835),
    (0, 13, 0.3591),
    (0, 14, 0.0502),
    (2, 2, -1.1282),
    (2, 6, -0.0274),
    (2, 7, 1.4668),
    (2, 8, -1.0177),
    (2, 13, -0.1135),
    (2, 14, -0.1882),
    (6, 6, -0.8334),
    (6, 7, 1.2266),
    (6, 8, 1.6326),
    (6, 13, 0.2515),
    (6, 14, 0.0069),
    (7, 7, -1.3467),
    (7, 8, -0.4728),
    (7, 13, -0.4431),
    (7, 14, 0.6909),
    (8, 8, -0.2198),
    (8, 13, 0.0591),
    (8, 14, 0.166),
    (13, 13, -0.6522),
    (13, 14, -0.2577),
    (14, 14, -0.3277),
)
"""Weights of products of two standardised columns."""

START = -8.1183
"""Logarithm of the odds where every column is at its mean. All of these numbers were fitted on simulated mouths,
never on those of the study: eight mouths, six of them of an earlier set-up. ``python -m tests.studies scatter_fit``
fits them anew but has not made these."""

MOST_STANDARD = 4.0
"""Columns are held within this many standard deviations, so that no scan is judged far outside what was fitted."""


def log_odds(columns: list[Column]) -> Image:
    """Give the logarithm of the odds of being ruined."""
    standard = [
        np.clip((column.astype(np.float32) - mean) / spread, -MOST_STANDARD, MOST_STANDARD).astype(np.float16)
        for column, mean, spread in zip(columns, MEANS, SPREADS, strict=True)
    ]
    total = np.full(columns[0].shape, START, np.float32)
    for column, weight in zip(standard, WEIGHTS, strict=True):
        total += np.float32(weight) * column.astype(np.float32)
    for first, second, weight in PAIRS:
        total += np.float32(weight) * (standard[first].astype(np.float32) * standard[second])
    return total


def chance_of(columns: list[Column]) -> Image:
    """Give the chance (0..1) that a restoration moved the grey value by more than `HARM_SHARE` of the contrast."""
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(log_odds(columns), -30.0, 30.0))), dtype=np.float32)


JAW_MARGIN_MM = 4.0
"""The jaw region is hard tissue grown by this much (our definition)."""

LEAST_HARD_MM3 = 30.0
"""Smaller specks of hard tissue are noise, not jaw (our choice)."""


def jaw_region(cells: Cells, plain: Image, share: Image, bone: float) -> NDArray[np.bool_]:
    """Give the cells within 4 mm of hard tissue, bodies and their edges left out.

    Parameters
    ----------
    cells : Cells
    plain : float32 array
        The scan on the relative scale without what the bodies added.
    share : float32 array
        Share of each cell that the bodies fill.
    bone : float
        Bone on the relative scale.
    """
    smooth = gaussian_filter(plain, 0.7 / cells.cell_mm)
    hard = smooth > 1.0 + 0.5 * (bone - 1.0)
    bodies = share > 0.02
    if not hard.any():
        return np.zeros(cells.shape, dtype=bool)
    near = distance_transform_edt(~hard) * cells.cell_mm <= JAW_MARGIN_MM
    edge = distance_transform_edt(~bodies) * cells.cell_mm <= 0.5 * cells.cell_mm if bodies.any() else bodies
    return np.asarray(near & ~edge & cells.inside)
