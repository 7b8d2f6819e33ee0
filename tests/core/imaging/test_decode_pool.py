"""A decoder that crashes or never ends costs one picture and not the program."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

import numpy as np
import pytest

from planner_core.errors import PlannerError
from planner_core.imaging import decode_pool
from planner_core.imaging.decode_pool import DecodeError, decode_frames, end_children
from planner_core.imaging.dicom_import import read_dicom
from tests.core.imaging.made_series import picture, write_series
from tests.fuzz.inputs import damaged, samples

JPEG_LS = "1.2.840.10008.1.2.4.80"


@pytest.fixture
def packed(tmp_path: Path):
    end_children()
    yield write_series(tmp_path / "s", picture(slices=4), syntax=JPEG_LS)
    end_children()


def _idle() -> list[decode_pool._Child]:
    return list(decode_pool._idle)


def test_processes_are_kept_and_ended(packed: Path):
    read_dicom(packed)
    first = [child.process.pid for child in _idle()]
    assert 1 <= len(first) <= decode_pool.MOST_CHILDREN
    read_dicom(packed)
    assert set(first) <= {child.process.pid for child in _idle()}
    children = _idle()
    end_children()
    assert _idle() == []
    assert all(child.process.poll() is not None for child in children)


def test_a_decoder_that_crashed_is_replaced(packed: Path):
    read_dicom(packed)
    for child in _idle():
        child.process.send_signal(signal.SIGKILL)
        child.process.wait()
    assert read_dicom(packed).volume.shape == (4, 40, 48)


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="POSIX signals")
def test_a_decoder_that_does_not_end_is_given_up(packed: Path, monkeypatch: pytest.MonkeyPatch):
    read_dicom(packed)
    monkeypatch.setattr(decode_pool, "FRAME_S", 0.3)
    for child in _idle():
        os.kill(child.process.pid, signal.SIGSTOP)
    start = time.monotonic()
    with pytest.raises(PlannerError, match=r"cannot be decoded \(JPEG-LS"):
        read_dicom(packed)
    assert time.monotonic() - start < 10
    end_children()
    monkeypatch.setattr(decode_pool, "FRAME_S", 4.0)
    assert read_dicom(packed).volume.shape == (4, 40, 48)


def test_an_undecodable_picture_costs_no_process(packed: Path):
    read_dicom(packed)
    before = {child.process.pid for child in _idle()}
    how = {"rows": 8, "columns": 8, "number_of_frames": 1, "samples_per_pixel": 1, "bits_allocated": 16,
           "bits_stored": 16, "pixel_representation": 0, "photometric_interpretation": "MONOCHROME2",
           "pixel_keyword": "PixelData"}  # fmt: skip
    with pytest.raises(DecodeError):
        list(decode_frames([b"nonsense"], JPEG_LS, ("pyjpegls",), how))
    assert before <= {child.process.pid for child in _idle()} | before
    assert all(child.process.poll() is None for child in _idle())


def test_a_folder_named_like_a_library_where_the_user_works_does_no_harm(
    packed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    """Gdcm imports a module dl, which any folder of that name would be."""
    for name in ("dl", "json", "numpy", "jpeg_ls"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("raise SystemExit(1)")
    monkeypatch.chdir(tmp_path)
    assert read_dicom(packed).volume.shape == (4, 40, 48)


def test_damaged_inputs_are_the_same_on_every_run(tmp_path: Path):
    """What a long run of the fuzzer reports can be repeated from seed and number."""
    first, second = (samples(tmp_path / name) for name in ("a", "b"))
    assert first.keys() == second.keys()
    for number in range(60):
        assert damaged(first, 5, number) == damaged(second, 5, number)
    assert damaged(first, 5, 0) != damaged(first, 6, 0)
    assert np.all([content for listed in first.values() for _, content in listed])


def test_a_picture_that_wants_too_much_memory_fails_alone(tmp_path: Path):
    """A JPEG 2000 picture that claims 16 384 components of 512 x 512: 17 GB (ITU-T T.800 A.5.1, Csiz)."""
    folder = write_series(tmp_path / "s", picture(slices=2, rows=512, columns=512), syntax="1.2.840.10008.1.2.4.90")
    path = sorted(folder.iterdir())[0]
    raw = bytearray(path.read_bytes())
    at = raw.index(b"\xff\x4f\xff\x51")
    length = int.from_bytes(raw[at + 4 : at + 6], "big")
    component = bytes(raw[at + 42 : at + 45])
    raw[at + 4 : at + 6] = (length + 3 * 16383).to_bytes(2, "big")
    raw[at + 40 : at + 42] = (16384).to_bytes(2, "big")
    raw[at + 45 : at + 45] = component * 16383
    item = raw.rindex(b"\xfe\xff\x00\xe0", 0, at)
    size = int.from_bytes(raw[item + 4 : item + 8], "little") + 3 * 16383
    raw[item + 4 : item + 8] = (size + size % 2).to_bytes(4, "little")
    path.write_bytes(bytes(raw))
    with pytest.raises(PlannerError, match="cannot be decoded"):
        read_dicom(folder)
    end_children()
