"""Puts tilted or unevenly spaced slices onto an even grid along their own normal."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.slice_geometry import Stack
from planner_core.progress import Progress, silent

LARGEST_GROWTH = 3.0
"""The even grid has at most this many times the voxels of the slices given (our choice; tilt needs more rows)."""


def resample_stack(
    planes: NDArray[np.int16],
    stack: Stack,
    row_spacing_mm: float,
    column_spacing_mm: float,
    outside: int,
    progress: Progress = silent,
) -> tuple[NDArray[np.int16], FloatArray]:
    """Interpolate sorted slices linearly onto an even, untilted grid.

    Parameters
    ----------
    planes : int16 array of shape (n, rows, columns)
        In the order of `stack`.
    stack : Stack
    row_spacing_mm, column_spacing_mm : float
        Distance of rows and of columns.
    outside : int
        Stored value where no slice reaches.

    Returns
    -------
    stored : int16 array of shape (m, rows', columns')
    lps_from_index : array of shape (4, 4)

    Raises
    ------
    PlannerError
        If slices are missing or the grid would grow beyond reason.
    """
    if stack.gaps or len(planes) < 2:
        raise PlannerError("Missing slices cannot be made up.", "Export the whole series again.")
    relative = stack.origins_lps_mm - stack.origins_lps_mm[0]
    height = relative @ stack.normal
    shift_rows = relative @ stack.along_column / row_spacing_mm
    shift_columns = relative @ stack.along_row / column_spacing_mm
    first_row, first_column = float(shift_rows.min()), float(shift_columns.min())
    rows = planes.shape[1] + int(np.ceil(float(shift_rows.max()) - first_row - 1e-6))
    columns = planes.shape[2] + int(np.ceil(float(shift_columns.max()) - first_column - 1e-6))
    count = int(np.floor(float(height[-1]) / stack.step_mm + 1e-3)) + 1
    if count * rows * columns > LARGEST_GROWTH * planes.size + 1e6:
        raise PlannerError(
            f"An even grid for these slices would need {count} x {rows} x {columns} voxels.",
            "Export the scan again without tilt.",
        )
    shifts = np.stack([shift_rows - first_row, shift_columns - first_column], axis=1)
    out = np.empty((count, rows, columns), dtype=np.int16)
    for k in range(count):
        progress(k / count, f"Resampling slice {k + 1} of {count}")
        out[k] = _plane_at(planes, height, shifts, k * stack.step_mm, (rows, columns), outside)
    affine = np.eye(4)
    affine[:3, 0] = stack.normal * stack.step_mm
    affine[:3, 1] = stack.along_column * row_spacing_mm
    affine[:3, 2] = stack.along_row * column_spacing_mm
    affine[:3, 3] = (
        stack.origins_lps_mm[0]
        + first_row * row_spacing_mm * stack.along_column
        + first_column * column_spacing_mm * stack.along_row
    )
    return out, affine


def _plane_at(
    planes: NDArray[np.int16],
    height: FloatArray,
    shifts: FloatArray,
    wanted_mm: float,
    shape: tuple[int, int],
    outside: int,
) -> NDArray[np.int16]:
    """One plane of the even grid, blended from the slices below and above it."""
    upper = int(np.clip(np.searchsorted(height, wanted_mm), 1, len(height) - 1))
    lower = upper - 1
    weight = float(np.clip((wanted_mm - height[lower]) / (height[upper] - height[lower]), 0.0, 1.0))
    total = np.zeros(shape, dtype=np.float32)
    for index, share in ((lower, 1.0 - weight), (upper, weight)):
        if share > 1e-6:
            total += np.float32(share) * _moved(planes[index], shifts[index], shape, outside)
    return np.clip(np.rint(total), -32768, 32767).astype(np.int16)


def _moved(
    plane: NDArray[np.int16], shift: FloatArray, shape: tuple[int, int], outside: int
) -> NDArray[np.float32]:
    """A slice on the common rows and columns; linear between voxels."""
    moved: NDArray[np.float32] = ndimage.affine_transform(
        plane.astype(np.float32),
        np.ones(2),
        offset=-shift,
        output_shape=shape,
        order=1,
        mode="constant",
        cval=float(outside),
    )
    return moved
