"""From what the network says of a cell to what is told of the scan."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_inputs import CORTICAL_STEP
from planner_core.imaging.scatter_path import Image

HARM_SHARE = 0.15
"""A grey value is ruined from this error on, as a share of the bone-to-soft-tissue contrast (our definition). The
network was fitted to say the chance of it."""

JAW_MARGIN_MM = 4.0
"""The jaw region is hard tissue grown by this much (our definition); which cells belong to it is fitted as well."""


class Answer(IntEnum):
    """Places of the network's answers; from `NATURAL` on they are kinds, as logarithms of odds."""

    RUINED = 0
    ADDED = 1
    JAW = 2
    NATURAL = 3
    ZIRCONIA = 4
    METAL = 5
    FILLING = 6
    POST = 7
    FIXTURE = 8
    MARKER = 9
    PORCELAIN = 10


CALIBRATION = (0.62, -0.13)
"""Slope and start of the logarithm of the odds of being ruined over the network's: it is too sure of mouths that it
was not fitted on (set on 36 restored mouths at full resolution, seeds 9750, 9760 and 9761, neither fitted nor
reported on: of the cells said to have a chance of .57 then 56 % are ruined, of .89, 85 %; before, 49 and 74 %)."""

FITTED_WEIGHT = (0.012, 0.3, 1.5, 2.5, 3.0, 1.0, 2.0, 0.5)
"""Weights that the kinds had in the fit (natural tissue with the share of its cells that was counted): what is rare
was made to count more, which is taken back when chances are stated."""


def chance_of(answers: NDArray[np.float16]) -> Image:
    """Give the chance (0..1) that a restoration moved the grey value by more than `HARM_SHARE` of the contrast."""
    odds = answers[Answer.RUINED].astype(np.float32)
    odds *= np.float32(CALIBRATION[0])
    odds += np.float32(CALIBRATION[1])
    return np.asarray(1.0 / (1.0 + np.exp(-odds)), dtype=np.float32)


def added_of(answers: NDArray[np.float16]) -> Image:
    """Give what the bodies added, on the relative scale (1 = air to soft tissue)."""
    return np.asarray(answers[Answer.ADDED].astype(np.float32) * np.float32(CORTICAL_STEP))


def jaw_of(answers: NDArray[np.float16], cells: Cells, bodies: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Give the cells of the jaw region: within 4 mm of hard tissue, bodies left out."""
    return np.asarray((answers[Answer.JAW] > 0) & ~bodies & cells.inside)


def kind_chances(answers: NDArray[np.float16]) -> NDArray[np.float32]:
    """Give the chance of each kind, natural tissue first: (kinds, ...)."""
    odds = answers[Answer.NATURAL :].astype(np.float32)
    odds -= np.log(np.array(FITTED_WEIGHT, np.float32)).reshape(-1, *([1] * (odds.ndim - 1)))
    odds -= odds.max(axis=0)
    np.exp(odds, out=odds)
    odds /= odds.sum(axis=0)
    return odds
