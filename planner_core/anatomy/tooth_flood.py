"""Flooding one tooth and everything round it until they meet in the dark gap between root and bone.

Bright basins are flooded from the tooth and from what surrounds it (watershed; Meyer 1994, Signal Process 38:113;
M); the gap is deepened first by a filter for dark sheets.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy import ndimage
from skimage.segmentation import watershed

from planner_core.anatomy.tooth_border import BRIGHT_SHARE, dark_sheets
from planner_core.anatomy.tooth_course import under_the_neck
from planner_core.anatomy.tooth_grid import GRID_MM
from planner_core.anatomy.tooth_sizes import ToothSize
from planner_core.geometry.frames import FloatArray

GAP_BLUR_MM = 0.4
"""Scale of the filter for the dark gap, mm (our choice: about the blur of a scan)."""

GAP_WEIGHT = 6.0
"""Weight of the gap filter against the grey value itself (our choice, tests/studies anatomy)."""

DARK_SHARE = 0.2
"""Share of the soft-to-bone step below which nothing is hard tissue (our choice)."""

CONTACT_SHARE = 0.6
"""Share of the soft-to-bone step above which a place counts as crown where crowns touch (our choice)."""

BRIGHT_SEED_MM = 2.4
"""Within this of a click, what is brighter than `BRIGHT_SHARE` is marked too (our choice: a
pulp chamber is 1 to 2 mm wide to each side)."""

SEED_MM = 0.9
"""Radius of what a click marks, mm (our choice: two voxels of a usual scan)."""

DARK_READ_LEVEL = 0.15
"""Degradation (0..1) from which a dark place is not taken for soft tissue (our choice, tests/studies anatomy)."""

FLOODED_SHARE = 0.35
"""Share of the soft-to-bone step above which a flood may run; the tooth ends higher (our choice)."""


@frozen(eq=False)
class Flood:
    """What was flooded: `labels` is 1 for the tooth, 2 for its surroundings, 0 for neither.

    `markers` is where the floods began; `core` is what is taken for the tooth whatever its grey value.
    """

    labels: NDArray[np.int32]
    markers: NDArray[np.int32]
    core: NDArray[np.bool_]


def flooded(
    grey: NDArray[np.float32],
    smooth: NDArray[np.float32],
    size: ToothSize,
    plus: FloatArray,
    minus: FloatArray,
    level: NDArray[np.float32] | None,
) -> Flood:
    """Flood a tooth and its surroundings.

    Parameters
    ----------
    grey, smooth : arrays of shape (rows, along, out)
        On the scale of the soft-to-bone step; rows run from the root to the crown.
    plus, minus : arrays of shape (n, 3)
        Indices of the clicks on the tooth, the first about the middle of its crown or neck, and beside it.
    level : array of that shape, optional
        The scan check's level.
    """
    dark = smooth < DARK_SHARE
    open_dark = _open_part(dark)
    # What is dark where the scan cannot be read may be anything, and opens no pulp to the outside.
    known_open = open_dark if level is None else _open_part(dark & (level <= DARK_READ_LEVEL))
    markers = _markers(smooth, size, plus, minus, known_open)
    middle = plus[0]
    core, dentine = under_the_neck(smooth, size, middle, level)
    for click in minus:
        core &= ~_near(smooth.shape, click, SEED_MM)
    markers[core | dentine & (markers == 0)] = 1
    allowed = (smooth > FLOODED_SHARE) | (markers == 1) | ~open_dark
    # Beyond its contacts a crown ends: a wall, not a flood, which would run through touching enamel.
    left, right = _contacts(smooth, middle, size)
    neck = max(0, round(float(middle[0])))
    allowed[neck:, :left] = allowed[neck:, right + 1 :] = False
    allowed[_bite(smooth, middle, size) :] = False
    markers[~allowed] = 0
    height = smooth - GAP_WEIGHT * dark_sheets(grey, GAP_BLUR_MM / GRID_MM)
    return Flood(watershed(-height, markers, mask=allowed), markers, core)


def _open_part(dark: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Soft tissue, air and marrow: what is dark and reaches the block's border; a pulp does not."""
    pieces, _ = ndimage.label(dark)
    border = np.zeros_like(pieces, dtype=bool)
    border[[0, -1]] = border[:, [0, -1]] = border[:, :, [0, -1]] = True
    open_ones = np.unique(pieces[border])
    return np.asarray(np.isin(pieces, open_ones[open_ones > 0]))


def _markers(
    smooth: NDArray[np.float32],
    size: ToothSize,
    plus: FloatArray,
    minus: FloatArray,
    open_dark: NDArray[np.bool_],
) -> NDArray[np.int32]:
    """Mark the tooth at the clicks and everything that lies where this tooth cannot be."""
    markers = np.zeros(smooth.shape, np.int32)
    along, out = (np.arange(n) for n in smooth.shape[1:])
    middle = plus[0]
    far_along = np.abs(along - middle[1]) * GRID_MM > size.width_mm / 2 + 0.35 * size.width_mm
    far_out = np.abs(out - middle[2]) * GRID_MM > size.depth_mm / 2 + 2.6
    markers[:, far_along, :] = 2
    markers[:, :, far_out] = 2
    # Below the longest root this tooth can have, and over its crown, nothing belongs to it.
    markers[:3] = 2
    markers[-2:] = 2
    markers[open_dark] = 2
    for label, clicks in ((2, minus), (1, plus)):
        for click in clicks:
            markers[_near(smooth.shape, click, SEED_MM)] = label
            # A click in the pulp must start in the dentine round it: floods begin at the brightest places.
            bright = _near(smooth.shape, click, BRIGHT_SEED_MM) & (smooth > BRIGHT_SHARE) & (markers == 0)
            markers[bright] = label
    # The middle of the crown over the first click: enamel is brighter than the dentine that was clicked.
    i, j, k = np.round(middle).astype(int)
    core = np.zeros(smooth.shape, bool)
    half_along, half_out = round(0.25 * size.width_mm / GRID_MM), round(0.25 * size.depth_mm / GRID_MM)
    core[i : i + round(size.crown_mm / GRID_MM), j - half_along : j + half_along, k - half_out : k + half_out] = (
        True
    )
    markers[core & (smooth > BRIGHT_SHARE) & (markers == 0)] = 1
    return markers


def _near(shape: tuple[int, ...], place: FloatArray, within_mm: float) -> NDArray[np.bool_]:
    """Tell which voxels lie within so much of the voxel at a place."""
    off = [(np.arange(n) - round(float(p))) ** 2 for n, p in zip(shape, place, strict=True)]
    away = off[0][:, None, None] + off[1][None, :, None] + off[2][None, None, :]
    return np.asarray(away * GRID_MM**2 <= within_mm**2)


def _contacts(smooth: NDArray[np.float32], middle: FloatArray, size: ToothSize) -> tuple[int, int]:
    """Give the places along the arch where the crown meets its neighbours: the row of crowns is thinnest there."""
    low = max(0, round(middle[0]))
    high = low + round((size.crown_mm + 2.0) / GRID_MM)
    reach = round((size.depth_mm / 2 + 1.0) / GRID_MM)
    centre_out = round(middle[2])
    part = smooth[low:high, :, max(0, centre_out - reach) : centre_out + reach]
    area = ndimage.gaussian_filter1d((part > CONTACT_SHARE).sum(axis=(0, 2)).astype(np.float64), 1.0)
    half = size.width_mm / 2 / GRID_MM
    number = np.arange(len(area)) - middle[1]
    ends = []
    for side in (-1.0, 1.0):
        place = side * number
        allowed = (place > 0.6 * half) & (place < 1.5 * half)
        # A usual width breaks ties; an open contact leaves no hard tissue at all.
        score = area + 0.3 * area.max() * ((place - half) / half) ** 2
        ends.append(int(np.argmin(np.where(allowed, score, np.inf))))
    return ends[0], ends[1]


def _bite(smooth: NDArray[np.float32], middle: FloatArray, size: ToothSize) -> int:
    """Give the row where the crown ends or meets the opposing teeth: hard tissue is scarcest there."""
    half_along, half_out = round(0.4 * size.width_mm / GRID_MM), round(0.45 * size.depth_mm / GRID_MM)
    _, j, k = np.round(middle).astype(int)
    part = smooth[:, max(0, j - half_along) : j + half_along, max(0, k - half_out) : k + half_out]
    area = ndimage.gaussian_filter1d((part > CONTACT_SHARE).sum(axis=(1, 2)).astype(np.float64), 1.0)
    height = (np.arange(len(area)) - middle[0]) * GRID_MM / size.crown_mm
    allowed = (height > 0.35) & (height < 1.4)
    score = area + 0.3 * area.max() * (height - 0.9) ** 2
    return int(np.argmin(np.where(allowed, score, np.inf)))
