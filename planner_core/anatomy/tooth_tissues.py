"""Enamel and dentine of a tooth apart, by the levels that its own grey values fall into."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy import ndimage
from skimage.filters import threshold_multiotsu

from planner_core.errors import PlannerError

RIM_VOXELS = 2
"""Width of the blurred skin of enamel, whose values run through those of dentine, voxels (our choice: the blur)."""

LEAST_PIECE_SHARE = 0.02
"""Pieces of enamel smaller than this share of the largest are noise or dense spots of dentine (our choice)."""

LEAST_STEP_SHARE = 0.25
"""Enamel stands out from dentine by at least this share of dentine's own step over what lies round the tooth (our
choice: about 0.8 is usual at the densities of 2.9 and 2.1 g/cm3; M)."""


BODY_SHARE = 0.3
"""Without enamel the middle level is the blurred rim of dentine: less than this share of it has only its like for
neighbours (our choice: dentine is many voxels thick)."""


@frozen(eq=False)
class ToothTissues:
    """Where a tooth's hard tissues are, on the grid that was given.

    Parameters
    ----------
    enamel, dentine : bool arrays of that grid's shape
        Pulp and root canals belong to neither.
    dentine_from, enamel_from : float
        Grey values at which they begin.
    """

    enamel: NDArray[np.bool_]
    dentine: NDArray[np.bool_]
    dentine_from: float
    enamel_from: float


def tooth_tissues(grey: NDArray[np.float32], near_tooth: NDArray[np.bool_] | None = None) -> ToothTissues:
    """Separate enamel from dentine in a block that holds one tooth and what lies round it.

    Three levels that part the values best (Otsu 1979, IEEE Trans Syst Man Cybern 9:62, M; as in scikit-image),
    then the blurred skin of the enamel is given back to it.

    Parameters
    ----------
    grey : array of shape (a, b, c)
    near_tooth : bool array of that shape, optional
        Only there the tooth can be: neighbours lie outside.

    Raises
    ------
    PlannerError
        If the values do not fall into three levels: no enamel is seen.
    """
    inside = np.ones(grey.shape, bool) if near_tooth is None else near_tooth
    values = grey[inside]
    if len(values) < 100 or float(np.ptp(values)) <= 0.0:
        raise PlannerError("There is no tooth in this block.", "Choose a block that holds one tooth.")
    low, high = (float(level) for level in threshold_multiotsu(values, 3))
    middle = (grey >= low) & (grey < high) & inside
    body = ndimage.binary_erosion(middle)
    round_it, densest = float(np.median(values[values < low])), float(np.median(values[values >= high]))
    dense = float(np.median(grey[middle])) if middle.any() else round_it
    if body.sum() < BODY_SHARE * middle.sum() or densest - dense < LEAST_STEP_SHARE * (dense - round_it):
        raise PlannerError("No enamel stands out in this tooth.", "Choose a tooth with its crown in the scan.")
    hard = (grey >= low) & inside
    enamel = _large_pieces((grey >= high) & inside)
    open_air, _ = ndimage.label(~hard)
    outside = open_air == int(np.argmax(np.bincount(open_air[~hard].ravel())))
    block = ndimage.generate_binary_structure(3, 3)
    skin = ndimage.binary_dilation(enamel, block, RIM_VOXELS) & ndimage.binary_dilation(outside, block, RIM_VOXELS)
    enamel = enamel | (skin & hard)
    return ToothTissues(enamel, hard & ~enamel, low, high)


def _large_pieces(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    pieces, _ = ndimage.label(mask)
    sizes = np.bincount(pieces.ravel())
    sizes[0] = 0
    return np.asarray((sizes >= LEAST_PIECE_SHARE * sizes.max())[pieces] & mask)
