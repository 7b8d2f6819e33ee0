"""What a clinician should know about a volume as it came in, whatever format it came from."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey

LARGEST_VOXEL_MM = 0.4
"""Voxel from which the canal's wall and thin bone are no longer resolved (common practice, no source)."""

CLIPPED_SHARE = 2e-4
"""Share of voxels at the end of the scale from which greys count as clipped (our choice: one filling)."""

JAW_BREADTH_MM = (40.0, 190.0)
"""Breadth that the bone of one jaw or head can have when all of it is in the picture (our choice, wide: adult
dental arches are 55 to 70 mm, adult heads up to 165 mm broad; common practice, no source)."""

GRID_MM = 1.5
"""Spacing of the grid on which size and borders are judged (our choice)."""

TOOTH_FROM = 2.0
"""Teeth lie this many air-to-soft distances above soft tissue and higher (NIST XCOM at 60 keV: enamel; M)."""

CUT_TOOTH_MM3 = 20.0
"""Volume of tooth-dense voxels on one side of the field of view from which the arch is cut there (our choice: a
tenth of a crown)."""


def findings_of(volume: Volume) -> tuple[Finding, ...]:
    """Judge voxel size, clipping, scale and field of view of an imported volume."""
    findings = _voxel(volume)
    try:
        grey = calibrate_grey(volume)
    except PlannerError as error:
        return (*findings, Finding(Severity.WARNING, "no-tissue", error.message))
    coarse, spacing = _thinned(volume)
    inside = _field_of_view(coarse)
    return (
        *findings,
        *_clipped(volume, grey),
        *_breadth(volume, coarse, spacing, inside, grey),
        *_cut_arch(volume, coarse, spacing, inside, grey),
    )


def _voxel(volume: Volume) -> tuple[Finding, ...]:
    largest = max(volume.spacing_mm)
    if largest <= LARGEST_VOXEL_MM + 1e-6:
        return ()
    a, b, c = volume.spacing_mm
    return (
        Finding(
            Severity.WARNING,
            "coarse-voxel",
            f"The voxels measure {a:.2f} x {b:.2f} x {c:.2f} mm; above {LARGEST_VOXEL_MM} mm the canal's wall "
            "and thin bone are not resolved.",
        ),
    )


def _thinned(volume: Volume) -> tuple[NDArray[np.float32], FloatArray]:
    """Every n-th voxel, about 1 mm apart, as grey values."""
    steps = [
        min(max(1, round(GRID_MM / spacing)), count)
        for spacing, count in zip(volume.spacing_mm, volume.shape, strict=True)
    ]
    part = volume.stored[tuple(slice(step // 2, None, step) for step in steps)]
    return volume.grey(part), np.array(volume.spacing_mm) * steps


def _field_of_view(coarse: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Voxels inside the picture: not the constant that fills the outside of a round field of view."""
    corners = [float(coarse[k, i, j]) for k in (0, -1) for i in (0, -1) for j in (0, -1)]
    value = max(set(corners), key=corners.count)
    filled = coarse == value
    # Real air has noise; only an exact constant over a good part of the picture is filling.
    return ~filled if corners.count(value) >= 6 and filled.mean() > 0.05 else np.ones(coarse.shape, dtype=bool)


def _clipped(volume: Volume, grey: GreyLevels) -> tuple[Finding, ...]:
    if not grey.saturated:
        return ()
    top = int(volume.stored.max() if volume.scale > 0 else volume.stored.min())
    count = int(np.count_nonzero(volume.stored == top))
    if count < CLIPPED_SHARE * volume.stored.size:
        return ()
    return (
        Finding(
            Severity.NOTE,
            "clipped-grey",
            f"{count} voxels ({100.0 * count / volume.stored.size:.2f} %) lie at the highest grey value "
            f"{grey.highest:.0f}: the scanner cut what is denser.",
        ),
    )


def _breadth(
    volume: Volume,
    coarse: NDArray[np.float32],
    spacing: FloatArray,
    inside: NDArray[np.bool_],
    grey: GreyLevels,
) -> tuple[Finding, ...]:
    """Compare the breadth of the largest bone with what a jaw can have, if all of it is in the picture."""
    bodies, count = ndimage.label((coarse > grey.bone_threshold) & inside)
    if count == 0:
        return ()
    sizes = np.bincount(bodies.ravel())[1:]
    largest = int(np.argmax(sizes)) + 1
    box = ndimage.find_objects(bodies)[largest - 1]
    index = np.argwhere(bodies[box] == largest) + [part.start for part in box]
    across = int(np.argmax(np.abs(volume.lps_from_index[0, :3]) / np.array(volume.spacing_mm)))
    breadth = float((np.ptp(index[:, across]) + 1) * spacing[across])
    whole = _is_whole(index, across, inside, _side_border(volume, inside))
    too_small = whole and breadth < JAW_BREADTH_MM[0]
    if breadth <= JAW_BREADTH_MM[1] and not too_small:
        return ()
    return (
        Finding(
            Severity.WARNING,
            "scale-impossible",
            f"The bone is {breadth:.0f} mm broad, which no jaw is "
            f"({JAW_BREADTH_MM[0]:.0f} to {JAW_BREADTH_MM[1]:.0f} mm): the voxel size cannot be right.",
        ),
    )


def _side_border(volume: Volume, inside: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The outermost two voxels of the field of view within each axial plane."""
    if inside.all():
        return _box_border(volume, inside.shape)
    axial = _axial(volume)
    structure = np.moveaxis(ndimage.generate_binary_structure(3, 1), axial, 0).copy()
    structure[0] = structure[2] = False
    border: NDArray[np.bool_] = inside & ~ndimage.binary_erosion(
        inside, np.moveaxis(structure, 0, axial), iterations=2
    )
    return border


def _box_border(volume: Volume, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    axial = _axial(volume)
    border = np.ones(shape, dtype=bool)
    border[tuple(slice(None) if axis == axial else slice(2, -2) for axis in range(3))] = False
    return border


def _axial(volume: Volume) -> int:
    """The index axis nearest to head-foot."""
    return int(np.argmax(np.abs(volume.lps_from_index[2, :3]) / np.array(volume.spacing_mm)))


def _is_whole(index: AnyArray, across: int, inside: NDArray[np.bool_], border: NDArray[np.bool_]) -> bool:
    """Whether a body, given by its voxels, ends inside the field of view on both sides."""
    first, last = index[:, across].min(), index[:, across].max()
    ends = index[(index[:, across] == first) | (index[:, across] == last)]
    at_border = border[tuple(ends.T)].any()
    return bool(not at_border and first > 1 and last < inside.shape[across] - 2)


def _cut_arch(
    volume: Volume,
    coarse: NDArray[np.float32],
    spacing: FloatArray,
    inside: NDArray[np.bool_],
    grey: GreyLevels,
) -> tuple[Finding, ...]:
    """Look for teeth on the sides of the field of view; its top and bottom often cut the other jaw."""
    teeth = (coarse > grey.soft_tissue + TOOTH_FROM * grey.contrast) & inside
    voxel = float(np.prod(spacing))
    sides = []
    found = np.argwhere(teeth & _side_border(volume, inside))
    if len(found) == 0:
        return ()
    centre = (np.array(coarse.shape) - 1) / 2.0
    lps = (found - centre) * spacing @ (volume.lps_from_index[:3, :3] / np.array(volume.spacing_mm)).T
    side = np.where(
        np.abs(lps[:, 0]) >= np.abs(lps[:, 1]), np.where(lps[:, 0] > 0, 0, 1), np.where(lps[:, 1] > 0, 2, 3)
    )
    for number, name in enumerate(("the left", "the right", "the back", "the front")):
        if np.count_nonzero(side == number) * voxel >= CUT_TOOTH_MM3:
            sides.append(name)
    if not sides:
        return ()
    return (
        Finding(
            Severity.WARNING,
            "arch-cut",
            f"The field of view ends inside the arch at {' and '.join(sides)}: teeth there are cut off.",
        ),
    )
