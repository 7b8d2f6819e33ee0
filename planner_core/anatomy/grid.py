# mypy: allow-untyped-defs
"""A coarser copy of a volume to look at as a whole: block means with their own place in the patient."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numba import njit
from numpy.typing import ArrayLike, NDArray

from planner_core.anatomy.sampling import stored_of
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.volume import Volume


@njit(nogil=True, cache=True)
def _block_means(stored, low, factors, scale, offset, out):
    weight = np.float32(scale / (factors[0] * factors[1] * factors[2]))
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            for k in range(out.shape[2]):
                total = 0
                for a in range(factors[0]):
                    for b in range(factors[1]):
                        for c in range(factors[2]):
                            total += stored[
                                low[0] + i * factors[0] + a,
                                low[1] + j * factors[1] + b,
                                low[2] + k * factors[2] + c,
                            ]
                out[i, j, k] = np.float32(total) * weight + np.float32(offset)


@frozen(eq=False)
class Grid:
    """Grey values on a grid coarser than (or as fine as) the volume's, over a part of it.

    Parameters
    ----------
    grey : float32 array of shape (a, b, c)
        Block means, along the volume's own axes.
    lps_from_index : array of shape (4, 4)
        From grid index (block centres) to LPS mm.
    """

    grey: NDArray[np.float32]
    lps_from_index: FloatArray = field(converter=readonly)

    @property
    def spacing_mm(self) -> FloatArray:
        """Distance of block centres per axis, shape (3,), mm."""
        return np.asarray(np.linalg.norm(self.lps_from_index[:3, :3], axis=0))

    @property
    def voxel_mm3(self) -> float:
        """Volume of a block, mm^3."""
        return abs(float(np.linalg.det(self.lps_from_index[:3, :3])))

    def to_lps(self, index: ArrayLike) -> FloatArray:
        """Take grid indices of shape (3,) or (n, 3) to LPS mm."""
        return np.asarray(index, dtype=np.float64) @ self.lps_from_index[:3, :3].T + self.lps_from_index[:3, 3]

    def to_index(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Take LPS points of shape (3,) or (n, 3) to fractional grid indices."""
        inverse = np.linalg.inv(self.lps_from_index)
        return np.asarray(np.asarray(points_lps_mm, dtype=np.float64) @ inverse[:3, :3].T + inverse[:3, 3])

    def radius_voxels(self, radius_mm: float) -> tuple[int, int, int]:
        """Give a radius in whole voxels per axis, at least one."""
        a, b, c = (max(1, round(radius_mm / step)) for step in self.spacing_mm)
        return a, b, c

    def up_axis(self, up_lps: ArrayLike = (0.0, 0.0, 1.0)) -> tuple[int, int]:
        """Give the grid axis nearest to a direction and the sign with which it grows along it."""
        turned = np.asarray(up_lps, dtype=np.float64) @ (self.lps_from_index[:3, :3] / self.spacing_mm)
        axis = int(np.argmax(np.abs(turned)))
        return axis, 1 if turned[axis] > 0 else -1


def coarse_grid(volume: Volume, target_mm: float, box_lps_mm: ArrayLike | None = None) -> Grid:
    """Give the block means of a volume with blocks of about `target_mm`.

    Parameters
    ----------
    box_lps_mm : array of shape (k, 3), optional
        Only the part that holds these points' bounding box (in the volume's axes).
    """
    stored = stored_of(volume)
    shape = np.array(stored.shape)
    factors = np.maximum(1, np.round(target_mm / np.array(volume.spacing_mm))).astype(np.int64)
    factors = np.minimum(factors, np.maximum(1, shape // 2))
    low, high = np.zeros(3, np.int64), shape.astype(np.int64)
    if box_lps_mm is not None:
        index = volume.to_index(np.asarray(box_lps_mm, dtype=np.float64).reshape(-1, 3))
        low = np.clip(np.floor(index.min(axis=0)), 0, shape - 2 * factors).astype(np.int64)
        high = np.clip(np.ceil(index.max(axis=0)) + 1, low + 2 * factors, shape).astype(np.int64)
    size = (high - low) // factors
    out = np.empty(tuple(int(n) for n in size), np.float32)
    _block_means(stored, low, factors, float(volume.scale), float(volume.offset), out)
    matrix = np.eye(4)
    matrix[:3, :3] = volume.lps_from_index[:3, :3] * factors
    matrix[:3, 3] = volume.to_lps(low + (factors - 1) / 2.0)
    return Grid(out, matrix)


def ball(radius_voxels: tuple[int, int, int]) -> NDArray[np.bool_]:
    """Give a structuring element: the ellipsoid of these half axes in voxels."""
    a, b, c = radius_voxels
    z, y, x = np.mgrid[-a : a + 1, -b : b + 1, -c : c + 1]
    inside: NDArray[np.bool_] = (z / (a + 0.25)) ** 2 + (y / (b + 0.25)) ** 2 + (x / (c + 0.25)) ** 2 <= 1.0
    return inside
