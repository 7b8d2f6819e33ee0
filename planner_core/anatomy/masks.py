"""Connected pieces of masks."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage


def largest_piece(mask: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Keep the largest connected piece of a mask of any shape; an empty one stays empty."""
    pieces, count = ndimage.label(mask)
    return np.asarray(pieces == 1 + int(np.argmax(np.bincount(pieces.ravel())[1:]))) if count > 1 else mask
