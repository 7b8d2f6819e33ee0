"""NIfTI in both directions, NRRD and MetaImage: every voxel keeps its place in the patient."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import nibabel
import numpy as np
import pytest
import SimpleITK

from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.imaging.nifti import read_nifti, write_map, write_nifti
from planner_core.imaging.open_scan import open_scan
from tests.core.imaging.made_series import picture
from tests.shared_data import shared_data

RIGHT_HANDED = np.array([[0.0, 0.0, 0.25, -10.0], [0.0, 0.3, 0.0, 5.0], [0.4, 0.0, 0.0, -7.0], [0, 0, 0, 1]])


def oblique(left_handed: bool = False) -> np.ndarray:
    """A matrix from (slice, row, column) to LPS mm, turned about a slanted axis; mirrored if wanted."""
    from planner_core.geometry.frames import rotation_about

    affine = RIGHT_HANDED.copy()
    affine[:3, :3] = rotation_about([1.0, 2.0, -0.5], 0.5) @ affine[:3, :3]
    if left_handed:
        affine[:3, 2] *= -1
    return affine


@pytest.mark.parametrize("ending", [".nii", ".nii.gz"])
@pytest.mark.parametrize(
    "affine", [RIGHT_HANDED, oblique(), oblique(left_handed=True)], ids=["plain", "obl", "left"]
)
def test_writing_and_reading_is_voxel_exact(tmp_path: Path, ending: str, affine: np.ndarray):
    volume = Volume(picture().astype(np.int16), affine, scale=0.5, offset=-1024.0)
    write_nifti(tmp_path / f"a{ending}", volume)
    back = read_nifti(tmp_path / f"a{ending}").volume
    assert np.array_equal(back.stored, volume.stored)
    assert back.lps_from_index == pytest.approx(affine, abs=1e-5)
    assert (back.scale, back.offset) == (0.5, -1024.0)
    assert [path.name for path in tmp_path.iterdir()] == [f"a{ending}"]


@pytest.mark.parametrize("left_handed", [False, True])
def test_simpleitk_and_nibabel_read_our_files_at_the_same_places(tmp_path: Path, left_handed: bool):
    volume = Volume(picture().astype(np.int16), oblique(left_handed))
    write_nifti(tmp_path / "a.nii.gz", volume)
    image = SimpleITK.ReadImage(str(tmp_path / "a.nii.gz"))
    theirs = nibabel.load(tmp_path / "a.nii.gz")
    for index in ((0, 0, 0), (5, 39, 47), (2, 17, 30)):
        slice_, row, column = index
        place = volume.to_lps(index)
        assert image.TransformIndexToPhysicalPoint((column, row, slice_)) == pytest.approx(place, abs=1e-4)
        assert image.GetPixel(column, row, slice_) == volume.stored[index]
        ras = theirs.affine @ [column, row, slice_, 1]
        assert ras[:3] * [-1, -1, 1] == pytest.approx(place, abs=1e-4)


def value_at(volume: Volume, point_lps_mm: np.ndarray) -> float:
    index = tuple(np.rint(volume.to_index(point_lps_mm)).astype(int))
    return float(volume.grey(volume.stored[index]))


@pytest.mark.parametrize("codes", ["RAS", "LPS", "PIR", "ASL", "SAR", "LIP"])
@pytest.mark.parametrize("kind", ["<i2", ">i2", ">u2", "<f4", "u1", "<i4", ">f8"])
def test_any_axis_order_and_number_type_keeps_its_places(tmp_path: Path, codes: str, kind: str):
    values = picture(low=0, high=200).astype(kind).transpose(2, 1, 0)
    affine = np.diag([0.25, 0.3, 0.4, 1.0])
    affine[:3, 3] = -3.0, 8.0, 11.0
    plain = nibabel.Nifti1Image(values, affine)
    orientation = nibabel.orientations.ornt_transform(
        nibabel.io_orientation(affine), nibabel.orientations.axcodes2ornt(codes)
    )
    turned = plain.as_reoriented(orientation)
    header = nibabel.Nifti1Header(endianness=kind[0] if kind[0] in "<>" else "<")
    header.set_data_dtype(np.dtype(kind))
    nibabel.save(nibabel.Nifti1Image(np.asarray(turned.dataobj), turned.affine, header), tmp_path / "a.nii")
    volume = read_nifti(tmp_path / "a.nii").volume
    assert volume.shape == (6, 40, 48)  # axial slices first, whatever the file's order
    for index in ((0, 0, 0), (47, 39, 5), (12, 3, 2)):
        ras = affine @ [*index, 1]
        assert value_at(volume, ras[:3] * [-1, -1, 1]) == pytest.approx(float(values[index]), abs=0.01)


def test_scale_and_intercept_of_the_header_are_kept(tmp_path: Path):
    values = picture().astype(np.int16).transpose(2, 1, 0)
    image = nibabel.Nifti1Image(values, np.diag([0.25, 0.3, 0.4, 1.0]))
    image.header.set_slope_inter(0.5, -100.0)
    nibabel.save(image, tmp_path / "a.nii")
    volume = read_nifti(tmp_path / "a.nii").volume
    assert (volume.scale, volume.offset) == (0.5, -100.0)


def test_floating_point_greys_are_rounded_finely_and_said(tmp_path: Path):
    values = (picture() / 7.0).astype(np.float32).transpose(2, 1, 0)
    values[3, 3, 3] = np.nan
    nibabel.save(nibabel.Nifti1Image(values, np.diag([0.25, 0.3, 0.4, 1.0])), tmp_path / "a.nii")
    scan = read_nifti(tmp_path / "a.nii")
    grey = scan.volume.grey(scan.volume.stored)[:, ::1].transpose(2, 1, 0)
    # The file's x and y grow to the right and to the front, ours to the left and the back.
    good = np.isfinite(values)
    step = np.ptp(values[good]) / 65000
    assert np.abs(grey - values)[good].max() <= 1.01 * step
    assert {"numbers-rounded", "not-a-number"} <= {finding.code for finding in scan.findings}


def test_a_file_without_orientation_is_a_blocker(tmp_path: Path):
    image = nibabel.Nifti1Image(picture().astype(np.int16).transpose(2, 1, 0), None)
    image.header.set_zooms((0.25, 0.3, 0.4))
    nibabel.save(image, tmp_path / "a.nii")
    findings = read_nifti(tmp_path / "a.nii").findings
    assert any(finding.code == "no-orientation" and finding.severity == "blocker" for finding in findings)


def test_maps_lie_on_the_volume(tmp_path: Path):
    volume = Volume(picture().astype(np.int16), oblique())
    values = np.random.default_rng(0).random(volume.shape).astype(np.float32)
    write_map(tmp_path / "m.nii.gz", values, volume)
    image = SimpleITK.ReadImage(str(tmp_path / "m.nii.gz"))
    assert np.array_equal(SimpleITK.GetArrayFromImage(image), values)
    assert image.TransformIndexToPhysicalPoint((3, 2, 1)) == pytest.approx(volume.to_lps([1, 2, 3]), abs=1e-4)
    with pytest.raises(PlannerError, match="does not fit"):
        write_map(tmp_path / "n.nii", values[1:], volume)
    assert not (tmp_path / "n.nii").exists()


def test_writing_where_nothing_can_be_written_leaves_nothing(tmp_path: Path):
    volume = Volume(picture().astype(np.int16), RIGHT_HANDED)
    (tmp_path / "no").write_text("a file, no folder")
    with pytest.raises(PlannerError, match="cannot be written"):
        write_nifti(tmp_path / "no" / "a.nii", volume)
    assert [path.name for path in tmp_path.iterdir()] == ["no"]


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX limits")
@pytest.mark.parametrize("name", ["a.nii", "a.nii.gz", "a.ply", "a.stl"])
def test_a_disk_that_fills_up_leaves_nothing_half_written(tmp_path: Path, name: str):
    """The system stops the file at 64 kB, as a full disk would (RLIMIT_FSIZE), in a process of its own."""
    code = (
        "import resource, sys\n"
        "import numpy as np\n"
        "from pathlib import Path\n"
        "from planner_core.errors import PlannerError\n"
        "from planner_core.geometry.surface import Surface\n"
        "from planner_core.geometry.volume import Volume\n"
        "from planner_core.imaging.nifti import write_nifti\n"
        "from planner_core.imaging.surface_files import write_ply, write_stl\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (65536, 65536))\n"
        "rng = np.random.default_rng(0)\n"
        "volume = Volume(rng.integers(0, 4000, (40, 60, 60)).astype(np.int16), np.eye(4))\n"
        "surface = Surface(rng.random((9000, 3)), np.arange(9000).reshape(-1, 3), 'lps')\n"
        "path = Path(sys.argv[1])\n"
        "write, what = {'.ply': (write_ply, surface), '.stl': (write_stl, surface)}.get(\n"
        "    path.suffix, (write_nifti, volume))\n"
        "try: write(path, what)\n"
        "except PlannerError as error: print(error)\n"
    )
    (tmp_path / name).write_bytes(b"what was there before")
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / name)], capture_output=True, text=True, timeout=60, check=False
    )
    assert "no space left" in done.stdout, done.stderr
    assert [path.name for path in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_bytes() == b"what was there before"


def test_four_dimensions_are_refused(tmp_path: Path):
    nibabel.save(nibabel.Nifti1Image(np.zeros((4, 5, 6, 2), np.int16), np.eye(4)), tmp_path / "a.nii")
    with pytest.raises(PlannerError, match="not one volume"):
        read_nifti(tmp_path / "a.nii")


@pytest.mark.parametrize("ending", [".nrrd", ".mha", ".mhd"])
@pytest.mark.parametrize("kind", [np.int16, np.uint16, np.float32, np.uint8])
def test_nrrd_and_metaimage_agree_with_simpleitk(tmp_path: Path, ending: str, kind: type):
    image = SimpleITK.GetImageFromArray(picture(low=0, high=250).astype(kind))
    affine = oblique()
    columns = affine[:3, :3][:, ::-1]
    spacing = np.linalg.norm(columns, axis=0)
    image.SetSpacing(spacing)
    image.SetDirection((columns / spacing).ravel())
    image.SetOrigin(affine[:3, 3])
    SimpleITK.WriteImage(image, str(tmp_path / f"a{ending}"), useCompression=ending == ".mha")
    scan = open_scan(tmp_path / f"a{ending}")
    assert scan.source.kind == ("nrrd" if ending == ".nrrd" else "metaimage")
    for index in ((0, 0, 0), (47, 39, 5), (12, 3, 2)):
        place = np.array(image.TransformIndexToPhysicalPoint(index))
        assert value_at(scan.volume, place) == image.GetPixel(*index)


def test_a_big_endian_detached_nrrd_of_a_tooth():
    """One molar, 103 x 94 x 161 unsigned 16-bit big-endian (data/tooth_ct, MIT)."""
    path = shared_data("tooth_ct/tooth.nhdr")
    volume = open_scan(path).volume
    raw = np.fromfile(path.with_name("tooth.raw"), ">u2").reshape(161, 94, 103)
    assert np.array_equal(volume.grey(volume.stored), raw)


def test_paths_may_be_relative(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    SimpleITK.WriteImage(SimpleITK.GetImageFromArray(picture().astype(np.int16)), str(tmp_path / "a.mha"))
    monkeypatch.chdir(tmp_path)
    assert open_scan(Path("a.mha")).volume.shape == (6, 40, 48)


def test_the_head_ct_keeps_its_numbers():
    scan = open_scan(shared_data("headct_jaws/jaws_crop.nii.gz"))
    assert scan.volume.shape == (54, 150, 196)
    assert scan.volume.spacing_mm == pytest.approx((1.5, 0.8, 0.8))
    assert scan.volume.stored.max() == 3071
