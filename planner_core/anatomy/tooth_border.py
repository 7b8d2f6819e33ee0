"""Where a root ends: between its own dentine and the floor of the gap round it, row by row."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.tooth_grid import GRID_MM
from planner_core.anatomy.tooth_sizes import ToothSize
from planner_core.geometry.frames import FloatArray

BRIGHT_SHARE = 0.85
"""Share of the soft-to-bone step above which a place is certainly hard tissue (our choice)."""

TOOTH_SHARE = 0.62
"""Share of the soft-to-bone step above which a voxel can belong to a root: dentine is at least as dense as compact
bone (2.1 against 1.9 g/cm3; M)."""


DENTINE_MOST, BORDER_OF_DENTINE = 1.4, 0.64
"""Dentine's share of the step at most (M), and the share of it at which a root ends: between dentine and the
blurred gap (our choice, tests/studies anatomy)."""


CORE_VOXELS = 2
"""The dentine's own level is read this far inside the tooth, voxels (our choice: past the blur)."""

DENTINE_QUANTILE = 0.7
"""Quantile of the inside that stands for dentine (our choice: bone that was flooded too must not count)."""

FILLED_SHARE = 1.7
"""Share of the soft-to-bone step above which a root holds no dentine but a post or a filling (our choice: dentine
has 1.4 at most)."""

ROWS_MM = 1.5
"""Smoothing of that level along the tooth, mm (our choice: streaks are a few rows high)."""

DENTINE_LEAST = 1.3
"""Dentine's share of the step at least, where a filling hides it (our choice, tests/studies anatomy)."""

TIP_SHARE = 0.88
"""Level of the tip, where no inside is left, as a share of the dentine's (our choice, tests/studies anatomy: a cone
against its blur; half of the tips come out too long and half too short)."""

LEAST_SHARE = 0.5
"""Share of the soft-to-bone step under which nothing belongs to a root (our choice: half-way)."""

GAP_VOXELS = 2
"""How far about a place the gap's floor is looked for, voxels (our choice: a gap with its blur)."""

GAP_SHARES, GAP_WIDTHS_MM = (0.6, 0.52), (6.0, 7.0)
"""How far from the gap's floor to the dentine the root ends, for crowns as narrow as the first width (mm) and as
wide as the second (our choice, tests/studies anatomy: half-way, and more where blur reaches through a thin root and
its thin plates)."""

GAP_FLOOR_MOST = 0.8
"""A gap counts as no brighter than this share of the dentine (our choice, tests/studies anatomy)."""


def border_share(smooth: NDArray[np.float32], markers: NDArray[np.int32]) -> float:
    """Give the level between root and gap: a share of this tooth's own dentine."""
    own = smooth[(markers == 1) & (smooth > BRIGHT_SHARE)]
    if len(own) < 20:
        return TOOTH_SHARE
    dentine = min(float(np.quantile(own, 0.3)), DENTINE_MOST)
    return max(TOOTH_SHARE, BORDER_OF_DENTINE * dentine)


def dentine_by_row(smooth: NDArray[np.float32], mask: NDArray[np.bool_], usual: float) -> FloatArray:
    """Give the level of the tooth's own dentine row by row: streaks darken or brighten stretches of a root."""
    core = ndimage.binary_erosion(mask, iterations=CORE_VOXELS)
    # A post or a root filling brightens the dentine beside it as far as the blur reaches.
    core &= ~ndimage.binary_dilation(smooth > FILLED_SHARE, iterations=CORE_VOXELS)
    level = np.full(len(smooth), np.nan)
    for row in range(len(smooth)):
        own = smooth[row][core[row]]
        if len(own) >= 8:
            level[row] = min(float(np.quantile(own, DENTINE_QUANTILE)), DENTINE_MOST)
    known = np.flatnonzero(np.isfinite(level))
    if len(known) == 0:
        return np.full(len(smooth), usual)
    filled = np.interp(np.arange(len(smooth)), known, level[known])
    # Towards the tip the root is as thin as the blur: its own level falls.
    filled[: known[0]] *= TIP_SHARE
    beside = ndimage.binary_dilation((mask & (smooth > FILLED_SHARE)).any(axis=(1, 2)), iterations=CORE_VOXELS)
    filled[beside] = np.maximum(filled[beside], DENTINE_LEAST)
    return np.asarray(ndimage.gaussian_filter1d(filled, ROWS_MM / GRID_MM, mode="nearest"))


def in_the_gap(
    smooth: NDArray[np.float32], labels: NDArray[np.int32], dentine: FloatArray, size: ToothSize
) -> NDArray[np.bool_]:
    """Tell what lies on the gap's side of the border: part of the way from the darkest place near to the dentine.

    A blurred gap is not as dark as soft tissue, so the tooth's border there is brighter than elsewhere.
    """
    floor = np.minimum(ndimage.minimum_filter(smooth, size=2 * GAP_VOXELS + 1), GAP_FLOOR_MOST * dentine)
    # The basins meet in the middle of the gap: what touches the other one is gap, however bright.
    meeting = ndimage.binary_dilation(labels == 2) & (labels == 1)
    share = float(np.interp(size.width_mm, GAP_WIDTHS_MM, GAP_SHARES))
    return np.asarray(meeting | (smooth < share * dentine + (1.0 - share) * floor))


def dark_sheets(grey: NDArray[np.float32], scale_voxels: float) -> NDArray[np.float32]:
    """Give how much a place lies in a dark sheet: the largest eigenvalue of the Hessian, at least zero."""
    hessian = np.empty((*grey.shape, 3, 3), np.float32)
    for i in range(3):
        for j in range(i, 3):
            order = [0, 0, 0]
            order[i] += 1
            order[j] += 1
            part = ndimage.gaussian_filter(grey, scale_voxels, order=order, mode="nearest", truncate=3.0)
            hessian[..., i, j] = hessian[..., j, i] = part * scale_voxels**2
    a, b, c = hessian[..., 0, 0], hessian[..., 1, 1], hessian[..., 2, 2]
    d, e, f = hessian[..., 0, 1], hessian[..., 1, 2], hessian[..., 0, 2]
    mean = (a + b + c) / 3.0
    p = np.sqrt(((a - mean) ** 2 + (b - mean) ** 2 + (c - mean) ** 2 + 2.0 * (d * d + e * e + f * f)) / 6.0)
    safe = np.maximum(p, 1e-9)
    x, y, z = (a - mean) / safe, (b - mean) / safe, (c - mean) / safe
    u, v, w = d / safe, e / safe, f / safe
    half_det = (x * (y * z - v * v) - u * (u * z - v * w) + w * (u * v - y * w)) / 2.0
    largest = mean + 2.0 * p * np.cos(np.arccos(np.clip(half_det, -1.0, 1.0)) / 3.0)
    return np.asarray(np.maximum(largest, 0.0), dtype=np.float32)
