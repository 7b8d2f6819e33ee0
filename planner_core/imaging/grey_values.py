"""One scale for a whole volume: slopes and intercepts of its slices, unsigned numbers, padding."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray

UNSIGNED_SHIFT = 32768.0
"""What was taken off unsigned 16-bit numbers when they were read."""

_STEPS = 65000.0


@frozen
class CommonScale:
    """``grey = scale * stored + offset`` for the whole volume, and what was noticed on the way."""

    scale: float
    offset: float
    findings: tuple[Finding, ...] = ()


def to_common_scale(
    stored: NDArray[np.int16],
    slopes: FloatArray,
    intercepts: FloatArray,
    shifted: NDArray[np.bool_],
    paddings: list[tuple[int, int] | None],
) -> CommonScale:
    """Bring all slices of `stored` (slices, rows, columns) onto one scale, in place where they differ.

    Parameters
    ----------
    slopes, intercepts : arrays of shape (slices,)
        Rescale values of each slice (DICOM PS3.3 C.11.1).
    shifted : bool array of shape (slices,)
        Slices whose numbers were lowered by 32768 when read.
    paddings : list of (from, to) or None
        Stored values of each slice that lie outside the picture.

    Raises
    ------
    PlannerError
        If a slope is zero or not a number.
    """
    if not np.isfinite([slopes, intercepts]).all() or (slopes == 0).any():
        raise PlannerError("The slices carry a grey-value scale of zero or none at all.", "Export the scan again.")
    intercepts = intercepts + np.where(shifted, UNSIGNED_SHIFT * slopes, 0.0)
    padded = _fill_padding(stored, shifted, paddings)
    findings = _padding_findings(padded)
    kinds = len(np.unique(np.stack([slopes, intercepts]), axis=1).T)
    if np.ptp(slopes) == 0.0 and np.ptp(intercepts) == 0.0:
        return CommonScale(float(slopes[0]), float(intercepts[0]), findings)
    scale, offset, error = _convert(stored, slopes, intercepts)
    text = (
        f"The slices carried {kinds} different grey-value scales "
        f"and were brought onto one; the largest rounding is {error:.2g} grey values."
    )
    return CommonScale(scale, offset, (*findings, Finding(Severity.NOTE, "scales-unified", text)))


def _convert(stored: NDArray[np.int16], slopes: FloatArray, intercepts: FloatArray) -> tuple[float, float, float]:
    """Rewrite every slice on one common scale; also the largest rounding, in grey values."""
    ends = np.array([
        [slope * float(plane.min()) + intercept, slope * float(plane.max()) + intercept]
        for plane, slope, intercept in zip(stored, slopes, intercepts, strict=True)
    ])  # fmt: skip
    low, high = float(ends.min()), float(ends.max())
    whole = np.all(slopes == np.rint(slopes)) and np.all(intercepts == np.rint(intercepts))
    if whole and low >= -32768 and high <= 32767:
        scale, offset = 1.0, 0.0
    else:
        scale = max(high - low, 1e-6) / _STEPS
        offset = (low + high) / 2.0
    error = 0.0
    for plane, slope, intercept in zip(stored, slopes, intercepts, strict=True):
        wanted = (plane.astype(np.float64) * slope + intercept - offset) / scale
        rounded = np.rint(wanted)
        error = max(error, float(np.abs(rounded - wanted).max()) * scale)
        plane[...] = rounded.astype(np.int16)
    return scale, offset, error


def _fill_padding(
    stored: NDArray[np.int16], shifted: NDArray[np.bool_], paddings: list[tuple[int, int] | None]
) -> int:
    """Give voxels outside the picture the lowest value inside it; how many there were.

    Only padding at the end of the scale is filled: a padding value in its midst is more likely a wrong header than
    a hole in the patient.
    """
    if all(padding is None for padding in paddings):
        return 0
    count = 0
    lowest: list[int] = []
    masks: dict[int, NDArray[np.uint8]] = {}
    for index, (plane, padding) in enumerate(zip(stored, paddings, strict=True)):
        if padding is None:
            lowest.append(int(plane.min()))
            continue
        shift = int(UNSIGNED_SHIFT) if shifted[index] else 0
        last = padding[1] - shift
        if int(plane.min()) > last or int(plane.min()) < padding[0] - shift:
            lowest.append(int(plane.min()))
            continue
        mask = plane <= last
        inside = plane[~mask]
        if len(inside) == 0:
            continue
        masks[index] = np.packbits(mask)
        lowest.append(int(inside.min()))
    if not masks or not lowest:
        return 0
    floor = min(lowest)
    for index, bits in masks.items():
        plane = stored[index]
        mask = np.unpackbits(bits, count=plane.size).reshape(plane.shape).astype(bool)
        count += int(mask.sum())
        plane[mask] = floor
    return count


def _padding_findings(padded: int) -> tuple[Finding, ...]:
    if not padded:
        return ()
    return (
        Finding(
            Severity.NOTE,
            "padding-filled",
            f"{padded} voxels outside the round picture were set to its lowest grey value.",
        ),
    )
