"""Markers and other small dense bodies that stand alone: not so dense, but nothing grows like that."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies_kind import MARKER_MM, axes_mm
from planner_core.imaging.grey_scale import GreyLevels

FROM_SOFT = 1.3
"""Outline of a small body, in soft-to-bone distances above soft tissue: glass-ceramic lies at 4.4 at 60 keV,
half of it after the blur of a 1.6 mm ball (FACTS.md section 8; simulated mouths 1.8 to 2.7)."""

PEAK_FROM_SOFT = 1.6
"""Least density of its middle (same source)."""

SMALL_MM3 = (0.9, 9.0)
"""Volume within that outline: balls of 1.5 to 2 mm have 1.8 to 4.2 mm3 (our choice)."""

APART_BELOW = 0.7
"""What surrounds it must stay below this, in the same unit: cusps and bone do not stand alone (our choice)."""

SHELL_MM = 1.4
"""Thickness of the surroundings looked at (our choice)."""

SLAB_MM = 10.0
"""Slices are looked at in slabs of this height, so that labels take little memory (our choice)."""

ABOVE_NOISE = 8.0
"""Its middle stands out from soft tissue by this many standard deviations of the noise (our choice)."""


def small_bodies(
    volume: Volume,
    grey: GreyLevels,
    taken: NDArray[np.bool_] | None = None,
    less: Callable[[Volume], Volume] | None = None,
) -> list[NDArray[np.intp]]:
    """Give the voxels (n, 3) of each small dense body that stands alone inside the scan.

    Parameters
    ----------
    volume : Volume
    grey : GreyLevels
    taken : bool array of the volume's shape, optional
        Voxels that belong to restorations already.
    less : callable, optional
        Takes off the streaks of some slices: they darken markers and tie them to their surroundings.
    """
    contrast = grey.bone - grey.soft_tissue
    if contrast * PEAK_FROM_SOFT < ABOVE_NOISE * grey.noise_sd:
        return []
    found = []
    count, step = volume.shape[0], volume.spacing_mm[0]
    core, pad = max(1, round(SLAB_MM / step)), int(np.ceil((MARKER_MM + SHELL_MM) / step)) + 1
    for start in range(0, count, core):
        low, high = max(start - pad, 0), min(start + core + pad, count)
        shifted = np.array(volume.lps_from_index)
        shifted[:3, 3] += low * shifted[:3, 0]
        slab = Volume(volume.stored[low:high], shifted, volume.scale, volume.offset)
        slab = slab if less is None else less(slab)
        ends = (low == 0, high == count)
        for voxels in _in_slab(slab, grey, None if taken is None else taken[low:high], ends):
            if start <= float(voxels[:, 0].mean()) + low < start + core:
                found.append(voxels + np.array([low, 0, 0]))
    return found


def _in_slab(
    volume: Volume, grey: GreyLevels, taken: NDArray[np.bool_] | None, ends: tuple[bool, bool]
) -> list[NDArray[np.intp]]:
    """Look in some slices; `ends` tells which of the first and the last slice are those of the scan."""
    contrast = grey.bone - grey.soft_tissue
    stored_from = (grey.soft_tissue + FROM_SOFT * contrast - volume.offset) / volume.scale
    mask = volume.stored >= stored_from if volume.scale > 0 else volume.stored <= stored_from
    labels, count = ndimage.label(mask)
    sizes = np.bincount(labels[mask], minlength=count + 1) * volume.voxel_volume_mm3
    boxes = ndimage.find_objects(labels)
    margin = [int(np.ceil(SHELL_MM / s)) for s in volume.spacing_mm]
    found = []
    for number in np.flatnonzero((sizes >= SMALL_MM3[0]) & (sizes <= SMALL_MM3[1])):
        box = boxes[number - 1] if number else None
        if box is None or not _away_from_rim(box, margin, volume.shape, ends):
            continue
        if _stands_alone(volume, grey, labels, int(number), box, margin, taken):
            found.append(np.argwhere(labels[box] == number) + np.array([s.start for s in box]))
    return found


def _away_from_rim(
    box: tuple[slice, ...], margin: list[int], shape: tuple[int, int, int], ends: tuple[bool, bool]
) -> bool:
    """Tell whether a box keeps its margin; what touches the cut of a slab is left to the next slab."""
    return all(s.start >= m and s.stop + m <= n for s, m, n in zip(box, margin, shape, strict=True)) and (
        all(ends) or box[0].stop - box[0].start < shape[0]
    )


def _stands_alone(
    volume: Volume,
    grey: GreyLevels,
    labels: NDArray[np.int32],
    number: int,
    box: tuple[slice, ...],
    margin: list[int],
    taken: NDArray[np.bool_] | None,
) -> bool:
    """Tell whether a component is small, compact, dense in its middle, and surrounded by nothing dense."""
    part = tuple(slice(s.start - m, s.stop + m) for s, m in zip(box, margin, strict=True))
    if taken is not None and taken[part].any():
        return False
    mine = labels[part] == number
    contrast = grey.bone - grey.soft_tissue
    density = (volume.grey(volume.stored[part]) - grey.soft_tissue) / contrast
    if float(density[mine].max()) < PEAK_FROM_SOFT:
        return False
    places = np.argwhere(mine) * np.array(volume.spacing_mm)
    length, _, thin = axes_mm(places)
    if length > MARKER_MM or thin < 0.5 * length:
        return False
    away = ndimage.distance_transform_edt(~mine, sampling=volume.spacing_mm)
    shell = (away > 0.5 * SHELL_MM) & (away <= SHELL_MM)
    return bool(np.quantile(density[shell], 0.95) < APART_BELOW)
