"""Geometry is judged from positions: what is missing, doubled, uneven, tilted or mixed is refused with its numbers.

Several of these series are read by SimpleITK without an error and wrong; those tests say so beside the check.
"""

from __future__ import annotations

import shutil
import time
from pathlib import Path

import numpy as np
import pytest
import SimpleITK
from hypothesis import given
from hypothesis import strategies as st

from planner_core.errors import PlannerError
from planner_core.imaging.dicom_import import list_series, read_dicom
from planner_core.imaging.slice_geometry import arrange, missing_words, same_orientation, same_positions
from tests.core.imaging.made_series import header, picture, save, set_pixels, write_series
from tests.shared_data import shared_data

LYING = np.array([1.0, 0, 0, 0, 1, 0])
UNKNOWN = np.array([np.nan])


def simpleitk_size_and_spacing(folder: Path) -> tuple[tuple[int, ...], tuple[float, ...]]:
    SimpleITK.ProcessObject.SetGlobalWarningDisplay(False)
    try:
        reader = SimpleITK.ImageSeriesReader()
        reader.SetFileNames(SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))
        image = reader.Execute()
    finally:
        SimpleITK.ProcessObject.SetGlobalWarningDisplay(True)
    return image.GetSize(), image.GetSpacing()


def test_missing_slices_are_refused_with_their_number_and_place(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture(slices=12))
    kept = sorted(folder.iterdir(), key=lambda path: int(path.name.split("-")[1]))
    for index in (4, 5, 8):
        kept[index].unlink()
    with pytest.raises(PlannerError, match=r"3 slices are missing: 2 after slice 4 .* 1 after slice 6"):
        read_dicom(folder)
    with pytest.raises(PlannerError, match="missing"):
        read_dicom(folder, resample=True)
    # SimpleITK stretches the slices that are left over the whole length.
    size, spacing = simpleitk_size_and_spacing(folder)
    assert size[2] == 9
    assert spacing[2] != pytest.approx(0.4, abs=0.01)


def test_real_headers_with_a_missing_slice_are_refused():
    for name, words in (("001", "10.00 mm instead of 5.00 mm"), ("002", "1.50 mm instead of 0.75 mm")):
        folder = shared_data("dicom_geometry_headers/failing/sliceincrement", name)
        with pytest.raises(PlannerError, match=f"1 slice is missing: 1 after slice 3 .{words}"):
            read_dicom(folder)


def test_pydicoms_series_with_a_gap_of_202_mm_is_refused():
    from pydicom.data import get_testdata_file

    folder = Path(get_testdata_file("dicomdirtests/DICOMDIR", download=False)).parent / "77654033" / "CT2"
    with pytest.raises(PlannerError, match=r"202\.50 mm instead of 1\.25 mm"):
        read_dicom(folder)


def test_real_tilted_uneven_series_is_refused_and_resampled_on_request():
    """Its tag says 18.5 degrees, its steps along z are 4.2, 1.1 and 7.4 mm (data/dicom_ct_tilt/SOURCE.txt)."""
    folder = shared_data("dicom_ct_tilt")
    with pytest.raises(PlannerError, match=r"tilted by 18\.5 degrees .* 14 of 27 steps .*1\.08 to 7\.00 mm"):
        read_dicom(folder)
    listing = list_series(folder)
    assert listing.series[0].resample_helps
    scan = read_dicom(folder, resample=True)
    assert "resampled" in {finding.code for finding in scan.findings}
    volume = scan.volume
    assert volume.spacing_mm[0] == pytest.approx(4.0, abs=0.01)
    gram = volume.lps_from_index[:3, :3].T @ volume.lps_from_index[:3, :3]
    assert np.abs(gram - np.diag(np.diag(gram))).max() < 1e-6  # no shear left
    # SimpleITK takes the first step for all and loses the tilt.
    size, spacing = simpleitk_size_and_spacing(folder / "tilt_variable_gap")
    assert size[2] == 28
    assert abs(spacing[2] * 27 - 144.08) > 5  # true extent along the slices' normal, mm


def test_real_headers_with_tilt_are_refused():
    """14.0 degrees, with the tag for it absent (data/dicom_geometry_headers)."""
    folder = shared_data("dicom_geometry_headers/failing/gantrytilting/001")
    with pytest.raises(PlannerError, match=r"tilted by 14\.0 degrees"):
        read_dicom(folder)


def test_real_headers_with_four_slices_in_one_place_are_refused():
    with pytest.raises(PlannerError, match="several different slices"):
        read_dicom(shared_data("dicom_geometry_headers/failing/notavolume"))


def _ball_series(folder: Path, tilt_deg: float, heights_mm: np.ndarray, thickness: float) -> Path:
    """A ball of 9 mm radius about (0, 0, 0) and a ramp, cut by slices that lie tilted against their stack."""
    cosine, sine = np.cos(np.radians(tilt_deg)), np.sin(np.radians(tilt_deg))
    orientation = [1.0, 0.0, 0.0, 0.0, cosine, -sine]
    rows, columns = np.mgrid[:60, :60] * 0.5 - 15.0
    positions, planes = [], []
    for height in heights_mm:
        origin = np.array([-15.0, -15.0 * cosine, height + 15.0 * sine])
        points = (
            origin
            + np.multiply.outer(columns + 15.0, [1.0, 0.0, 0.0])
            + np.multiply.outer(rows + 15.0, [0.0, cosine, -sine])
        )
        inside = np.linalg.norm(points, axis=2) < 9.0
        planes.append(1000.0 * inside + 10.0 * points[..., 0] + 20.0 * points[..., 1] + 30.0 * points[..., 2])
        positions.append(origin)
    return write_series(
        folder,
        np.array(planes),
        positions=np.array(positions),
        ImageOrientationPatient=[f"{value:.8f}" for value in orientation],
        PixelSpacing=[0.5, 0.5],
        SliceThickness=thickness,
    )


@pytest.mark.parametrize("tilt_deg", [0.0, 12.0, -18.5])
@pytest.mark.parametrize("uneven", [False, True])
def test_resampling_puts_every_point_where_it_is(tmp_path: Path, tilt_deg: float, uneven: bool):
    heights = np.arange(-14.0, 14.1, 0.8)
    if uneven:
        heights = np.concatenate([heights[:20], heights[20] + np.arange(0, 12.5, 1.2)])
    folder = _ball_series(tmp_path / "s", tilt_deg, heights, thickness=1.3)
    if tilt_deg or uneven:
        with pytest.raises(PlannerError, match="resampling"):
            read_dicom(folder)
    volume = read_dicom(folder, resample=True).volume
    index = np.argwhere(np.ones(volume.shape, dtype=bool))
    points = volume.to_lps(index)
    values = volume.grey(volume.stored).ravel()
    reach = np.linalg.norm(points, axis=1)
    expected = 10.0 * points[:, 0] + 20.0 * points[:, 1] + 30.0 * points[:, 2]
    assert np.abs(values[reach < 7.5] - expected[reach < 7.5] - 1000.0).max() < 1.6  # rounding, interpolation
    shell = (reach > 10.5) & (reach < 12.0)
    assert np.abs(values[shell] - expected[shell]).max() < 1.6


def test_a_lone_other_slice_is_left_out_but_a_mixture_is_refused(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture(slices=12))
    other = header(ImageOrientationPatient=[0, 1, 0, 0, 0, -1], ImagePositionPatient=[0, 0, 0])
    set_pixels(other, picture()[0], signed=True, bits=16)
    save(other, folder / "other")
    scan = read_dicom(folder)
    assert scan.volume.shape[0] == 12
    assert any("another size or orientation" in finding.text for finding in scan.findings)
    write_series(tmp_path / "m", picture(slices=6))
    write_series(tmp_path / "m" / "side", picture(slices=5), ImageOrientationPatient=[0, 1, 0, 0, 0, -1])
    with pytest.raises(PlannerError, match="different orientation or size: 6 of one kind, 5 of others"):
        read_dicom(tmp_path / "m")


def test_two_volumes_in_one_series_are_refused(tmp_path: Path):
    write_series(tmp_path / "s" / "a", picture())
    write_series(tmp_path / "s" / "b", picture() + 1)
    with pytest.raises(PlannerError, match="6 places are taken by several different slices"):
        read_dicom(tmp_path / "s")


def test_slices_without_positions_are_refused(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture(), per_slice=[{"ImagePositionPatient": None}] * 6)
    with pytest.raises(PlannerError, match="do not say where they lie"):
        read_dicom(folder)


def test_differing_voxel_sizes_are_refused(tmp_path: Path):
    sizes = [{"PixelSpacing": [0.3, 0.25 + 0.01 * k]} for k in range(6)]
    with pytest.raises(PlannerError, match="different voxel sizes"):
        read_dicom(write_series(tmp_path / "s", picture(), per_slice=sizes))


def test_the_last_slice_alone_is_no_volume(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture(slices=1))
    with pytest.raises(PlannerError, match="only one slice"):
        read_dicom(folder)


@given(
    count=st.integers(3, 60),
    step=st.floats(0.05, 5.0),
    jitter=st.floats(0.0, 0.005),
    seed=st.integers(0, 2**16),
)
def test_even_stacks_are_regular_in_any_order(count: int, step: float, jitter: float, seed: int):
    rng = np.random.default_rng(seed)
    heights = np.arange(count) * step + rng.uniform(-jitter, jitter, count) * step
    origins = np.stack([np.full(count, 3.0), np.full(count, -4.0), heights], axis=1)
    shuffled = rng.permutation(count)
    stack = arrange(origins[shuffled], LYING, np.full(count, np.nan))
    assert stack.regular
    assert np.array_equal(shuffled[stack.order], np.arange(count))
    assert stack.step_mm == pytest.approx(step, rel=0.02)


@given(count=st.integers(6, 60), step=st.floats(0.08, 5.0), data=st.data())
def test_any_missing_inner_slices_are_counted(count: int, step: float, data: st.DataObject):
    lost = data.draw(st.sets(st.integers(1, count - 2), min_size=1, max_size=max(1, count // 5)))
    kept = np.array([k for k in range(count) if k not in lost])
    origins = np.stack([np.zeros(len(kept)), np.zeros(len(kept)), kept * step], axis=1)
    stack = arrange(origins, LYING, np.full(len(kept), step))
    if np.bincount(np.diff(kept))[1] >= 2:  # the true step is still the commonest
        assert sum(gap.missing for gap in stack.gaps) == len(lost)
        assert str(len(lost)) in missing_words(stack)
    assert not stack.regular


def test_twenty_thousand_slices_in_any_shape_take_little():
    """A hostile header may claim as many; nothing may grow with their square."""
    rng = np.random.default_rng(1)
    origins = rng.uniform(0, 1e4, (20_000, 3))
    start = time.monotonic()
    stack = arrange(origins, LYING, np.full(len(origins), np.nan))
    assert not stack.regular
    assert missing_words(stack)
    turned = np.array([np.concatenate([[np.cos(a), np.sin(a), 0], [0, 0, -1]]) for a in np.linspace(0, 3, 200)])
    with pytest.raises(PlannerError, match="more than 64 directions"):
        same_orientation(turned)
    assert time.monotonic() - start < 20


def test_orientations_and_positions_are_grouped():
    other = np.array([0, 1, 0, 0, 0, -1.0])
    assert same_orientation(np.array([other, LYING, LYING + 1e-5, LYING])).tolist() == [1, 0, 0, 0]
    origins = np.array([[0, 0, 1.0], [0, 0, 2.0], [5, 0, 1.0], [0, 0, 3.0]])
    assert same_positions(origins, LYING) == [[0, 2]]


def test_a_disc_copy_of_the_tilted_series_lists_the_problem(tmp_path: Path):
    shutil.copytree(shared_data("dicom_ct_tilt/tilt_variable_gap"), tmp_path / "copy")
    (one,) = list_series(tmp_path / "copy").series
    assert "tilted by 18.5 degrees" in one.problem
    assert one.shape == (28, 512, 512)
