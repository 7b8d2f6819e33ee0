"""Arrays from other formats as volumes."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.volume import Volume

MOST_BYTES = 6 * 1024**3
"""Voxels of one file, in bytes, at most (our choice)."""

MOST_RATIO, LARGE_RATIO = 1100, 100
"""Deflate packs 1032 to 1 at best (RFC 1951), and no scan of more than LARGE_BYTES packs better than 100 to 1
(our choice; seen: 2 to 10)."""

LARGE_BYTES = 512 * 1024**2
"""From this size on a file must look like a scan, not like a bomb (our choice)."""


def most_bytes(packed_size: int) -> int:
    """Give how many bytes of voxels a file of that size may claim, packed as well as can be."""
    return min(MOST_BYTES, MOST_RATIO * packed_size, max(LARGE_BYTES, LARGE_RATIO * packed_size))


def from_numbers(
    numbers: AnyArray,
    lps_from_column_row_slice: FloatArray,
    slope: float = 1.0,
    intercept: float = 0.0,
    *,
    keep_order: bool = False,
) -> tuple[Volume, tuple[Finding, ...]]:
    """Make a volume from an array indexed (column, row, slice), as NIfTI, NRRD and MetaImage keep it.

    Parameters
    ----------
    numbers : array of shape (columns, rows, slices)
        Any integer or floating type and byte order.
    lps_from_column_row_slice : array of shape (4, 4)
    slope, intercept : float
        ``grey = slope * number + intercept``.
    keep_order : bool
        Take the third axis as slices, whatever its direction.

    Raises
    ------
    PlannerError
        If there are no finite numbers, or the axes do not span space.
    """
    matrix = np.asarray(lps_from_column_row_slice, dtype=np.float64)
    if not np.isfinite(matrix).all() or abs(np.linalg.det(matrix[:3, :3])) < 1e-9:
        raise PlannerError("The file's axes do not span space.", "Export the scan again.")
    # The slice axis is the one nearest to head-foot, so that slices are axial wherever the file allows it.
    axes = (2, 1, 0) if keep_order else axial_first(matrix)
    array = np.transpose(numbers, axes)
    affine = np.eye(4)
    affine[:3, :3] = matrix[:3, list(axes)]
    affine[:3, 3] = matrix[:3, 3]
    stored, scale, offset, findings = _as_int16(array)
    return Volume(stored, affine, slope * scale, slope * offset + intercept), findings


def axial_first(lps_from_index: FloatArray) -> tuple[int, int, int]:
    """Order of axes: slices along the head-foot axis, then rows along front-back, then columns along left-right."""
    matrix = lps_from_index[:3, :3]
    share = np.abs(matrix) / np.linalg.norm(matrix, axis=0)
    slices = int(np.argmax(share[2]))
    rest = [axis for axis in (0, 1, 2) if axis != slices]
    rows = max(rest, key=lambda axis: float(share[1, axis]))
    columns = next(axis for axis in rest if axis != rows)
    return slices, rows, columns


def _as_int16(array: AnyArray) -> tuple[NDArray[np.int16], float, float, tuple[Finding, ...]]:
    """Give int16 numbers with scale and offset: exact for whole numbers within 65536, else rounded and said."""
    if array.dtype.kind in "iu":
        if array.dtype.itemsize == 1 or (array.dtype.kind == "i" and array.dtype.itemsize == 2):
            return np.ascontiguousarray(array, dtype=np.int16), 1.0, 0.0, ()
        low, high = int(array.min()), int(array.max())
        if low >= -32768 and high <= 32767:
            return np.ascontiguousarray(array, dtype=np.int16), 1.0, 0.0, ()
        if high - low <= 65535:
            shift = low + 32768
            return _by_plane(array, 1.0, float(shift)), 1.0, float(shift), ()
        return _rounded(array, float(low), float(high))
    finite_low, finite_high, bad = _finite_range(array)
    whole = bad == 0 and finite_low >= -32768 and finite_high <= 32767 and _all_whole(array)
    if whole:
        return np.ascontiguousarray(array, dtype=np.int16), 1.0, 0.0, ()
    stored, scale, offset, findings = _rounded(array, finite_low, finite_high)
    if bad:
        text = f"{bad} voxels held no number and were set to the lowest grey value."
        findings = (*findings, Finding(Severity.WARNING, "not-a-number", text))
    return stored, scale, offset, findings


def _finite_range(array: AnyArray) -> tuple[float, float, int]:
    low, high, bad = np.inf, -np.inf, 0
    for plane in array:
        finite = np.isfinite(plane)
        count = int(finite.sum())
        bad += plane.size - count
        if count:
            low = min(low, float(plane.min(where=finite, initial=np.inf)))
            high = max(high, float(plane.max(where=finite, initial=-np.inf)))
    if not np.isfinite([low, high]).all() or high - low > 1e30:
        raise PlannerError("The file holds no usable numbers.", "Export the scan again.")
    return low, high, bad


def _all_whole(array: AnyArray) -> bool:
    return all(bool((plane == np.rint(plane)).all()) for plane in array)


def _rounded(
    array: AnyArray, low: float, high: float
) -> tuple[NDArray[np.int16], float, float, tuple[Finding, ...]]:
    scale = max((high - low) / 65000.0, 1e-12)
    offset = (high + low) / 2.0
    finding = Finding(
        Severity.NOTE,
        "numbers-rounded",
        f"Grey values were rounded to steps of {scale:.2g} to keep them in 16 bits.",
    )
    return _by_plane(array, scale, offset), scale, offset, (finding,)


def _by_plane(array: AnyArray, scale: float, offset: float) -> NDArray[np.int16]:
    out = np.empty(array.shape, dtype=np.int16)
    for index, plane in enumerate(array):
        numbers = (plane.astype(np.float64) - offset) / scale
        out[index] = np.clip(np.rint(np.nan_to_num(numbers, nan=-32500.0)), -32768, 32767)
    return out
