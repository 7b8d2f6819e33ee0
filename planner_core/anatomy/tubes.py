# mypy: allow-untyped-defs
"""How much a place looks like the inside of a dark tube of a canal's size, whatever the scan's offset and gain."""

from __future__ import annotations

from functools import cache

import numpy as np
from attrs import field, frozen
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.grid import Grid
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.imaging.grey_scale import GreyLevels


@frozen
class TubeSize:
    """What sizes of tube are looked for.

    Parameters
    ----------
    wall_distances_mm : tuple of float
        Distances of the wall from the middle that are tried on the grid.
    radii_mm : tuple of float
        Radii of the section template.
    shift_mm : float
        How far across its course the centre is searched.
    wall_peak_mm, wall_reach_mm : float
        How far from the middle the wall's top and the wall are looked for.
    grid_mm : float
        Blocks in which the way is searched.
    diameter_mm : float
        Of a tube that was not measured.
    """

    wall_distances_mm: tuple[float, ...]
    radii_mm: tuple[float, ...]
    shift_mm: float
    wall_peak_mm: float
    wall_reach_mm: float
    grid_mm: float
    diameter_mm: float


CANAL_SIZE = TubeSize((1.5, 2.0, 2.5), (0.7, 0.95, 1.2, 1.5, 1.8, 2.2), 1.8, 2.8, 3.2, 0.6, 3.0)
"""The mandibular canal: 2 to 4 mm wide (common practice, no source); a coarse way errs by a voxel or two."""

SMALL_SIZE = TubeSize((0.9, 1.2, 1.6), (0.45, 0.6, 0.8, 1.0, 1.25), 1.2, 1.8, 2.2, 0.4, 1.5)
"""Incisive canal and the artery of the sinus wall: 1 to 2 mm wide (common practice, no source)."""

SMOOTH_MM = 0.5
"""Standard deviation of the smoothing before that, mm (our choice: below the width of a wall with its blur)."""

DIRECTIONS = np.array(
    [(a, b, c) for a in (-1, 0, 1) for b in (-1, 0, 1) for c in (-1, 0, 1) if (a, b, c) > (0, 0, 0)],
    dtype=np.float64,
)
DIRECTIONS /= np.linalg.norm(DIRECTIONS, axis=1, keepdims=True)
"""Half of the 26 directions to a voxel's neighbours, unit, along the grid's axes."""

RANK = 6
"""Which of the sorted contrasts counts, the largest being the first: a tube has walls in 8 or 9 of the 13
directions, a trough in 4 or 5 (counted on both; our choice between them)."""

WALL_MM = 0.8
"""Width of the bright wall in the section template, mm (our choice: one to three voxels)."""

TEMPLATE_BLUR_MM = 0.35
"""Blur of the template's borders, mm (effective resolution of cone-beam scans 0.3 to 0.6 mm: Bruellmann and Schulze
2015, DMFR 44:20140204; M)."""

PATCH_STEP_MM = 0.3
SECTORS = 6
"""Parts of the wall that are looked at one by one (our choice: an open side must show)."""

FULL_CONTRAST = 1.7
"""Contrast of wall and inside over the spread of the whole disc that counts as full: a clean section has about
2."""


def tube_likeness(grid: Grid, levels: GreyLevels, size: TubeSize = CANAL_SIZE) -> NDArray[np.float32]:
    """Give a likeness of 0 to about 1 for every place of a grid: walls on both sides in most directions.

    For each of 13 directions the darker of the two places a wall's distance away is compared with the middle; a
    tube is darker than both in all directions but those near its own, the floor of a marrow space is open on one
    side. The likeness is a middle one of the 13 contrasts, the best over the distances, over its own 98th
    percentile: contrasts do not see the offset, the percentile takes the gain away.
    """
    step = levels.bone - levels.soft_tissue
    grey = np.clip(grid.grey, levels.soft_tissue - 0.5 * step, levels.bone + 0.25 * step)
    grey = ndimage.gaussian_filter(grey, SMOOTH_MM / grid.spacing_mm, mode="nearest").astype(np.float32)
    shifts = np.round(np.array(size.wall_distances_mm)[:, None, None] * DIRECTIONS[None] / grid.spacing_mm).astype(
        np.int64
    )
    reach = np.abs(shifts).max(axis=(0, 1))
    padded = np.pad(grey, [(n, n) for n in reach], mode="edge")
    offsets = shifts @ np.array([padded.shape[1] * padded.shape[2], padded.shape[2], 1])
    best = np.empty(grey.shape, np.float32)
    _ranked_contrast(padded, reach, offsets, RANK, best)
    scale_to = float(np.quantile(best, 0.98))
    return np.asarray(best / max(scale_to, 1e-6), dtype=np.float32)


@njit(nogil=True, cache=True)
def _ranked_contrast(padded, reach, offsets, rank, out):
    """Give the `rank`-th largest contrast of the darker of two opposite places, best over distances, at least 0.

    `offsets` (distances, directions) go from a voxel to a place in the flattened array.
    """
    flat = padded.ravel()
    top = np.empty(rank, np.float32)
    for i in range(out.shape[0]):
        for j in range(out.shape[1]):
            start = ((i + reach[0]) * padded.shape[1] + j + reach[1]) * padded.shape[2] + reach[2]
            for k in range(out.shape[2]):
                place = start + k
                best, here = np.float32(0.0), flat[place]
                for d in range(offsets.shape[0]):
                    # The largest ones so far, largest first; only what beats the best distance counts.
                    top[:] = best
                    for w in range(offsets.shape[1]):
                        value = min(flat[place + offsets[d, w]], flat[place - offsets[d, w]]) - here
                        n = rank - 1
                        if value <= top[n]:
                            continue
                        while n > 0 and top[n - 1] < value:
                            top[n] = top[n - 1]
                            n -= 1
                        top[n] = value
                    best = top[rank - 1]
                out[i, j, k] = best


@frozen(eq=False)
class SectionTemplates:
    """Discs with a wall, for every centre shift and radius, as weights over the pixels of a section patch.

    Parameters
    ----------
    offsets_mm : array of shape (p, 2)
        Where the patch is sampled, mm from its middle.
    shifts_mm : array of shape (s,)
        Shifts of the centre along each of the two directions.
    weights, support : arrays of shape (p, radii * s * s)
        Zero-mean unit templates and the discs that they cover.
    sides : array of shape (SECTORS, p, radii * s * s)
        Mean of one sector of the wall less mean of the inside.
    """

    offsets_mm: FloatArray = field(converter=readonly)
    shifts_mm: FloatArray = field(converter=readonly)
    weights: NDArray[np.float32]
    support: NDArray[np.float32]
    sides: NDArray[np.float32]

    def match(self, patches: NDArray[np.float32]) -> NDArray[np.float32]:
        """Give how well patches (n, p) fit the templates, shape (n, radii, s, s), at most 1.

        Mean of the normalised correlation and of the weakest side's contrast: the floor of a marrow space is dark
        between walls too, but open on one side.
        """
        centred = patches - patches.mean(axis=1, keepdims=True)
        count = self.support.sum(axis=0)
        total = centred @ self.support
        square = (centred * centred) @ self.support
        spread = np.sqrt(np.maximum(square - total * total / count, 1e-6))
        size = len(self.shifts_mm)
        weakest = centred @ self.sides[0]
        for side in self.sides[1:]:
            np.minimum(weakest, centred @ side, out=weakest)
        weakest *= np.sqrt(count) / FULL_CONTRAST
        fit = 0.5 * (centred @ self.weights + np.minimum(weakest, spread)) / spread
        return np.asarray(fit.reshape(len(patches), -1, size, size))


@cache
def section_templates(size: TubeSize = CANAL_SIZE) -> SectionTemplates:
    """Give the templates of a size of tube; made once."""
    reach = size.shift_mm + max(size.radii_mm) + WALL_MM + 0.3
    line = np.arange(-np.ceil(reach / PATCH_STEP_MM), np.ceil(reach / PATCH_STEP_MM) + 1) * PATCH_STEP_MM
    u, v = np.meshgrid(line, line, indexing="ij")
    shifts = (
        np.arange(-round(size.shift_mm / PATCH_STEP_MM), round(size.shift_mm / PATCH_STEP_MM) + 1) * PATCH_STEP_MM
    )
    weights, support, sides = [], [], []
    for radius in size.radii_mm:
        for du in shifts:
            for dv in shifts:
                rho = np.hypot(u - du, v - dv).ravel()
                inside = rho <= radius + WALL_MM
                value = np.where(inside, np.tanh((rho - radius) / TEMPLATE_BLUR_MM), 0.0)
                value[inside] -= value[inside].mean()
                weights.append(value / np.linalg.norm(value))
                support.append(inside)
                wall, core = inside & (rho > radius + 0.1), rho < max(radius - 0.2, PATCH_STEP_MM)
                turn = np.arctan2(v.ravel() - dv, u.ravel() - du) % (2 * np.pi)
                sector = np.minimum((turn / (2 * np.pi) * SECTORS).astype(int), SECTORS - 1)
                parts = [(wall & (sector == k)) for k in range(SECTORS)]
                sides.append([part / max(part.sum(), 1) - core / core.sum() for part in parts])
    return SectionTemplates(
        np.stack([u.ravel(), v.ravel()], axis=1),
        shifts,
        np.array(weights, dtype=np.float32).T.copy(),
        np.array(support, dtype=np.float32).T.copy(),
        np.array(sides, dtype=np.float32).transpose(1, 2, 0).copy(),
    )
