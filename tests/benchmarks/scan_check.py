"""The scan check of a usual volume against one recursive Gaussian of SimpleITK on the same volume."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Callable
from typing import Any

import numpy as np
import SimpleITK

from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.imaging.scan_check import check_scan
from planner_core.imaging.scatter_estimate import first_look

SHAPE = (170, 300, 300)
VOXEL_MM = 0.3


def mouth() -> Volume:
    """Give a head of soft tissue with a bone ring, two dense crowns and noise; the time does not depend on more."""
    rng = np.random.default_rng(4)
    rows, columns = np.mgrid[: SHAPE[1], : SHAPE[2]] - 150
    radius = np.hypot(rows, columns)
    plane = np.where(radius < 135, 1000.0, 0.0) + np.where(np.abs(radius - 80) < 10, 1200.0, 0.0)
    grey = np.repeat(plane[np.newaxis].astype(np.float32), SHAPE[0], axis=0)
    for column in (60, 215):
        grey[60:85, 140:165, column : column + 25] = 9000.0
    grey += rng.standard_normal(SHAPE, dtype=np.float32) * 40.0
    affine = np.zeros((4, 4))
    affine[2, 0] = affine[1, 1] = affine[0, 2] = VOXEL_MM
    affine[3, 3] = 1.0
    return Volume(np.clip(grey, -1000.0, 12000.0).astype(np.int16), affine)


def _seconds(work: Callable[[], object], times: int = 3) -> float:
    """Give the shortest of some runs, after one that compiles."""
    work()
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def _peak_bytes(work: Callable[[], object]) -> int:
    """Give the most memory that work holds at a time beyond what is there already."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def rows() -> list[dict[str, Any]]:
    """Measure the threshold part and the whole estimate."""
    volume = mouth()
    image = SimpleITK.GetImageFromArray(volume.stored.astype(np.float32))
    gaussian = _seconds(lambda: SimpleITK.RecursiveGaussian(image, sigma=1.0))
    look = _seconds(lambda: first_look(volume, calibrate_grey(volume)))
    whole = _seconds(lambda: check_scan(volume), times=1)
    peak = _peak_bytes(lambda: check_scan(volume))
    return [
        {
            "work": "dense bodies in 300 x 300 x 170 voxels",
            "ours": look,
            "peer": gaussian,
            "ratio": look / gaussian,
            "bar": "under 4x one SimpleITK recursive Gaussian",
            "unit": "s",
        },
        {
            "work": "whole scan check of 300 x 300 x 170 voxels",
            "ours": whole,
            "peer": gaussian,
            "ratio": whole / gaussian,
            "bar": "under 20 s on two cores",
            "unit": "s",
        },
        {
            "work": "peak memory of that check beside the volume",
            "ours": peak / 1e6,
            "peer": volume.stored.nbytes / 1e6,
            "ratio": peak / volume.stored.nbytes,
            "bar": "under 4x the volume",
            "unit": "MB",
        },
    ]
