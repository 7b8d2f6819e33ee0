"""The grid on which a tooth is cut out."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray

from planner_core.geometry.frames import FloatArray

GRID_MM = 0.3
"""Grid on which a tooth is cut out, mm (our choice: the gap round the root is 0.15 to 0.4 mm wide)."""


@frozen(eq=False)
class ToothBlock:
    """The neighbourhood of a tooth on a grid along (root to crown, along the arch, outwards)."""

    grey: NDArray[np.float32]
    axes: FloatArray
    origin_lps_mm: FloatArray

    def to_lps(self, index: ArrayLike) -> FloatArray:
        """Take grid indices (n, 3) to LPS mm."""
        return np.asarray(self.origin_lps_mm + GRID_MM * np.asarray(index, dtype=np.float64) @ self.axes)

    def to_index(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Take LPS points (n, 3) to grid indices."""
        offset = np.asarray(points_lps_mm, dtype=np.float64) - self.origin_lps_mm
        return np.asarray(offset @ self.axes.T / GRID_MM)
