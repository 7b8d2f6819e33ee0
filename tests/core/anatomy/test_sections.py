"""Sections and the strip against analytic volumes and against VTK's reslicing, voxel for voxel."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
from vtkmodules.vtkCommonCore import VTK_FLOAT
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkImagingCore import vtkImageReslice

from planner_core.anatomy.sections import (
    SectionFrame,
    along_arch_frame,
    axial_frame,
    cross_section_frame,
    cross_section_row,
    fixture_frame,
    fixture_frames,
    sample_section,
)
from planner_core.anatomy.strip import sample_strip
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import rotation_about, unit
from planner_core.geometry.volume import Volume
from planner_core.planning.fixture import FixturePose


def oblique_volume(shape: tuple[int, int, int] = (40, 50, 60), scale: float = 1.0, offset: float = 0.0) -> Volume:
    """Give a volume with random numbers, uneven voxels and turned axes."""
    rng = np.random.default_rng(7)
    matrix = np.eye(4)
    turn = rotation_about((1, 2, 3), 0.4)
    matrix[:3, :3] = turn @ np.array([[0, 0, 0.3], [0, 0.3, 0], [0.5, 0, 0]])
    matrix[:3, 3] = (-10, 4, 30)
    return Volume(rng.integers(-500, 2000, shape).astype(np.int16), matrix, scale, offset)


def linear_volume() -> tuple[Volume, np.ndarray, float]:
    """Give a volume whose grey value is a linear function of the LPS position."""
    matrix = np.diag([0.4, 0.4, 0.4, 1.0])[[2, 1, 0, 3]]
    matrix[:3, 3] = (-12, -12, -12)
    slices, rows, columns = np.mgrid[0:60, 0:60, 0:60]
    stored = (3 * slices - 2 * rows + 5 * columns).astype(np.int16)
    slope = np.array([5, -2, 3]) / 0.4
    return Volume(stored, matrix), slope, float(-slope @ matrix[:3, 3])


def vtk_section(volume: Volume, frame: SectionFrame) -> np.ndarray:
    """Reslice with VTK in the volume's own index space (VTK images here carry no direction)."""
    image = vtkImageData()
    slices, rows, columns = volume.shape
    image.SetDimensions(columns, rows, slices)
    stored = np.ascontiguousarray(volume.stored)
    image.GetPointData().SetScalars(numpy_to_vtk(stored.ravel(), deep=True))
    turn = volume.index_from_lps[:3, :3][::-1]
    corner = volume.to_index(frame.to_lps([0.0, 0.0]))[::-1]
    height, width = frame.shape
    axes = np.eye(4)
    axes[:3, 0] = turn @ frame.right_lps * frame.pixel_mm
    axes[:3, 1] = turn @ frame.down_lps * frame.pixel_mm
    axes[:3, 2] = turn @ frame.normal_lps * frame.pixel_mm
    axes[:3, 3] = corner
    reslice = vtkImageReslice()
    reslice.SetInputData(image)
    from vtkmodules.vtkCommonMath import vtkMatrix4x4

    matrix = vtkMatrix4x4()
    matrix.DeepCopy(axes.ravel())
    reslice.SetResliceAxes(matrix)
    reslice.SetInterpolationModeToLinear()
    reslice.SetOutputDimensionality(2)
    reslice.SetOutputSpacing(1, 1, 1)
    reslice.SetOutputOrigin(0, 0, 0)
    reslice.SetOutputExtent(0, width - 1, 0, height - 1, 0, 0)
    reslice.SetOutputScalarType(VTK_FLOAT)
    reslice.BorderOff()
    reslice.SetBackgroundLevel(-1e6)
    reslice.Update()
    out = vtk_to_numpy(reslice.GetOutput().GetPointData().GetScalars()).reshape(height, width).copy()
    out[out < -9e5] = np.nan
    return volume.scale * out + volume.offset


@pytest.mark.parametrize("seed", range(4))
def test_an_oblique_section_is_vtks_voxel_for_voxel(seed: int) -> None:
    rng = np.random.default_rng(seed)
    volume = oblique_volume(scale=0.5, offset=-100)
    right = unit(rng.normal(size=3))
    down = unit(np.cross(right, rng.normal(size=3)))
    frame = SectionFrame(volume.centre_lps_mm + rng.normal(size=3), right, down, 30, 24, 0.11)
    ours, theirs = sample_section(volume, frame), vtk_section(volume, frame)
    both = np.isfinite(ours) & np.isfinite(theirs)
    assert both.mean() > 0.1
    assert np.abs(ours - theirs)[both].max() < 0.05  # grey values over a range of 1250: float32 rounding
    # On the very border the two may decide differently for a pixel or so of each row.
    assert (np.isfinite(ours) != np.isfinite(theirs)).mean() < 0.002


def test_a_linear_volume_is_read_exactly_on_any_plane() -> None:
    volume, slope, constant = linear_volume()
    frame = SectionFrame((0, 0, 0), unit((1, 1, 0.2)), unit(np.cross((1, 1, 0.2), (0, 0.3, 1))), 12, 10, 0.25)
    picture = sample_section(volume, frame)
    rows, columns = np.mgrid[0 : frame.shape[0], 0 : frame.shape[1]]
    points = frame.to_lps(np.stack([rows.ravel(), columns.ravel()], axis=1))
    assert np.allclose(picture.ravel(), points @ slope + constant, atol=1e-2)
    back = frame.to_pixel(points)
    assert np.allclose(back[:, 0], rows.ravel())
    assert np.allclose(back[:, 1], columns.ravel())
    assert np.allclose(back[:, 2], 0)


def test_slab_mean_of_a_linear_volume_is_its_middle_and_max_its_far_side() -> None:
    volume, slope, _ = linear_volume()
    frame = SectionFrame((0, 0, 0), (1, 0, 0), (0, 0, -1), 10, 10, 0.5)
    plain = sample_section(volume, frame)
    assert np.allclose(sample_section(volume, frame, 3.0, "mean"), plain, atol=1e-2)
    reach = 1.5 * abs(float(slope @ frame.normal_lps))
    assert np.allclose(sample_section(volume, frame, 3.0, "max"), plain + reach, atol=1e-2)
    with pytest.raises(PlannerError, match="mean or max"):
        sample_section(volume, frame, 3.0, "median")


def test_outside_the_volume_there_is_no_number() -> None:
    volume, _, _ = linear_volume()
    frame = axial_frame(volume, (0.0, 0.0, 0.0), 60, 60, 0.5)
    picture = sample_section(volume, frame)
    inside = volume.contains(frame.to_lps(np.argwhere(np.ones(frame.shape)))).reshape(frame.shape)
    assert np.array_equal(np.isfinite(picture), inside)
    assert np.isnan(sample_section(volume, frame.shifted(100))).all()


def test_a_volume_of_one_slice_can_be_cut() -> None:
    volume = Volume(np.full((1, 8, 8), 7, np.int16), np.eye(4)[[2, 1, 0, 3]])
    assert np.nanmax(sample_section(volume, axial_frame(volume, 0.0))) == 7


def test_the_axial_section_shows_the_patients_right_on_the_left_and_the_front_on_top() -> None:
    volume, _, _ = linear_volume()
    frame = axial_frame(volume, 2.0)
    assert np.allclose(frame.right_lps, (1, 0, 0))
    assert np.allclose(frame.down_lps, (0, 1, 0))
    assert frame.origin_lps_mm[2] == pytest.approx(2.0)
    tilted = axial_frame(volume, (0, 0, 0), up_lps=(0, 0.3, 1))
    assert abs(float(tilted.down_lps @ unit((0, 0.3, 1)))) < 1e-12


def semicircle(radius: float = 20.0, height: float = 0.0) -> ArchCurve:
    """Give an arch along half a circle that opens to the back, midline in front."""
    angle = np.linspace(0, np.pi, 25)
    points = np.stack([-radius * np.cos(angle), -radius * np.sin(angle), np.full(25, height)], axis=1)
    return ArchCurve(Jaw.LOWER, points)


def test_cross_sections_stand_across_the_arch() -> None:
    arch = semicircle()
    for station in (-20.0, 0.0, 12.0):
        frame = cross_section_frame(arch, station, 20, 20, 0.5, centre_height_mm=3)
        assert abs(float(frame.right_lps @ arch.tangent_at(station))) < 1e-9
        assert np.allclose(frame.down_lps, (0, 0, -1))
        assert float(frame.right_lps @ frame.origin_lps_mm) > 15, "the right of the picture is the cheek's side"
        along = along_arch_frame(arch, station)
        assert abs(float(along.right_lps @ frame.right_lps)) < 1e-9
    row = cross_section_row(arch, 0.0, 5, 2.0, width_mm=10.0)
    gaps = [np.linalg.norm(b.origin_lps_mm - a.origin_lps_mm) for a, b in pairwise(row)]
    assert np.allclose(gaps, 2.0, atol=0.01)


def test_the_sections_of_a_fixture_hold_its_axis() -> None:
    arch = semicircle()
    for axis in ((0.2, 0.1, -1.0), (0.1, -0.2, 1.0)):
        pose = FixturePose((0, -20, 0), axis)
        frames = (*fixture_frames(pose, arch), fixture_frame(pose, 30.0))
        for frame in frames:
            for depth in (0.0, 10.0):
                assert abs(float(frame.to_pixel(pose.at_depth(depth))[2])) < 1e-9
            assert frame.down_lps[2] < 0, "head on top in both jaws"
        assert float(frames[0].right_lps @ arch.outward_at(0)) > 0.9
    first, second = fixture_frame(pose, 0.0), fixture_frame(pose, 90.0)
    assert abs(float(first.normal_lps @ second.normal_lps)) < 1e-9


def test_the_strip_keeps_the_true_length_of_the_curve() -> None:
    volume, slope, constant = linear_volume()
    arch = semicircle(8.0)
    strip = sample_strip(volume, arch, 0.25, 10.0)
    assert strip.stations_mm[-1] - strip.stations_mm[0] == pytest.approx(np.pi * 8, abs=0.5)
    rows, columns = np.mgrid[0 : strip.image.shape[0], 0 : strip.image.shape[1]]
    points = strip.to_lps(rows, columns)
    assert np.allclose(strip.image, points @ slope + constant, atol=1e-2)
    place = strip.to_pixel(strip.to_lps(10.0, 40.0) + 1.5 * arch.outward_at(float(strip.stations_mm[40])))
    assert place[0] == pytest.approx(10.0, abs=0.05)
    assert place[1] == pytest.approx(40.0, abs=0.6)
    assert place[2] == pytest.approx(1.5, abs=0.05)
    assert strip.stations_mm[strip.column_of(0.0)] == pytest.approx(0.0, abs=1e-9)


def test_a_strip_slab_reaches_both_sides() -> None:
    matrix = np.diag([0.5, 0.5, 0.5, 1.0])[[2, 1, 0, 3]]
    matrix[:3, 3] = (-20, -20, -10)
    stored = np.zeros((40, 80, 80), np.int16)
    volume = Volume(stored, matrix)
    radius = np.hypot(*np.meshgrid(np.arange(80) * 0.5 - 20, np.arange(80) * 0.5 - 20))
    stored[:, np.abs(radius - 15.0) < 0.6] = 1000
    arch = semicircle(12.0)
    assert np.nanmax(sample_strip(volume, arch, 0.5, 10.0, 2.0, "max").image) == 0
    assert np.nanmin(sample_strip(volume, arch, 0.5, 10.0, 6.0, "max").image[:, 8:-8]) > 800


def test_a_strip_without_pixels_is_refused() -> None:
    volume, _, _ = linear_volume()
    with pytest.raises(PlannerError, match="above zero"):
        sample_strip(volume, semicircle(), 0.0)
    with pytest.raises(PlannerError, match="cannot be drawn"):
        sample_strip(volume, semicircle(), 50.0)
