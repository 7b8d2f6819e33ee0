"""Where the slices of a series really lie, judged from their positions and never from tags about spacing or tilt.

A series is taken as it is only if its slices are parallel, evenly spaced and stacked along their own normal. What
else may be is named with its numbers: slices that are missing, positions that are taken twice, uneven steps, tilt.
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly

DIRECTION_TOLERANCE = 1e-3
"""Largest difference of direction cosines within one orientation (our choice: 0.06 degrees)."""

MOST_ORIENTATIONS = 64
"""Orientations told apart in one series, at most (our choice: beyond, it is no volume anyway)."""

STEP_TOLERANCE = 0.02
"""Steps count as even within this share of the commonest one, or `STEP_TOLERANCE_MM` (our choice: positions are
written with rounding; over 400 slices it cannot add up, since positions are absolute)."""

STEP_TOLERANCE_MM = 0.01
"""The same in mm, for fine steps."""

SAME_POSITION_MM = 1e-3
"""Slices nearer than this lie in the same place (our choice: a thousandth of a voxel's order)."""

MULTIPLE_TOLERANCE = 0.05
"""A step is a whole multiple of the commonest if it is within this share of one (our choice)."""

UNEVEN_SHARE = 0.1
"""From this share of odd steps on, a series is uneven rather than incomplete (our choice; only with slices that are
as thick as the steps between them)."""

SHIFT_TOLERANCE_MM = 0.1
"""Sideways shift over the whole stack from which a series is tilted (our choice: a quarter of a usual voxel)."""

STRAIGHT_TOLERANCE_MM = 0.1
"""Distance of the slices' origins from a straight line from which they are no stack at all (our choice)."""


@frozen
class Gap:
    """Slices missing after one slice of the sorted series (index from 0)."""

    after: int
    missing: int
    step_mm: float


@frozen(eq=False)
class Stack:
    """The slices of a series in order along their normal.

    Parameters
    ----------
    order : int array of shape (n,)
        Indices of the frames given, lowest first along the normal.
    along_row, along_column, normal : arrays of shape (3,)
        Unit directions in LPS; the normal is row x column.
    origins_lps_mm : array of shape (n, 3)
        Sorted.
    steps_mm : array of shape (n - 1,)
        Along the normal.
    step_mm : float
        The commonest step.
    tilt_deg : float
        Angle between the line of origins and the normal.
    sideways_mm : float
        How far the last slice is shifted sideways against the first.
    gaps : tuple of Gap
    even : bool
        All steps alike.
    straight : bool
        The origins lie on one line.
    """

    order: NDArray[np.int64]
    along_row: FloatArray = field(converter=readonly)
    along_column: FloatArray = field(converter=readonly)
    normal: FloatArray = field(converter=readonly)
    origins_lps_mm: FloatArray = field(converter=readonly)
    steps_mm: FloatArray = field(converter=readonly)
    step_mm: float
    tilt_deg: float
    sideways_mm: float
    gaps: tuple[Gap, ...]
    even: bool
    straight: bool

    @property
    def tilted(self) -> bool:
        """Whether the slices are shifted sideways against each other by more than a voxel can hide."""
        return self.sideways_mm > SHIFT_TOLERANCE_MM

    @property
    def regular(self) -> bool:
        """Whether the slices make a plain box of voxels."""
        return self.even and self.straight and not self.tilted and not self.gaps


def directions(orientation: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give unit vectors along a row, along a column and along the normal from the six direction cosines.

    Raises
    ------
    PlannerError
        If they are missing or not perpendicular.
    """
    along_row, along_column = orientation[:3], orientation[3:]
    lengths = np.linalg.norm(along_row), np.linalg.norm(along_column)
    if not np.isfinite(orientation).all() or min(lengths) < 0.5:
        raise PlannerError("The slices do not say how they lie.", "Export the scan again as a DICOM volume.")
    along_row, along_column = along_row / lengths[0], along_column / lengths[1]
    skew = float(along_row @ along_column)
    if abs(skew) > 1e-2:
        raise PlannerError(
            f"Rows and columns of the slices are not perpendicular ({np.degrees(np.arccos(skew)):.1f} degrees).",
            "Export the scan again as a DICOM volume.",
        )
    # Headers round their cosines; make the frame exactly orthonormal, keeping the row's direction.
    along_column = along_column - skew * along_row
    along_column = along_column / np.linalg.norm(along_column)
    return along_row, along_column, np.cross(along_row, along_column)


def same_orientation(orientations: FloatArray) -> NDArray[np.int64]:
    """Number the orientations: frames with the same number are parallel, commonest number is 0; shape (n,)."""
    numbers = np.full(len(orientations), -1, dtype=np.int64)
    kinds: list[FloatArray] = []
    for index, orientation in enumerate(orientations):
        for number, kind in enumerate(kinds):
            if np.abs(orientation - kind).max() <= DIRECTION_TOLERANCE:
                numbers[index] = number
                break
        else:
            if len(kinds) >= MOST_ORIENTATIONS:
                raise PlannerError(
                    f"The slices lie in more than {MOST_ORIENTATIONS} directions.", "This series is no volume."
                )
            numbers[index] = len(kinds)
            kinds.append(orientation)
    by_size = np.argsort(-np.bincount(numbers), kind="stable")
    return np.asarray(np.argsort(by_size)[numbers], dtype=np.int64)


def same_positions(origins_mm: FloatArray, orientation: FloatArray) -> list[list[int]]:
    """Give groups of frames, by index, that lie in the same place along the normal; groups of one are left out."""
    normal = directions(orientation)[2]
    along = origins_mm @ normal
    order = np.argsort(along, kind="stable")
    breaks = np.flatnonzero(np.diff(along[order]) > SAME_POSITION_MM) + 1
    return [sorted(int(k) for k in group) for group in np.split(order, breaks) if len(group) > 1]


def arrange(origins_mm: FloatArray, orientation: FloatArray, thicknesses_mm: FloatArray) -> Stack:
    """Put slices in order and measure how they are stacked.

    Parameters
    ----------
    origins_mm : array of shape (n, 3)
        LPS; no two in the same place.
    orientation : array of shape (6,)
    thicknesses_mm : array of shape (n,)
        nan where unknown; used only to tell thick slices from missing ones.
    """
    along_row, along_column, normal = directions(orientation)
    if not np.isfinite(origins_mm).all():
        raise PlannerError("Some slices do not say where they lie.", "Export the scan again as a DICOM volume.")
    along = origins_mm @ normal
    order = np.argsort(along, kind="stable")
    origins = origins_mm[order]
    steps = np.diff(along[order])
    if len(steps) == 0:
        return Stack(order, along_row, along_column, normal, origins, steps, 0.0, 0.0, 0.0, (), True, True)
    step = _commonest(steps)
    tolerance = max(STEP_TOLERANCE * step, STEP_TOLERANCE_MM)
    odd = np.abs(steps - step) > tolerance
    line = origins[-1] - origins[0]
    sideways = line - (line @ normal) * normal
    tilt = float(np.degrees(np.arctan2(np.linalg.norm(sideways), line @ normal)))
    share = ((along[order] - along[order[0]]) / (line @ normal))[:, np.newaxis]
    off_line = origins - origins[0] - share * line
    straight = bool(np.linalg.norm(off_line, axis=1).max() <= STRAIGHT_TOLERANCE_MM)
    gaps = _gaps(steps, step, odd, thicknesses_mm[order])
    return Stack(
        order,
        along_row,
        along_column,
        normal,
        origins,
        steps,
        step,
        tilt,
        float(np.linalg.norm(sideways)),
        gaps,
        not odd.any(),
        straight,
    )


def _commonest(steps: FloatArray) -> float:
    """The step with most others within tolerance of it; their mean."""
    ordered = np.sort(steps)
    tolerance = np.maximum(STEP_TOLERANCE * ordered, STEP_TOLERANCE_MM)
    first = np.searchsorted(ordered, ordered - tolerance, side="left")
    last = np.searchsorted(ordered, ordered + tolerance, side="right")
    # Among equals the smaller step: a gap is a multiple of it, never the other way round.
    best = int(np.argmax(last - first))
    return float(ordered[first[best] : last[best]].mean())


def _gaps(steps: FloatArray, step: float, odd: NDArray[np.bool_], thicknesses: FloatArray) -> tuple[Gap, ...]:
    """Steps between which slices are missing.

    A long step is a gap unless the series is uneven as a whole and the slices on both sides are as thick as it.
    """
    gaps = []
    uneven = odd.mean() >= UNEVEN_SHARE
    for index in np.flatnonzero(steps > 1.5 * step):
        covered = np.nanmin(np.append(thicknesses[index : index + 2], np.inf)) >= 0.9 * steps[index]
        known = np.isfinite(thicknesses[index : index + 2]).all()
        multiple = round(float(steps[index] / step))
        whole = abs(steps[index] / step - multiple) <= MULTIPLE_TOLERANCE * multiple
        if uneven and known and covered and not (whole and odd.sum() == 1):
            continue
        gaps.append(Gap(int(index), max(1, multiple - 1), float(steps[index])))
    return tuple(gaps)


def missing_words(stack: Stack) -> str:
    """Say how many slices are missing and where, for people (slices counted from 1)."""
    total = sum(gap.missing for gap in stack.gaps)
    places = [
        f"{gap.missing} after slice {gap.after + 1} ({gap.step_mm:.2f} mm instead of {stack.step_mm:.2f} mm)"
        for gap in stack.gaps[:4]
    ]
    more = f" and {len(stack.gaps) - 4} more places" if len(stack.gaps) > 4 else ""
    return f"{total} slice{'s are' if total > 1 else ' is'} missing: {', '.join(places)}{more}"


def steps_words(stack: Stack) -> str:
    """Say how uneven the steps are."""
    tolerance = max(STEP_TOLERANCE * stack.step_mm, STEP_TOLERANCE_MM)
    odd = int((np.abs(stack.steps_mm - stack.step_mm) > tolerance).sum())
    return (
        f"{odd} of {len(stack.steps_mm)} steps between slices differ from the usual {stack.step_mm:.2f} mm "
        f"({stack.steps_mm.min():.2f} to {stack.steps_mm.max():.2f} mm)"
    )
