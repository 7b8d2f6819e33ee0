"""Lossy and rare ways of packing pixels: read as another decoder reads them, or refused with a sentence."""

from __future__ import annotations

import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pydicom
import pytest
from pydicom.data import get_testdata_file
from pydicom.uid import generate_uid

from planner_core.errors import PlannerError
from planner_core.imaging.decode_pool import decode_frames
from planner_core.imaging.dicom_elements import quiet_pydicom, text
from planner_core.imaging.dicom_header import _parse
from planner_core.imaging.dicom_import import list_series, read_dicom
from planner_core.imaging.dicom_quick import quick_header
from tests.core.imaging.made_series import header, picture, save, set_pixels, write_multiframe, write_series

DCMTK = shutil.which("dcmcjpeg", path="/usr/bin:/usr/local/bin") is not None
"""Debian's DCMTK packs and unpacks the pictures here; its decoder is not one of ours."""

HTJ2K_LOSSLESS = "1.2.840.10008.1.2.4.201"


@pytest.mark.skipif(not DCMTK, reason="DCMTK is not installed")
@pytest.mark.parametrize(
    ("bits", "option", "syntax"),
    [(8, "+eb", "1.2.840.10008.1.2.4.50"), (8, "+ee", "1.2.840.10008.1.2.4.51"),
     (12, "+ee", "1.2.840.10008.1.2.4.51"), (12, "+el", "1.2.840.10008.1.2.4.57"),
     (12, "+e1", "1.2.840.10008.1.2.4.70")],
)  # fmt: skip
def test_jpeg_is_read_as_dcmtk_reads_it(tmp_path: Path, bits: int, option: str, syntax: str) -> None:
    values = picture(slices=4, low=0, high=2**bits - 1)
    plain = write_series(tmp_path / "plain", values, signed=False, bits=bits, allocated=8 if bits == 8 else 16)
    packed, unpacked = tmp_path / "packed", tmp_path / "unpacked"
    for folder in (packed, unpacked):
        folder.mkdir()
    for path in plain.iterdir():
        quality = ["+q", "95"] if option in ("+eb", "+ee") else []
        subprocess.run(["/usr/bin/dcmcjpeg", option, *quality, path, packed / path.name], check=True)
        subprocess.run(["/usr/bin/dcmdjpeg", packed / path.name, unpacked / path.name], check=True)
        assert pydicom.dcmread(packed / path.name).file_meta.TransferSyntaxUID == syntax
    ours, theirs = read_dicom(packed).volume, read_dicom(unpacked).volume
    assert np.array_equal(ours.grey(ours.stored), theirs.grey(theirs.stored))
    assert np.array_equal(ours.lps_from_index, theirs.lps_from_index)
    original = read_dicom(plain).volume
    assert np.abs(ours.grey(ours.stored) - original.grey(original.stored)).max() < 0.06 * 2**bits


@pytest.mark.skipif(not DCMTK, reason="DCMTK is not installed")
@pytest.mark.parametrize("name", ["JPEG-lossy.dcm", "JPGExtended.dcm"])
def test_12_bit_jpeg_of_other_makers(tmp_path: Path, name: str) -> None:
    """Two scintigrams of pydicom's test files; pydicom's own plugin for GDCM refuses both."""
    source = Path(get_testdata_file(name))
    subprocess.run(["/usr/bin/dcmdjpeg", source, tmp_path / "plain.dcm"], check=True, capture_output=True)
    expected = pydicom.dcmread(tmp_path / "plain.dcm").pixel_array
    packed = pydicom.dcmread(source)
    how = {"rows": packed.Rows, "columns": packed.Columns, "samples_per_pixel": 1, "bits_allocated": 16,
           "bits_stored": 12, "pixel_representation": 0, "photometric_interpretation": "MONOCHROME2",
           "pixel_keyword": "PixelData"}  # fmt: skip
    frames = list(pydicom.encaps.generate_frames(packed.PixelData, number_of_frames=1))
    (plane,) = decode_frames(frames, "1.2.840.10008.1.2.4.51", ("gdcm", "pillow"), how)
    assert np.array_equal(plane, expected)


def blank_htj2k(rows: int, columns: int, bits: int) -> bytes:
    """A high-throughput codestream without one code block (ITU-T T.814): every voxel at mid-scale.

    No encoder for this syntax is at hand; the codestream is written by hand after ITU-T T.800 annex A.
    """
    size = struct.pack(">HIIIIIIIIHBBB", 0x4000, columns, rows, 0, 0, columns, rows, 0, 0, 1, bits - 1, 1, 1)
    capabilities = struct.pack(">IH", 1 << 17, 0)  # Pcap15; Ccap15: high throughput only, reversible
    style = struct.pack(">BBHBBBBBB", 0, 0, 1, 0, 0, 4, 4, 0x40, 1)  # no decomposition, 64 x 64, HT blocks, 5/3
    quantisation = struct.pack(">BB", 0x20, (bits + 1) << 3)
    segments = b"".join(
        struct.pack(">HH", marker, len(body) + 2) + body
        for marker, body in ((0xFF51, size), (0xFF50, capabilities), (0xFF52, style), (0xFF5C, quantisation))
    )
    packet = b"\0"  # one empty packet (T.800 B.10.3)
    tile = struct.pack(">HHHIBB", 0xFF90, 10, 0, 14 + len(packet), 0, 1) + b"\xff\x93" + packet
    return b"\xff\x4f" + segments + tile + b"\xff\xd9"


def test_htj2k_is_handed_to_its_decoder(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    folder.mkdir()
    for k in range(4):
        ds = header(ImagePositionPatient=[0, 0, round(0.4 * k, 3)])
        set_pixels(ds, np.zeros((40, 48)), signed=False, bits=12)
        ds.SOPInstanceUID = generate_uid(entropy_srcs=["htj2k", str(k)])
        save(ds, folder / f"{k}.dcm")
        ds = pydicom.dcmread(folder / f"{k}.dcm")
        ds.file_meta.TransferSyntaxUID = HTJ2K_LOSSLESS
        ds.PixelData = pydicom.encaps.encapsulate([blank_htj2k(40, 48, 12)])
        ds["PixelData"].VR = "OB"
        ds["PixelData"].is_undefined_length = True
        ds.save_as(folder / f"{k}.dcm", enforce_file_format=True)
    volume = read_dicom(folder).volume
    assert volume.shape == (4, 40, 48)
    assert (volume.grey(volume.stored) == 2048).all()


def test_a_damaged_htj2k_picture_gets_a_sentence(tmp_path: Path) -> None:
    test_htj2k_is_handed_to_its_decoder(tmp_path)
    for path in (tmp_path / "s").iterdir():
        raw = path.read_bytes()
        at = raw.index(b"\xff\x52\x00\x0c")
        path.write_bytes(raw[: at + 12] + b"\xff" + raw[at + 13 :])
    with pytest.raises(PlannerError, match="cannot be decoded"):
        read_dicom(tmp_path / "s")


@pytest.mark.parametrize("keyword", ["FloatPixelData", "DoubleFloatPixelData"])
def test_floating_point_voxels_are_refused_with_what_to_do(tmp_path: Path, keyword: str) -> None:
    """PS3.3 C.7.6.24 and C.7.6.25 hold numbers that no CT object may hold (A.3.3, A.38.1)."""
    folder = write_series(tmp_path / "s", picture())
    for path in folder.iterdir():
        ds = pydicom.dcmread(path)
        numbers = ds.pixel_array.astype("<f4" if keyword == "FloatPixelData" else "<f8")
        del ds.PixelData
        setattr(ds, keyword, numbers.tobytes())
        ds.BitsAllocated = 8 * numbers.itemsize
        ds.save_as(path)
    with pytest.raises(PlannerError, match=r"floating-point numbers.*5 more files.*16-bit voxels, or as NIfTI"):
        read_dicom(folder)
    assert list_series(folder).series == ()


@pytest.mark.parametrize("bits", [1, 32, 64])
def test_voxels_of_other_sizes_are_refused_with_what_to_do(tmp_path: Path, bits: int) -> None:
    folder = write_series(tmp_path / "s", picture())
    for path in folder.iterdir():
        ds = pydicom.dcmread(path)
        ds.BitsAllocated = ds.BitsStored = bits
        ds.HighBit = bits - 1
        ds.PixelData = bytes(40 * 48 * max(1, bits // 8))
        ds.save_as(path)
    with pytest.raises(PlannerError, match=f"numbers of {bits} bits.*16-bit voxels, or as NIfTI"):
        read_dicom(folder)


def test_progressive_jpeg_is_refused_by_name(tmp_path: Path) -> None:
    folder = write_series(tmp_path / "s", picture(), syntax="1.2.840.10008.1.2.4.80")
    for path in folder.iterdir():
        ds = pydicom.dcmread(path)
        ds.file_meta.TransferSyntaxUID = "1.2.840.10008.1.2.4.55"
        ds.save_as(path)
    with pytest.raises(PlannerError, match=r"compressed in a way that is not read here \(JPEG Full Progression"):
        read_dicom(folder)


NAMES = [
    "CT_small.dcm",
    "explicit_VR-UN.dcm",
    "examples_ybr_color.dcm",
    "J2K_pixelrep_mismatch.dcm",
    "MR_small.dcm",
    "rtdose_rle.dcm",
    "693_UNCR.dcm",
]


@pytest.mark.parametrize("name", NAMES)
def test_the_quick_reader_of_headers_agrees_with_pydicom(name: str) -> None:
    """Element by element, in the bytes and in the words; or it gives the file to pydicom."""
    found = get_testdata_file(name)
    if found is None:
        pytest.skip(f"{name} is not among the installed test files")
    head = Path(found).read_bytes()
    quick = quick_header(head)
    with quiet_pydicom():
        slow = pydicom.dcmread(found, stop_before_pixels=True)
        assert quick is not None
        dataset, start = quick
        assert [element.tag for element in dataset] == [element.tag for element in slow]
        assert all(dataset[element.tag].value == element.value for element in slow)
        assert text(dataset, "PatientName") == text(slow, "PatientName")
        assert dataset.file_meta.TransferSyntaxUID == slow.file_meta.TransferSyntaxUID
    assert head[start : start + 4] == b"\xe0\x7f\x10\x00"


def test_the_quick_reader_takes_what_scanners_write(tmp_path: Path) -> None:
    plain = write_series(
        tmp_path / "s", picture(slices=2), PatientName="Müller^Änne", SpecificCharacterSet="ISO_IR 100"
    )
    dataset, _ = quick_header(next(plain.iterdir()).read_bytes())  # type: ignore[misc]
    assert text(dataset, "PatientName") == "Müller^Änne"
    packed = write_series(tmp_path / "j", picture(slices=2), syntax="1.2.840.10008.1.2.4.80")
    assert quick_header(next(packed.iterdir()).read_bytes()) is not None


@pytest.mark.parametrize("syntax", ["1.2.840.10008.1.2", "1.2.840.10008.1.2.2", "1.2.840.10008.1.2.1.99"])
def test_the_quick_reader_leaves_other_headers_alone(tmp_path: Path, syntax: str) -> None:
    folder = write_series(tmp_path / "s", picture(slices=2), syntax=syntax)
    assert quick_header(next(folder.iterdir()).read_bytes()) is None
    assert read_dicom(folder).volume.shape == (2, 40, 48)


def test_the_quick_reader_leaves_damage_and_sequences_without_length_alone(tmp_path: Path) -> None:
    raw = next(write_series(tmp_path / "s", picture(slices=2)).iterdir()).read_bytes()
    at = raw.index(b"\x28\x00\x10\x00US")
    assert quick_header(raw[:at]) is None
    assert quick_header(raw[:at] + b"\x28\x00\x10\x00??" + raw[at + 6 :]) is None
    assert quick_header(raw[:at] + raw[at : at + 10] * 2 + raw[at + 10 :]) is None
    frames = write_multiframe(tmp_path / "m.dcm", picture()).read_bytes()
    quick = quick_header(frames)
    parsed, end, _ = _parse(frames)
    assert parsed is not None
    assert end is not None
    if quick is not None:
        assert quick[1] == end
