"""Materials on a voxel grid."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from phantoms.materials import Material
from phantoms.pool import in_slabs
from planner_core.geometry.frames import FloatArray, readonly


@frozen(eq=False)
class MaterialMap:
    """Materials on a voxel grid; see `phantoms.paint` for the code of a voxel.

    Parameters
    ----------
    codes : uint32 array of shape (slices, rows, columns)
    lps_from_index : array of shape (4, 4)
    """

    codes: NDArray[np.uint32]
    lps_from_index: FloatArray = field(converter=readonly)

    @property
    def voxel_mm(self) -> float:
        """Edge of a voxel (mm)."""
        return float(np.linalg.norm(self.lps_from_index[:3, 0]))

    def share_of(self, material: Material) -> NDArray[np.float32]:
        """Give the share (0..1) of each voxel that a material fills."""
        codes = self.codes
        over = ((codes >> 16) & 255).astype(np.float32) / 255
        over_is = ((codes >> 24) & 15) == material
        a = (codes & 255).astype(np.float32) / 255
        share = np.where(((codes >> 12) & 15) == material, a, 0) + np.where(
            ((codes >> 8) & 15) == material, 1 - a, 0
        )
        return np.asarray(share * (1 - over) + np.where(over_is, over, 0), dtype=np.float32)

    def bodies_share(self) -> NDArray[np.float32]:
        """Give the share (0..1) of each voxel that restorations fill."""
        return np.asarray(((self.codes >> 16) & 255).astype(np.float32) / 255)

    def weighted(self, value_of: NDArray[np.float32], restored: bool = True) -> NDArray[np.float32]:
        """Give the mean over each voxel of a number per material, shape (16,); bodies on request."""
        return _weighted(self.codes, np.asarray(value_of, np.float32), restored)


def _weighted(codes: NDArray[np.uint32], value_of: NDArray[np.float32], restored: bool) -> NDArray[np.float32]:
    out = np.empty(codes.shape, np.float32)

    def work(first: int, last: int) -> None:
        part = codes[first:last]
        a = (part & 255).astype(np.float32) * np.float32(1 / 255)
        mixed = value_of[(part >> 8) & 15]
        mixed += (value_of[(part >> 12) & 15] - mixed) * a
        if restored:
            over = ((part >> 16) & 255).astype(np.float32) * np.float32(1 / 255)
            mixed += (value_of[(part >> 24) & 15] - mixed) * over
        out[first:last] = mixed

    in_slabs(work, codes.shape[0])
    return out


def texture_tile(seed: int) -> NDArray[np.float32]:
    """Give a periodic tile of smooth noise with zero mean and unit spread, shape (48, 48, 48)."""
    noise = np.random.default_rng([seed, 77]).standard_normal((48, 48, 48))
    noise = gaussian_filter(noise, 0.8, mode="wrap")
    return np.asarray((noise - noise.mean()) / noise.std(), dtype=np.float32)


def grid_affine(centre_lps_mm: FloatArray, shape: tuple[int, int, int], voxel_mm: float) -> FloatArray:
    """Give index-to-LPS of an upright grid: slices to the head, rows to the back, columns to the left."""
    affine = np.zeros((4, 4))
    affine[3, 3] = 1.0
    affine[2, 0] = affine[1, 1] = affine[0, 2] = voxel_mm
    affine[:3, 3] = np.asarray(centre_lps_mm) - voxel_mm * (np.array(shape)[::-1] - 1) / 2.0
    return affine
