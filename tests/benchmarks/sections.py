"""One oblique section and one redraw of the strip against VTK's reslicing of as many samples."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
from vtkmodules.util.numpy_support import numpy_to_vtk
from vtkmodules.vtkCommonCore import VTK_FLOAT
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkImagingCore import vtkImageReslice

from planner_core.anatomy.sections import SectionFrame, sample_section, warm_up
from planner_core.anatomy.strip import sample_strip
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.geometry.frames import unit
from planner_core.geometry.volume import Volume

SHAPE = (400, 512, 512)
VOXEL_MM = 0.25
RUNS = 15


def best_ms(work: Callable[[], object]) -> float:
    """Give the shortest of several runs after one to warm up."""
    work()
    times = []
    for _ in range(RUNS):
        started = time.perf_counter()
        work()
        times.append(time.perf_counter() - started)
    return 1000.0 * min(times)


def random_volume() -> Volume:
    """Give a volume of random numbers of a usual size."""
    rng = np.random.default_rng(0)
    stored = rng.integers(-1000, 3000, SHAPE, dtype=np.int16)
    return Volume(stored, np.diag([VOXEL_MM] * 3 + [1.0])[[2, 1, 0, 3]])


def reslicer(volume: Volume, frame: SectionFrame) -> Callable[[], object]:
    """Give a call that reslices the same picture with VTK."""
    image = vtkImageData()
    image.SetDimensions(*volume.shape[::-1])
    image.SetSpacing(VOXEL_MM, VOXEL_MM, VOXEL_MM)
    image.GetPointData().SetScalars(numpy_to_vtk(volume.stored.ravel(), deep=False))
    height, width = frame.shape
    reslice = vtkImageReslice()
    reslice.SetInputData(image)
    reslice.SetInterpolationModeToLinear()
    reslice.SetOutputDimensionality(2)
    reslice.SetResliceAxesDirectionCosines(*frame.right_lps, *frame.down_lps, *frame.normal_lps)
    reslice.SetResliceAxesOrigin(*frame.origin_lps_mm)
    reslice.SetOutputSpacing(frame.pixel_mm, frame.pixel_mm, frame.pixel_mm)
    reslice.SetOutputExtent(0, width - 1, 0, height - 1, 0, 0)
    reslice.SetOutputOrigin(-(width - 1) / 2 * frame.pixel_mm, -(height - 1) / 2 * frame.pixel_mm, 0)
    reslice.SetOutputScalarType(VTK_FLOAT)

    def work() -> object:
        reslice.Modified()
        reslice.Update()
        return reslice.GetOutput()

    return work


def rows() -> list[dict[str, Any]]:
    """Give the rows of the benchmark table."""
    warm_up()
    volume = random_volume()
    right = unit((1.0, 0.3, 0.2))
    frame = SectionFrame(
        volume.centre_lps_mm, right, unit(np.cross(right, np.cross(right, (0.2, 1.0, 0.7)))), 102.4, 102.4, 0.2
    )
    section, peer = best_ms(lambda: sample_section(volume, frame)), best_ms(reslicer(volume, frame))
    turn = np.linspace(0.1, np.pi - 0.1, 9)
    middle = volume.centre_lps_mm
    arch = ArchCurve(
        Jaw.LOWER,
        np.stack([middle[0] - 45 * np.cos(turn), 100 - 70 * np.sin(turn), np.full(9, middle[2])], axis=1),
    )
    strip = sample_strip(volume, arch, 0.25, 60.0)
    redraw = best_ms(lambda: sample_strip(volume, arch, 0.25, 60.0))
    slab = best_ms(lambda: sample_strip(volume, arch, 0.25, 60.0, 3.0))
    flat = SectionFrame(
        middle, right, frame.down_lps, strip.image.shape[1] * 0.15, strip.image.shape[0] * 0.15, 0.15
    )
    as_many = best_ms(reslicer(volume, flat))
    return [
        _row("oblique section of 512 x 512", section, peer, "no slower than vtkImageReslice"),
        _row("strip redraw, 400 x 512 x 512", redraw, as_many, "under 50 ms, no slower than vtkImageReslice"),
        _row("strip redraw, slab of 3 mm", slab, None, "under 50 ms"),
    ]


def _row(work: str, ours: float, peer: float | None, bar: str) -> dict[str, Any]:
    ratio = None if peer is None else ours / peer
    return {"work": work, "ours": ours, "peer": peer, "ratio": ratio, "bar": bar, "unit": "ms"}
