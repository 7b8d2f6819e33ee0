"""The slices of one series: of one kind, each place once, in order, and what is wrong with them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np
from attrs import frozen

from planner_core.errors import PlannerError
from planner_core.imaging import dicom_pixels, slice_geometry
from planner_core.imaging.dicom_header import ImageHeader
from planner_core.imaging.slice_geometry import Stack

LEAST_VOXEL_MM, LARGEST_VOXEL_MM = 0.005, 20.0
"""Voxels outside this range are not of a scan of a person (our choice, wide: from micro-CT to whole-body CT)."""

ODD_FRAMES = 3
"""Frames of another size or orientation that are left out as a scout, at most (our choice)."""


@frozen(eq=False)
class SeriesSlice:
    """One frame of one file."""

    header: ImageHeader
    frame: int


def slices_of(headers: Iterable[ImageHeader]) -> list[SeriesSlice]:
    """Give every frame of the files, in the order of the files."""
    return [SeriesSlice(header, frame) for header in headers for frame in range(header.frames)]


def one_kind(slices: list[SeriesSlice]) -> tuple[list[SeriesSlice], int]:
    """Keep the frames of the commonest size and orientation; more than a few others make the series mixed."""
    orientations = np.array([part.header.orientations[part.frame] for part in slices])
    if not np.isfinite(orientations).all():
        raise PlannerError(
            "The slices do not say where they lie in the patient.", "Export the scan again as a DICOM volume."
        )
    numbers = slice_geometry.same_orientation(orientations)
    sizes = [(part.header.rows, part.header.columns) for part in slices]
    common_size = Counter(sizes).most_common(1)[0][0]
    keep = [
        part
        for part, number, size in zip(slices, numbers, sizes, strict=True)
        if number == 0 and size == common_size
    ]
    others = len(slices) - len(keep)
    if others > ODD_FRAMES or (others and len(keep) < 10 * others):
        raise PlannerError(
            f"The series mixes slices of different orientation or size: {len(keep)} of one kind, "
            f"{others} of others.",
            "Export the volume as a series of its own.",
        )
    return keep, others


def voxel_spacing(slices: list[SeriesSlice]) -> tuple[float, float]:
    """Give the distance of rows and of columns, the same for all slices."""
    spacings = np.array([part.header.spacings_mm[part.frame] for part in slices])
    if not np.isfinite(spacings).all() or spacings.min() <= 0:
        raise PlannerError("The slices do not give the size of their voxels.", "Export the scan again.")
    if not LEAST_VOXEL_MM <= spacings.min() <= spacings.max() <= LARGEST_VOXEL_MM:
        raise PlannerError(
            f"The voxels would be {spacings.min():.3g} to {spacings.max():.3g} mm wide, which no scan of a jaw is.",
            "The header is damaged; export the scan again.",
        )
    if np.ptp(spacings, axis=0).max() > 1e-3 * spacings.min():
        raise PlannerError(
            f"The slices have different voxel sizes ({spacings.min():.3f} to {spacings.max():.3f} mm).",
            "Export the volume as a series of its own.",
        )
    return float(spacings[0, 0]), float(spacings[0, 1])


def without_doubles(slices: list[SeriesSlice]) -> tuple[list[SeriesSlice], int]:
    """Leave out true copies of a slice; two different slices in one place are refused."""
    positions = np.array([part.header.positions_lps_mm[part.frame] for part in slices])
    if not np.isfinite(positions).all():
        raise PlannerError(
            "Some slices do not say where they lie in the patient.", "Export the scan again as a DICOM volume."
        )
    orientation = slices[0].header.orientations[slices[0].frame]
    drop: set[int] = set()
    clashes = 0
    for group in slice_geometry.same_positions(positions, orientation):
        first, *rest = group
        if all(_same_picture(slices[first], slices[other]) for other in rest):
            drop.update(rest)
        else:
            clashes += 1
    if clashes:
        raise PlannerError(
            f"{clashes} place{'s are' if clashes > 1 else ' is'} taken by several different slices: "
            "the series holds more than one volume, or none.",
            "Export each volume as a series of its own.",
        )
    return [part for index, part in enumerate(slices) if index not in drop], len(drop)


def _same_picture(a: SeriesSlice, b: SeriesSlice) -> bool:
    """Whether two slices are the same picture; identifiers prove nothing, some programs write them twice."""
    return bool(
        np.array_equal(dicom_pixels.read_frame(a.header, a.frame), dicom_pixels.read_frame(b.header, b.frame))
    )


def arrange_slices(slices: list[SeriesSlice]) -> Stack:
    """Put slices of one orientation in order and measure how they are stacked."""
    positions = np.array([part.header.positions_lps_mm[part.frame] for part in slices])
    thicknesses = np.array([part.header.thicknesses_mm[part.frame] for part in slices])
    return slice_geometry.arrange(positions, slices[0].header.orientations[slices[0].frame], thicknesses)


def problem_of(stack: Stack) -> tuple[str, bool]:
    """Why a stack cannot be taken as it is, and whether resampling helps."""
    if len(stack.order) < 2:
        return "The series has only one slice", False
    if stack.gaps:
        return slice_geometry.missing_words(stack)[:1].upper() + slice_geometry.missing_words(stack)[1:], False
    if not stack.straight and stack.tilted:
        return "The slices do not lie on one line: the series was put together from several", False
    reasons = []
    if stack.tilted:
        reasons.append(f"the slices are tilted by {stack.tilt_deg:.1f} degrees against their stacking direction")
    if not stack.even:
        reasons.append(slice_geometry.steps_words(stack))
    sentence = " and ".join(reasons)
    return sentence[:1].upper() + sentence[1:], bool(reasons)
