"""Radial voting: where many grey-value slopes point at one centre from one distance."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.progress import Progress, silent

RADII_MM = (0.5, 0.75, 1.0, 1.3, 1.6)
"""Radii that vote, mm."""

LEAST_GRID_MM = 0.3
"""Finer volumes are averaged to about this spacing for the voting (our choice: markers are 1 mm and larger)."""

LEAST_SLOPE = 1.0
"""Slope that votes, relative units per mm (our choice: a quarter of a glass-ceramic ball's border)."""

MOST_PEAKS = 250
"""Candidates that are measured at most."""

LEAST_VOTES = 0.25
"""Share of a whole sphere's votes that makes a candidate (our choice: a third of a ball's surface)."""


@njit(nogil=True, cache=True)
def cast_votes(
    values: AnyArray, spacing: AnyArray, radius: float, least_slope: float, least_bright: float, votes: AnyArray
) -> None:
    """Let every slope of `values` steeper than `least_slope` vote for the voxel `radius` mm up its slope."""
    na, nb, nc = values.shape
    limit = least_slope * least_slope
    for i in range(1, na - 1):
        for j in range(1, nb - 1):
            for k in range(1, nc - 1):
                ga = (values[i + 1, j, k] - values[i - 1, j, k]) / (2.0 * spacing[0])
                gb = (values[i, j + 1, k] - values[i, j - 1, k]) / (2.0 * spacing[1])
                gc = (values[i, j, k + 1] - values[i, j, k - 1]) / (2.0 * spacing[2])
                square = ga * ga + gb * gb + gc * gc
                if square < limit:
                    continue
                size = math.sqrt(square)
                a = int(i + radius * ga / (size * spacing[0]) + 0.5)
                b = int(j + radius * gb / (size * spacing[1]) + 0.5)
                c = int(k + radius * gc / (size * spacing[2]) + 0.5)
                if a < 0 or b < 0 or c < 0 or a >= na or b >= nb or c >= nc or values[a, b, c] < least_bright:
                    continue
                votes[a, b, c] += 1.0


def vote_peaks(volume: Volume, levels: GreyLevels, progress: Progress = silent) -> list[tuple[FloatArray, float]]:
    """Give (LPS place, radius) of the best-voted ball candidates, best first."""
    values, factor = _thinned(volume, levels)
    spacing = np.array(volume.spacing_mm) * factor
    score = np.zeros(values.shape, np.float32)
    which = np.zeros(values.shape, np.uint8)
    # A border is about as thick as its blur, so that each place on the sphere votes from several voxels.
    for number, radius in enumerate(RADII_MM):
        progress(number / len(RADII_MM), "Looking for markers")
        votes = np.zeros(values.shape, np.float32)
        cast_votes(values, spacing, radius, LEAST_SLOPE, 1.2, votes)
        smooth = ndimage.gaussian_filter(votes, 0.3 / spacing, truncate=2.5)
        whole = 4.0 * np.pi * radius**2 * 0.6 / float(np.prod(spacing))
        # Votes spread over a ball of about 0.35 mm around the centre.
        whole *= float(np.prod(spacing)) / ((2.0 * np.pi) ** 1.5 * 0.42**3)
        share = smooth / whole
        better = share > score
        which[better] = number
        np.maximum(score, share, out=score)
    return _peaks(score, which, volume, factor)


def _peaks(
    score: NDArray[np.float32], which: NDArray[np.uint8], volume: Volume, factor: NDArray[np.intp]
) -> list[tuple[FloatArray, float]]:
    size = [int(s) for s in np.maximum(3, 2 * np.round(0.7 / (np.array(volume.spacing_mm) * factor)) + 1)]
    top = ndimage.maximum_filter(score, size=size)
    place = np.argwhere((score == top) & (score > LEAST_VOTES))
    order = np.argsort(-score[tuple(place.T)])[:MOST_PEAKS]
    lps = volume.to_lps((place[order] + 0.5) * factor - 0.5)
    return [(lps[k], RADII_MM[int(which[tuple(place[i])])]) for k, i in enumerate(order)]


def _thinned(volume: Volume, levels: GreyLevels) -> tuple[NDArray[np.float32], NDArray[np.intp]]:
    """Give relative grey values, averaged where the voxels are very small."""
    factor = np.maximum(1, np.floor(LEAST_GRID_MM / np.array(volume.spacing_mm) + 1e-6)).astype(np.intp)
    stored = volume.stored
    if factor.max() > 1:
        size = np.array(volume.shape) // factor * factor
        stored_part = stored[: size[0], : size[1], : size[2]]
        blocks = stored_part.reshape(
            size[0] // factor[0], factor[0], size[1] // factor[1], factor[1], size[2] // factor[2], factor[2]
        )
        mean = blocks.mean(axis=(1, 3, 5), dtype=np.float32)
        return np.asarray(levels.relative(volume.grey(mean)), dtype=np.float32), factor
    return np.asarray(levels.relative(volume.grey(stored)), dtype=np.float32), factor
