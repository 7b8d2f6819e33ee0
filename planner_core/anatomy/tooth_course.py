"""What a root must look like where the scan cannot be read: the readable part below, led on towards the crown.

A crown streaks its surroundings, and the neck of the root with them. From the last readable section up to the click
the root is taken for what it is below, growing as roots do; what grows out of it faster than a root can is a leak.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from skimage.morphology import convex_hull_image

from planner_core.anatomy.tooth_border import BRIGHT_SHARE
from planner_core.anatomy.tooth_grid import GRID_MM
from planner_core.anatomy.tooth_sizes import ToothSize
from planner_core.geometry.frames import FloatArray

UNREAD_LEVEL = 0.35
"""Degradation (0..1) from which a voxel of the root is not read (our choice, as `scan_check.READABLE_BELOW`)."""

READ_ROW_LEVEL = 0.15
"""A section is readable while the mean level in it is below this (our choice, tests/studies anatomy)."""

SECTION_MM = 1.2
"""Height of readable sections that the shape is taken from, mm (our choice)."""

LEAN_OVER_MM = 5.0
"""Length of the readable root that tells which way it leans, mm (our choice)."""

GROWTH_PER_MM = 0.04
"""How much wider a root gets per mm towards the neck, as a share of its width (our choice; measured on the teeth of
the simulated jaws)."""

SPREAD_PER_MM = 0.35
"""How far a root's wall moves outwards per mm towards the neck at most, mm per mm (our choice: a lean of 15 degrees
and its growth)."""

TIP_MM = 4.0
"""So near to the tip a section tells little of the root, mm (our choice: tips are round)."""

START_SHARE = 0.3
"""Where between tip and click a root is taken at its word (our choice: free of streaks and wide)."""

PLATE_SHARE = 0.5
"""What is thinner in a section than this share of its thickest part is no root (our choice: plates are 1 to 2 mm
thick, roots 3 to 6; tests/studies anatomy)."""

THIN_SHARE = 0.4
"""A part of a section whose thickest place has less than this share of the section's is no root (our choice)."""

CORE_SHARES = (0.25, 0.15)
"""Half the width of the core of a root below the click as a share of the crown's, at the click and further down
(our choice: inside any root that leans, and is not clicked right in its middle)."""

CORE_MM, MOLAR_CORE_MM = (3.0, 4.5), (1.8, 2.7)
"""How far below the click the core is taken for granted, and how far at most where nothing can be read, mm (our
choice: above the parting of a molar's roots, 3 mm below the neck)."""

CORE_END_MM, CORE_END_SHARE, MOLAR_END_SHARE = 1.0, 0.22, 0.38
"""Bright dentine within the first of the core's lower end (mm) and within this share of the crown's widths is the
root's: a flood from the pulp must not come too late (our choice; a molar's two roots lie a quarter of its width off
the middle)."""

LEAST_LEFT = 0.5
"""Where less than this share would be left, the middle was no root, and nothing is taken off (our choice)."""


def under_the_neck(
    smooth: NDArray[np.float32], size: ToothSize, click: FloatArray, level: NDArray[np.float32] | None
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Give the core of the root just below the click, down to where the scan can be read again.

    A dark streak under a crown would part the root from it. Second comes the bright dentine there.
    """
    rows, along, out = (np.arange(n) for n in smooth.shape)
    neck = round(float(click[0]))
    off = (along - click[1])[:, None] ** 2 / (size.width_mm / GRID_MM) ** 2
    off = np.sqrt(off + (out - click[2])[None, :] ** 2 / (size.depth_mm / GRID_MM) ** 2)
    taken, most = MOLAR_CORE_MM if size.is_molar else CORE_MM
    low, deepest = (neck - round(reach / GRID_MM) for reach in (taken, most))
    core = off <= CORE_SHARES[1]
    while level is not None and low > max(deepest, 0) and float(level[low][core].mean()) > UNREAD_LEVEL:
        low -= 1
    # It narrows downwards: a root leans, and is not clicked right in its middle.
    share = np.interp(neck - rows, [0.0, taken / GRID_MM], CORE_SHARES)
    core = ((rows >= low) & (rows <= neck))[:, None, None] & (off <= share[:, None, None])
    ends = np.abs(rows - low) <= CORE_END_MM / GRID_MM
    reach = MOLAR_END_SHARE if size.is_molar else CORE_END_SHARE
    return core, ends[:, None, None] & (off <= reach) & (smooth > BRIGHT_SHARE)


def led_on(mask: NDArray[np.bool_], level: NDArray[np.float32], click: FloatArray) -> NDArray[np.bool_]:
    """Replace what is not readable of a root, below the click, by its readable part led on.

    Parameters
    ----------
    mask : bool array of shape (rows, along, out)
        The tooth as found; rows run from the root to the crown.
    level : float array of that shape
        The scan check's level.
    click : array of shape (3,)
        Index of the first click.
    """
    rows = np.flatnonzero(mask.any(axis=(1, 2)))
    neck = min(round(float(click[0])), int(rows[-1])) if len(rows) else 0
    unread = (level > UNREAD_LEVEL)[: neck + 1]
    if not unread.any():
        return mask
    last = _last_readable(mask, level, rows, neck)
    if last is None:
        return mask
    size = round(SECTION_MM / GRID_MM)
    section = mask[last - size + 1 : last + 1].mean(axis=0) >= 0.5
    if _pieces(section) > 1:
        # Over the parting of two roots lies the trunk.
        section = convex_hull_image(section)
    if not section.any():
        return mask
    out = mask.copy()
    centre = np.argwhere(section).mean(axis=0)
    lean = _lean(mask, last, centre, click)
    for row in range(last + 1, neck + 1):
        led = _grown(section, centre, lean * (row - last), 1.0 + GROWTH_PER_MM * GRID_MM * (row - last))
        out[row] = np.where(unread[row], led, mask[row])
    return out


def without_bites(mask: NDArray[np.bool_], level: NDArray[np.float32], click: FloatArray) -> NDArray[np.bool_]:
    """Fill what is missing of a root's sections below the click where the scan cannot be read: roots are convex."""
    out = mask.copy()
    for row in range(round(float(click[0]))):
        unread = level[row] > READ_ROW_LEVEL
        if not (mask[row].any() and unread.any()):
            continue
        parts, count = ndimage.label(mask[row])
        for number in range(1, count + 1):
            if (parts == number).sum() > 3:
                out[row] |= convex_hull_image(parts == number) & unread
    return out


def _last_readable(
    mask: NDArray[np.bool_], level: NDArray[np.float32], rows: NDArray[np.intp], neck: int
) -> int | None:
    """Give the highest row up to which, from the root's middle on, the sections are readable."""
    least = int(rows[0]) + round(TIP_MM / GRID_MM)
    last = None
    for row in range(least, neck + 1):
        own = level[row][mask[row]]
        if len(own) == 0 or float(own.mean()) > READ_ROW_LEVEL:
            break
        last = row
    return last


def _lean(mask: NDArray[np.bool_], last: int, centre: FloatArray, click: FloatArray) -> FloatArray:
    """Give the shift of a section's centre per row: towards the click, or as the readable root leans."""
    if float(click[0]) - last > SECTION_MM / GRID_MM:
        return np.asarray((np.asarray(click)[1:] - centre) / (float(click[0]) - last))
    numbers = [row for row in range(max(0, last - round(LEAN_OVER_MM / GRID_MM)), last + 1) if mask[row].any()]
    middles = np.array([np.argwhere(mask[row]).mean(axis=0) for row in numbers])
    return np.asarray(np.polyfit(numbers, middles, 1)[0]) if len(numbers) > 3 else np.zeros(2)


def _grown(section: NDArray[np.bool_], centre: FloatArray, shift: FloatArray, scale: float) -> NDArray[np.bool_]:
    """Give a section, scaled about its centre and shifted (voxels)."""
    offset = centre - (centre + shift) / scale
    moved = ndimage.affine_transform(section.astype(np.float32), np.eye(2) / scale, offset, order=1)
    return np.asarray(moved >= 0.5)


def without_leaks(mask: NDArray[np.bool_], click: FloatArray) -> NDArray[np.bool_]:
    """Take off what spreads out of a root's middle, up to the click or down to the tip, faster than a root can."""
    rows = np.flatnonzero(mask.any(axis=(1, 2)))
    if not len(rows):
        return mask
    out = mask.copy()
    step = round(1.0 / SPREAD_PER_MM)
    low, high = int(rows[0]), min(round(float(click[0])), int(rows[-1]))
    middle = round(low + START_SHARE * (high - low))
    for towards, stop in ((1, high), (-1, low)):
        for row in range(middle + towards * step, stop + towards, towards):
            before = out[row - towards * step]
            if before.any():
                # Between two roots lies the trunk: a hull holds both.
                out[row] &= ndimage.binary_dilation(convex_hull_image(before), np.ones((3, 3)))
    return out if out.sum() >= LEAST_LEFT * mask.sum() else mask


def without_plates(mask: NDArray[np.bool_], click: FloatArray) -> NDArray[np.bool_]:
    """Take what is thin against the root off its sections below the click: a plate of bone that it leans on."""
    out = mask.copy()
    above: NDArray[np.bool_] | None = None
    for row in range(round(float(click[0])) - 1, -1, -1):
        if not out[row].any():
            continue
        # A streak can leave one root of two thinner than the other: each has its own thickest part.
        parts, count = ndimage.label(out[row])
        thickest = float(ndimage.distance_transform_edt(np.pad(out[row], 1)).max())
        for number in range(1, count + 1):
            deep = ndimage.distance_transform_edt(np.pad(parts == number, 1))
            radius = PLATE_SHARE * float(deep.max())
            if deep.max() < THIN_SHARE * thickest:
                out[row] &= parts != number
            elif radius >= 1.0:
                kept = ndimage.distance_transform_edt(deep <= radius) <= radius
                out[row] &= kept[1:-1, 1:-1] | (parts != number)
        if above is not None:
            pieces, _ = ndimage.label(out[row])
            out[row] &= np.isin(pieces, np.unique(pieces[above & out[row]]))
        if out[row].any():
            above = out[row]
    return out


def _pieces(section: NDArray[np.bool_]) -> int:
    """Give the number of separate parts of a section, crumbs left out."""
    pieces, count = ndimage.label(ndimage.binary_opening(section))
    sizes = np.bincount(pieces.ravel())[1:] if count else np.zeros(0)
    return int((sizes > 0.15 * sizes.sum()).sum())
