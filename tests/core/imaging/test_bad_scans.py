"""Bad input gets one sentence and a remedy, nothing large is allocated for it, and nothing is left behind."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import tracemalloc
import zipfile
from pathlib import Path

import numpy as np
import pydicom
import pytest

from planner_core.errors import PlannerError
from planner_core.imaging import scan_files
from planner_core.imaging.dicom_import import list_series, read_dicom
from planner_core.imaging.open_scan import open_scan
from planner_core.progress import Progress
from tests.core.imaging.made_series import picture, write_multiframe, write_series


def refused(source: Path) -> str:
    """The sentence with which a source is refused; it must name a remedy."""
    with pytest.raises(PlannerError) as caught:
        open_scan(source)
    assert caught.value.remedy
    assert caught.value.message.endswith(".")
    return caught.value.message


def test_missing_empty_and_foreign_sources(tmp_path: Path):
    assert "There is no file or folder" in refused(tmp_path / "nothing")
    (tmp_path / "empty").mkdir()
    assert "is empty" in refused(tmp_path / "empty")
    (tmp_path / "text.txt").write_text("no scan\n" * 50)
    assert "No CT or cone-beam series" in refused(tmp_path / "text.txt")
    assert "1 x no DICOM file" in refused(tmp_path / "text.txt")
    (tmp_path / "zero").write_bytes(b"")
    assert "No CT or cone-beam series" in refused(tmp_path / "zero")
    (tmp_path / "x.nii").write_bytes(b"\0" * 400)
    assert "no NIfTI image" in refused(tmp_path / "x.nii")
    (tmp_path / "x.nrrd").write_text("NRRD0004\n")
    assert "no readable nrrd image" in refused(tmp_path / "x.nrrd")


@pytest.mark.parametrize("share", [0.05, 0.3, 0.6, 0.99])
def test_truncated_files_are_named(tmp_path: Path, share: float):
    folder = write_series(tmp_path / "s", picture())
    victim = sorted(folder.iterdir())[2]
    victim.write_bytes(victim.read_bytes()[: int(victim.stat().st_size * share)])
    with pytest.raises(PlannerError) as caught:
        read_dicom(folder)
    # Cut within the first bytes it is no DICOM file any more, and its place in the stack is empty.
    assert victim.name in caught.value.message or "missing" in caught.value.message


@pytest.mark.parametrize("syntax", ["1.2.840.10008.1.2.4.80", "1.2.840.10008.1.2.4.90", "1.2.840.10008.1.2.5"])
def test_truncated_compressed_files_are_named(tmp_path: Path, syntax: str):
    folder = write_series(tmp_path / "s", picture(), syntax=syntax)
    victim = sorted(folder.iterdir())[2]
    victim.write_bytes(victim.read_bytes()[:-400])
    assert victim.name in refused(folder)


def _set_word(path: Path, tag: bytes, value: int) -> None:
    raw = bytearray(path.read_bytes())
    at = raw.index(tag + b"US\x02\x00")
    raw[at + 8 : at + 10] = struct.pack("<H", value)
    path.write_bytes(bytes(raw))


ROWS, COLUMNS = b"\x28\x00\x10\x00", b"\x28\x00\x11\x00"


@pytest.mark.parametrize("syntax", ["1.2.840.10008.1.2.1", "1.2.840.10008.1.2.4.80", "1.2.840.10008.1.2.5"])
@pytest.mark.parametrize("side", [4096, 65535])
def test_huge_sizes_in_a_small_file_allocate_nothing(tmp_path: Path, syntax: str, side: int):
    folder = write_series(tmp_path / "s", picture(), syntax=syntax)
    for path in folder.iterdir():
        _set_word(path, ROWS, side)
        _set_word(path, COLUMNS, side)
    tracemalloc.start()
    try:
        refused(folder)
        list_series(folder)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 16e6


def test_frames_that_are_not_there_are_refused(tmp_path: Path):
    path = write_multiframe(tmp_path / "one", picture(low=0, high=100))
    raw = path.read_bytes()
    at = raw.index(b"\x28\x00\x08\x00IS\x02\x006 ")
    path.write_bytes(raw[: at + 8] + b"99" + raw[at + 10 :])
    assert "cut short" in refused(path)


def test_impossible_bit_counts_are_refused(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    for path in folder.iterdir():
        _set_word(path, b"\x28\x00\x00\x01", 64)
    assert "of 64 bits" in refused(folder)


def test_lossy_and_unknown_compression_gets_a_sentence(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture(), syntax="1.2.840.10008.1.2.4.80")
    for path in folder.iterdir():
        raw = path.read_bytes()
        path.write_bytes(raw.replace(b"1.2.840.10008.1.2.4.80\0", b"1.2.840.10008.1.2.4.80\0").replace(
            b"1.2.840.10008.1.2.4.80", b"1.2.840.10008.1.2.4.99"))  # fmt: skip
    assert "compress" in refused(folder)


def test_a_scale_of_zero_is_refused(tmp_path: Path):
    assert "scale of zero" in refused(write_series(tmp_path / "s", picture(), RescaleSlope=0))


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX rights")
def test_unreadable_folders_and_files_get_a_sentence(tmp_path: Path):
    """As another user than root, who may read everything; root runs it under a user id without rights."""
    folder = write_series(tmp_path / "s", picture())
    os.chmod(folder, 0)
    code = (
        "import os, sys\n"
        "from pathlib import Path\n"
        "from planner_core.imaging.open_scan import open_scan\n"
        "from planner_core.errors import PlannerError\n"
        "if os.getuid() == 0: os.setgid(65534); os.setuid(65534)\n"
        "try: open_scan(Path(sys.argv[1]))\n"
        "except PlannerError as error: print(error)\n"
    )
    for place in [tmp_path, *tmp_path.parents]:
        if place.owner() == folder.owner() and place != Path("/") and place.stat().st_mode & 0o111 != 0o111:
            os.chmod(place, place.stat().st_mode | 0o011)
            if place == tmp_path.parents[2]:
                break
    try:
        done = subprocess.run(
            [sys.executable, "-c", code, str(folder)], capture_output=True, text=True, timeout=60, check=False
        )
    finally:
        os.chmod(folder, 0o755)
    assert done.returncode == 0, done.stderr
    assert "may not be read by this user" in done.stdout


def _zip(path: Path, members: dict[str, bytes], method: int = zipfile.ZIP_DEFLATED) -> Path:
    with zipfile.ZipFile(path, "w", method) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return path


def test_zip_bombs_are_refused_by_ratio_and_by_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(scan_files, "RATIO_FROM_BYTES", 1_000_000)
    bomb = _zip(tmp_path / "ratio.zip", {f"{k}.dcm": b"\0" * 1_000_000 for k in range(3)})
    assert "times its size" in refused(bomb)
    monkeypatch.setattr(scan_files, "MOST_UNPACKED_BYTES", 1_500_000)
    monkeypatch.setattr(scan_files, "MOST_RATIO", 1e9)
    inner = _zip(tmp_path / "inner.zip", {"a": b"\0" * 1_000_000}).read_bytes()
    assert "would unpack to" in refused(_zip(tmp_path / "nested.zip", {"1.zip": inner, "2.zip": inner}))


def test_zips_nested_too_deeply_and_too_many_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    content = b"x"
    for _ in range(5):
        content = _zip(tmp_path / "z.zip", {"deeper.zip": content}).read_bytes()
    assert "zip nested too deeply" in refused(tmp_path / "z.zip")
    monkeypatch.setattr(scan_files, "MOST_FILES", 10)
    many = _zip(tmp_path / "many.zip", {str(k): b"" for k in range(20)})
    assert "more than 10 files" in refused(many)


def test_members_that_lie_about_their_size_do_no_harm(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    raw = _zip(tmp_path / "a.zip", {path.name: path.read_bytes() for path in folder.iterdir()}).read_bytes()
    size = struct.pack("<I", next(folder.iterdir()).stat().st_size)
    (tmp_path / "a.zip").write_bytes(raw.replace(size, struct.pack("<I", 200)))
    refused(tmp_path / "a.zip")


def test_damaged_and_locked_zips_get_a_sentence(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    whole = _zip(tmp_path / "a.zip", {path.name: path.read_bytes() for path in folder.iterdir()})
    raw = bytearray(whole.read_bytes())
    (tmp_path / "cut.zip").write_bytes(raw[: len(raw) // 2])
    assert "damaged" in refused(tmp_path / "cut.zip")
    at = len(raw) // 3
    (tmp_path / "bad.zip").write_bytes(bytes(raw[:at]) + b"\xaa" * 60 + bytes(raw[at + 60 :]))
    assert "damaged" in refused(tmp_path / "bad.zip")
    locked = bytearray(raw)
    at = 0
    while (at := locked.find(b"PK\x01\x02", at)) >= 0:
        locked[at + 8] |= 1
        at += 4
    (tmp_path / "locked.zip").write_bytes(bytes(locked))
    assert "locked with a password" in refused(tmp_path / "locked.zip")


def test_path_tricks_in_a_zip_write_nothing(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    members = {f"../../evil/{path.name}": path.read_bytes() for path in folder.iterdir()}
    _zip(tmp_path / "tricky.zip", members)
    before = sorted(tmp_path.parent.rglob("*"))
    assert read_dicom(tmp_path / "tricky.zip").volume.shape == (6, 40, 48)
    assert sorted(tmp_path.parent.rglob("*")) == before


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes on this system")
def test_pipes_in_a_folder_do_not_hang(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    os.mkfifo(folder / "pipe")
    assert "not a regular file" in next(
        finding.text for finding in read_dicom(folder).findings if finding.code == "skipped-files"
    )


class StoppedError(Exception):
    pass


def _stop_after(count: int) -> Progress:
    left = [count]

    def report(fraction: float, text: str = "") -> None:
        assert 0.0 <= fraction <= 1.0
        left[0] -= 1
        if left[0] < 0:
            raise StoppedError

    return report


def test_cancelling_anywhere_ends_the_import(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture(slices=40))
    for count in range(0, 12, 3):
        with pytest.raises(StoppedError):
            read_dicom(folder, progress=_stop_after(count))


def test_hostile_element_lengths_allocate_nothing(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    path = sorted(folder.iterdir())[0]
    raw = path.read_bytes()
    at = raw.index(b"\x10\x00\x10\x00PN")
    path.write_bytes(raw[:at] + b"\x09\x00\x10\x00UN\0\0\xf0\xff\xff\x7f" + raw[at:])
    tracemalloc.start()
    try:
        refused(folder)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 16e6


def test_a_deflated_bomb_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    import zlib

    from planner_core.imaging import dicom_header

    folder = write_series(tmp_path / "s", picture(), syntax="1.2.840.10008.1.2.1.99")
    path = sorted(folder.iterdir())[0]
    raw = path.read_bytes()
    start = 144 + int.from_bytes(raw[140:144], "little")
    plain = zlib.decompress(raw[start:], -zlib.MAX_WBITS)
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    path.write_bytes(raw[:start] + packer.compress(plain + b"\0" * 5_000_000) + packer.flush())
    monkeypatch.setattr(dicom_header, "MOST_INFLATED_BYTES", 1_000_000)
    assert "unpacks to more than" in refused(folder)


def test_damage_in_another_series_does_not_block_this_one(tmp_path: Path):
    write_series(tmp_path / "s" / "a", picture(), SeriesInstanceUID="1.2.3")
    other = write_series(tmp_path / "s" / "b", picture(), SeriesInstanceUID="1.2.4")
    victim = sorted(other.iterdir())[0]
    victim.write_bytes(victim.read_bytes()[:-100])
    scan = read_dicom(tmp_path / "s", "1.2.3")
    assert "1 x damaged file" in next(f.text for f in scan.findings if f.code == "skipped-files")
    with pytest.raises(PlannerError, match="cut short"):
        read_dicom(tmp_path / "s", "1.2.4")


def test_a_bare_header_is_no_picture(tmp_path: Path):
    folder = write_series(tmp_path / "s", picture())
    for path in folder.iterdir():
        dataset = pydicom.dcmread(path, stop_before_pixels=True)
        for keyword in ("Rows", "Columns"):
            delattr(dataset, keyword)
        stream = io.BytesIO()
        dataset.save_as(stream, enforce_file_format=True)
        path.write_bytes(stream.getvalue())
    assert "ends before its picture data" in refused(folder)


def test_nifti_that_promises_more_than_it_holds(tmp_path: Path):
    import nibabel

    nibabel.save(nibabel.Nifti1Image(np.zeros((4, 4, 4), np.int16), np.eye(4)), tmp_path / "a.nii")
    raw = bytearray((tmp_path / "a.nii").read_bytes())
    raw[42:48] = struct.pack("<3h", 32000, 32000, 32000)
    (tmp_path / "a.nii").write_bytes(bytes(raw))
    assert "more than it can hold" in refused(tmp_path / "a.nii")


def test_packed_files_may_claim_what_packing_can_hold_and_no_more():
    """Deflate's best is 1032 to 1 (RFC 1951); large volumes must pack like scans."""
    from planner_core.imaging.foreign_arrays import most_bytes

    assert most_bytes(1000) == 1_100_000
    assert most_bytes(5_000_000) == 512 * 1024**2
    assert most_bytes(20_000_000) == 2_000_000_000
    assert most_bytes(10**9) == 6 * 1024**3
