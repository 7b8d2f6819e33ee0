"""Series come in voxel for voxel, in the right order and place, in every syntax that has an encoder here."""

from __future__ import annotations

import random
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pydicom
import pytest
import SimpleITK
from pydicom import uid
from pydicom.data import get_testdata_file
from pydicom.dataset import Dataset

from planner_core.errors import PlannerError
from planner_core.imaging.dicom_import import list_series, read_dicom
from planner_core.imaging.dicom_words import person_words
from planner_core.imaging.scan import ImportedScan
from tests.core.imaging.made_series import header, picture, save, set_pixels, write_multiframe, write_series


def grey(scan: ImportedScan) -> np.ndarray:
    return scan.volume.grey(scan.volume.stored)


def codes(scan: ImportedScan) -> set[str]:
    return {finding.code for finding in scan.findings}


def by_simpleitk(folder: Path) -> tuple[np.ndarray, np.ndarray]:
    """The same series by SimpleITK: grey values (slice, row, column) and the matrix from index to LPS mm."""
    names = SimpleITK.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder))
    reader = SimpleITK.ImageSeriesReader()
    reader.SetFileNames(names)
    image = reader.Execute()
    matrix = np.eye(4)
    columns = np.reshape(image.GetDirection(), (3, 3)) * np.array(image.GetSpacing())
    matrix[:3, :3] = columns[:, ::-1]
    matrix[:3, 3] = image.GetOrigin()
    return SimpleITK.GetArrayFromImage(image).astype(np.float64), matrix


OBLIQUE = tuple(np.round(np.array([0.96, 0.28, 0.0, -0.168, 0.576, 0.8]), 6))


@pytest.mark.parametrize("orientation", [(1, 0, 0, 0, 1, 0), (-1, 0, 0, 0, 1, 0), (0, 1, 0, 0, 0, -1), OBLIQUE])
def test_voxels_and_place_agree_with_simpleitk(tmp_path: Path, orientation: tuple[float, ...]):
    write_series(tmp_path / "s", picture(), ImageOrientationPatient=list(orientation), RescaleIntercept=-24)
    scan = read_dicom(tmp_path / "s")
    values, matrix = by_simpleitk(tmp_path / "s")
    axial = abs(orientation[2]) + abs(orientation[5]) < 0.5
    assert ("made-axial" in codes(scan)) is not axial
    if not axial:  # the same voxels, with the axes in another order
        order = [int(np.argmax(np.abs(matrix[axis, :3]))) for axis in (2, 1, 0)]
        values, matrix = values.transpose(order), matrix[:, [*order, 3]]
    assert np.array_equal(grey(scan), values)
    assert scan.volume.lps_from_index == pytest.approx(matrix, abs=1e-4)
    assert scan.volume.frame_of_reference_uid == "1.2.826.0.1.3680043.8.498.3"


LOSSLESS = [
    uid.ImplicitVRLittleEndian,
    uid.ExplicitVRLittleEndian,
    uid.ExplicitVRBigEndian,
    uid.DeflatedExplicitVRLittleEndian,
    uid.RLELossless,
    uid.JPEGLSLossless,
    uid.JPEG2000Lossless,
]


@pytest.mark.filterwarnings("ignore:.*is retired:UserWarning")
@pytest.mark.parametrize("syntax", LOSSLESS, ids=lambda syntax: syntax.name.split(",")[0])
@pytest.mark.parametrize(
    ("signed", "bits", "allocated", "low", "high"),
    [
        (True, 16, 16, -1000, 3000),
        (False, 16, 16, 0, 65535),
        (False, 12, 16, 0, 4095),
        (True, 12, 16, -2048, 2047),
        (False, 8, 8, 0, 255),
    ],
)
def test_every_syntax_gives_the_numbers_back(
    tmp_path: Path, syntax: uid.UID, signed: bool, bits: int, allocated: int, low: int, high: int
):
    values = picture(low=low, high=high)
    values[0, 0, :2] = low, high
    write_series(tmp_path / "s", values, signed=signed, bits=bits, allocated=allocated, syntax=syntax)
    scan = read_dicom(tmp_path / "s")
    assert np.array_equal(grey(scan), values)
    assert scan.volume.stored.dtype == np.int16


@pytest.mark.parametrize("syntax", ["57", "70"])
def test_lossless_jpeg_gives_the_numbers_back(tmp_path: Path, syntax: str):
    """Encoded by gdcm (Apache-2.0); JPEG lossless is what many scanners write."""
    import gdcm

    values = picture(low=0, high=4095)
    write_series(tmp_path / "s", values, signed=False, bits=12)
    for path in sorted((tmp_path / "s").iterdir()):
        reader = gdcm.ImageReader()
        reader.SetFileName(str(path))
        assert reader.Read()
        change = gdcm.ImageChangeTransferSyntax()
        kind = "JPEGLosslessProcess14" + ("" if syntax == "57" else "_1")
        change.SetTransferSyntax(gdcm.TransferSyntax(getattr(gdcm.TransferSyntax, kind)))
        change.SetInput(reader.GetImage())
        assert change.Change()
        writer = gdcm.ImageWriter()
        writer.SetFileName(str(path))
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        assert writer.Write()
        assert pydicom.dcmread(path).file_meta.TransferSyntaxUID == f"1.2.840.10008.1.2.4.{syntax}"
    assert np.array_equal(grey(read_dicom(tmp_path / "s")), values)


def test_near_lossless_jpeg_ls_stays_within_its_error(tmp_path: Path):
    values = picture(low=0, high=4000)
    for k, plane in enumerate(values):
        ds = header(ImagePositionPatient=[0, 0, 0.4 * k])
        set_pixels(ds, plane, signed=False, bits=12)
        ds.file_meta = pydicom.dataset.FileMetaDataset()
        ds.file_meta.TransferSyntaxUID = uid.ExplicitVRLittleEndian
        ds.compress(uid.JPEGLSNearLossless, jls_error=3)
        ds.save_as(tmp_path / f"{k}.dcm", enforce_file_format=True)
    assert np.abs(grey(read_dicom(tmp_path)) - values).max() <= 3


@pytest.mark.parametrize(
    "name",
    [
        "693_J2KI.dcm",
        "J2K_pixelrep_mismatch.dcm",
        "693_UNCR.dcm",
        "693_UNCI.dcm",
        "693_J2KR.dcm",
        "bad_sequence.dcm",
        "explicit_VR-UN.dcm",
        "CT_small.dcm",
    ],
)
def test_pydicoms_own_slices_decode_as_pydicom_and_simpleitk_do(name: str):
    """Single slices of pydicom and pydicom-data (MIT): JPEG 2000, JPEG lossless, plain."""
    from planner_core.imaging.dicom_elements import quiet_pydicom
    from planner_core.imaging.dicom_header import ImageHeader, read_header
    from planner_core.imaging.dicom_pixels import read_frame
    from planner_core.imaging.scan_files import collect_files

    path = Path(get_testdata_file(name, download=False))
    with quiet_pydicom(), collect_files(path) as files:
        head = read_header(files.files[0])
        assert isinstance(head, ImageHeader)
        plane = read_frame(head, 0)
    image = SimpleITK.GetArrayFromImage(SimpleITK.ReadImage(str(path)))[0].astype(float)
    ours = plane.astype(float) * head.slopes[0] + head.intercepts[0]
    assert np.array_equal(ours, image)


@pytest.mark.parametrize("sop_class", ["1.2.840.10008.5.1.4.1.1.2.1", "1.2.840.10008.5.1.4.1.1.2.2",
                                       "1.2.840.10008.5.1.4.1.1.13.1.2"])  # fmt: skip
@pytest.mark.parametrize("syntax", [uid.ExplicitVRLittleEndian, uid.JPEGLSLossless, uid.RLELossless])
def test_multi_frame_objects_are_sorted_by_their_frames_positions(tmp_path: Path, sop_class: str, syntax: str):
    values = picture(low=0, high=60000)
    write_multiframe(tmp_path / "one", values, sop_class=sop_class, syntax=syntax)
    scan = read_dicom(tmp_path / "one")
    assert np.array_equal(grey(scan), values - 1000.0)
    assert scan.volume.spacing_mm == pytest.approx((0.4, 0.3, 0.25))
    assert scan.source.files_used == 1


def test_enhanced_ct_of_pydicom_data_keeps_its_frames():
    path = Path(get_testdata_file("eCT_Supplemental.dcm", download=False))
    scan = read_dicom(path)
    whole = pydicom.dcmread(path)
    group = whole.SharedFunctionalGroupsSequence[0].PixelValueTransformationSequence[0]
    assert scan.volume.shape == (2, 512, 512)
    expected = whole.pixel_array.astype(float) * float(group.RescaleSlope) + float(group.RescaleIntercept)
    heights = [
        float(frame.PlanePositionSequence[0].ImagePositionPatient[2])
        for frame in whole.PerFrameFunctionalGroupsSequence
    ]
    assert heights == [-159.0, -149.0]
    # Its rows run to the right, so that the slices' normal points to the feet.
    assert np.array_equal(grey(scan), expected[::-1])


def _scramble(folder: Path, target: Path) -> None:
    names = sorted(folder.iterdir())
    random.Random(5).shuffle(names)
    target.mkdir()
    for index, path in enumerate(names):
        deep = target / f"{index % 3}" / "x"
        deep.mkdir(parents=True, exist_ok=True)
        shutil.copy(path, deep / f"IMG{index:03d}")


def test_scrambled_zipped_and_nested_copies_give_the_identical_volume(tmp_path: Path):
    write_series(tmp_path / "s", picture())
    plain = read_dicom(tmp_path / "s").volume
    _scramble(tmp_path / "s", tmp_path / "scrambled")
    shutil.make_archive(str(tmp_path / "flat"), "zip", tmp_path / "scrambled")
    with zipfile.ZipFile(tmp_path / "outer.zip", "w", zipfile.ZIP_DEFLATED) as outer:
        outer.write(tmp_path / "flat.zip", "sub/inner.ZIP")
        outer.writestr("readme.txt", "not a slice")
    (tmp_path / "with_zip").mkdir()
    shutil.copy(tmp_path / "flat.zip", tmp_path / "with_zip" / "scan.zip")
    for place in ("scrambled", "flat.zip", "outer.zip", "with_zip"):
        assert read_dicom(tmp_path / place).volume.content_hash == plain.content_hash, place


def test_multi_frame_in_a_zip(tmp_path: Path):
    values = picture(low=0, high=3000)
    write_multiframe(tmp_path / "one", values)
    with zipfile.ZipFile(tmp_path / "z.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(tmp_path / "one", "one")
    assert np.array_equal(grey(read_dicom(tmp_path / "z.zip")), values - 1000.0)


def test_a_disc_is_walked_from_its_directory_file():
    """The DICOMDIR of pydicom (MIT); its CT series of five slices is read from the folder around it."""
    disc = Path(get_testdata_file("dicomdirtests/DICOMDIR", download=False))
    listing = list_series(disc)
    five = next(one for one in listing.series if one.n_files == 5)
    assert five.problem == ""
    scan = read_dicom(disc, five.uid)
    assert scan.volume.shape == (5, 16, 16)
    values, _ = by_simpleitk(disc.parent / "98892001" / "CT5N")
    assert np.array_equal(grey(scan), values)
    assert listing.skipped["scout"] == 2


def test_what_is_no_slice_is_skipped_and_counted(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    plain = read_dicom(folder).volume
    (folder / "notes.txt").write_text("scan of Tuesday")
    (folder / "empty").write_bytes(b"")
    capture = header(SOPClassUID="1.2.840.10008.5.1.4.1.1.7")
    set_pixels(capture, np.zeros((4, 4)), signed=False, bits=8, allocated=8)
    save(capture, folder / "capture")
    scout = header(ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"], ImagePositionPatient=[0, 0, 0])
    set_pixels(scout, np.zeros((4, 4)), signed=True, bits=16)
    save(scout, folder / "scout")
    report = header(SOPClassUID="1.2.840.10008.5.1.4.1.1.88.11", Modality="SR")
    save(report, folder / "report")
    scan = read_dicom(folder)
    assert scan.volume.content_hash == plain.content_hash
    assert scan.source.files_skipped == 5
    text = next(f.text for f in scan.findings if f.code == "skipped-files")
    for words in ("2 x no DICOM file", "1 x scout", "1 x screen capture", "1 x report"):
        assert words in text
    listing = list_series(folder)
    assert len(listing.series) == 1
    assert sum(listing.skipped.values()) == 5


def test_files_without_preamble_and_suffix_are_read(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    plain = read_dicom(folder).volume
    for path in folder.iterdir():
        raw = path.read_bytes()
        dataset = pydicom.dcmread(path)
        dataset.file_meta = None
        bare = pydicom.filebase.DicomBytesIO()
        bare.is_little_endian, bare.is_implicit_VR = True, True
        pydicom.filewriter.write_dataset(bare, dataset)
        path.write_bytes(bare.getvalue())
        assert raw != path.read_bytes()
    assert read_dicom(folder).volume.content_hash == plain.content_hash


def test_several_series_are_listed_and_one_must_be_chosen(tmp_path: Path):
    write_series(tmp_path / "s" / "a", picture(slices=8), SeriesInstanceUID="1.2.3", SeriesDescription="sharp")
    write_series(tmp_path / "s" / "b", picture(slices=4), SeriesInstanceUID="1.2.4", SeriesDescription="soft")
    listing = list_series(tmp_path / "s")
    assert [(one.uid, one.shape) for one in listing.series] == [("1.2.3", (8, 40, 48)), ("1.2.4", (4, 40, 48))]
    first = listing.series[0]
    assert first.patient_name == "Anna Beispiel"
    assert first.date == "2026-01-02"
    assert first.spacing_mm == pytest.approx((0.4, 0.3, 0.25))
    assert first.size_mm == pytest.approx((3.2, 12.0, 12.0))
    assert first.thumbnail is not None
    assert first.thumbnail.shape == (40, 48)
    with pytest.raises(PlannerError, match="2 series"):
        read_dicom(tmp_path / "s")
    assert read_dicom(tmp_path / "s", "1.2.4").volume.shape == (4, 40, 48)
    with pytest.raises(PlannerError, match=r"no series 9\.9"):
        read_dicom(tmp_path / "s", "9.9")


def test_slopes_that_differ_between_slices_are_brought_onto_one_scale(tmp_path: Path):
    values = picture(low=0, high=4000)
    scales = [{"RescaleSlope": f"{0.7 + 0.05 * k:.3f}", "RescaleIntercept": f"{-1000 + k}"} for k in range(6)]
    write_series(tmp_path / "s", values, signed=False, bits=12, per_slice=scales)
    scan = read_dicom(tmp_path / "s")
    expected = by_simpleitk(tmp_path / "s")[0]
    step = (expected.max() - expected.min()) / 65000
    assert np.abs(grey(scan) - expected).max() <= step
    assert "scales-unified" in codes(scan)


def test_whole_slopes_that_differ_stay_exact(tmp_path: Path):
    values = picture(low=0, high=4000)
    scales = [{"RescaleSlope": 1 + k % 2, "RescaleIntercept": -1000 + 10 * k} for k in range(6)]
    write_series(tmp_path / "s", values, signed=False, bits=12, per_slice=scales)
    assert np.array_equal(grey(read_dicom(tmp_path / "s")), by_simpleitk(tmp_path / "s")[0])


def test_fractional_slope_is_kept_as_scale(tmp_path: Path):
    values = picture(low=0, high=4000)
    write_series(tmp_path / "s", values, signed=False, bits=12, RescaleSlope="0.25", RescaleIntercept="-512.5")
    volume = read_dicom(tmp_path / "s").volume
    assert (volume.scale, volume.offset) == (0.25, -512.5)
    assert np.array_equal(volume.stored, values)


def test_padding_outside_a_round_picture_becomes_its_lowest_value(tmp_path: Path):
    values = picture()
    outside = np.hypot(*(np.mgrid[:40, :48] - np.array([20, 24]).reshape(2, 1, 1))) > 21
    values[:, outside] = -2000
    write_series(tmp_path / "s", values, PixelPaddingValue=-2000, RescaleIntercept=-1024)
    scan = read_dicom(tmp_path / "s")
    assert grey(scan).min() == values[:, ~outside].min() - 1024
    assert np.array_equal(grey(scan)[:, ~outside], values[:, ~outside] - 1024)
    assert f"{6 * int(outside.sum())} voxels" in next(f.text for f in scan.findings if f.code == "padding-filled")


def test_a_padding_value_inside_the_scale_makes_no_holes(tmp_path: Path):
    values = picture()
    write_series(tmp_path / "s", values, PixelPaddingValue=int(np.median(values)))
    assert np.array_equal(grey(read_dicom(tmp_path / "s")), values)


def test_overlay_bits_above_the_numbers_are_masked(tmp_path: Path):
    values = picture(low=0, high=4095).astype(np.uint16)
    write_series(tmp_path / "s", values | 0x8000, signed=False, bits=12)
    assert np.array_equal(grey(read_dicom(tmp_path / "s")), values)


def test_copies_of_slices_are_left_out(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    plain = read_dicom(folder).volume
    for index, path in enumerate(sorted(folder.iterdir())[:2]):
        again = pydicom.dcmread(path)
        if index:
            again.SOPInstanceUID = uid.generate_uid()
        save(again, folder / f"copy{index}")
    scan = read_dicom(folder)
    assert scan.volume.content_hash == plain.content_hash
    assert "double-slices" in codes(scan)


def test_names_are_written_as_people_write_them():
    assert person_words("Muster^Eva^Maria^Dr.^MSc=x=y") == "Dr. Eva Maria Muster MSc"
    assert person_words("") == ""


def test_sources_say_whose_scan_it_is(tmp_path: Path):
    scan = read_dicom(write_series(tmp_path / "s", picture(), KVP="90", PatientBirthDate="19700131"))
    assert scan.source.patient_name == "Anna Beispiel"
    assert scan.source.patient_birth_date == "1970-01-31"
    assert scan.source.kvp == 90.0
    assert scan.source.study_date == "2026-01-02"


def test_coarse_voxels_are_a_finding(tmp_path: Path):
    assert "coarse-voxel" not in codes(read_dicom(write_series(tmp_path / "a", picture())))
    scan = read_dicom(write_series(tmp_path / "b", picture(), PixelSpacing=[0.45, 0.45]))
    assert "coarse-voxel" in codes(scan)


def test_empty_dataset_in_memory_stays_what_it_was():
    """The helper of these tests must not share state between slices."""
    assert isinstance(header(), Dataset)
    assert header().SOPInstanceUID != header().SOPInstanceUID
