"""Where each frame of an object lies and how its numbers become grey values, frame by frame (PS3.3 C.7.6.16)."""

from __future__ import annotations

import numpy as np
from pydicom.dataset import Dataset

from planner_core.geometry.frames import FloatArray
from planner_core.imaging.dicom_elements import floats, items

_GROUPS: dict[str, tuple[str, int, float]] = {
    "ImagePositionPatient": ("PlanePositionSequence", 3, np.nan),
    "ImageOrientationPatient": ("PlaneOrientationSequence", 6, np.nan),
    "PixelSpacing": ("PixelMeasuresSequence", 2, np.nan),
    "SliceThickness": ("PixelMeasuresSequence", 1, np.nan),
    "RescaleSlope": ("PixelValueTransformationSequence", 1, 1.0),
    "RescaleIntercept": ("PixelValueTransformationSequence", 1, 0.0),
}
"""Where the enhanced objects keep what single slices have at the top (PS3.3 C.7.6.16.2), and what absent means."""


def functional_groups(dataset: Dataset, frames: int) -> dict[str, FloatArray]:
    """Give each geometric value per frame: from its own group, the shared group, or the top level."""
    shared = items(dataset, "SharedFunctionalGroupsSequence")
    each = items(dataset, "PerFrameFunctionalGroupsSequence")
    values: dict[str, FloatArray] = {}
    for keyword, (sequence, count, absent) in _GROUPS.items():
        common = floats(dataset, keyword, count)
        for group in shared[:1]:
            common = _in_group(group, sequence, keyword, count, common)
        rows = np.full((frames, count), absent if common is None else common, dtype=np.float64)
        if common is not None:
            rows[:] = common
        for index, group in enumerate(each[:frames]):
            own = _in_group(group, sequence, keyword, count, None)
            if own is not None:
                rows[index] = own
        values[keyword] = rows
    return values


def _in_group(
    group: Dataset, sequence: str, keyword: str, count: int, otherwise: FloatArray | None
) -> FloatArray | None:
    for item in items(group, sequence)[:1]:
        found = floats(item, keyword, count)
        if found is not None:
            return found
    return otherwise
