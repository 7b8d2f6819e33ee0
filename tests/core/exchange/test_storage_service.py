"""The storage service files what is sent, byte for byte, and survives cut connections and garbage."""

from __future__ import annotations

import logging
import shutil
import socket
import struct
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from pydicom import uid
from pynetdicom import AE
from pynetdicom.sop_class import CTImageStorage, Verification

from planner_core.errors import PlannerError
from planner_core.exchange import inbox as inbox_module
from planner_core.exchange.inbox import Inbox
from planner_core.exchange.storage_service import MOST_ASSOCIATIONS, ReceivedSeries, StorageService
from planner_core.imaging.dicom_import import read_dicom
from tests.core.exchange.servers import dcmtk
from tests.core.imaging.made_series import picture, write_multiframe, write_series


@pytest.fixture
def service(tmp_path: Path):
    with StorageService(Inbox(tmp_path / "inbox")) as running:
        yield running


def files_in(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def send(service: StorageService, paths: list[Path], syntax: str = uid.ExplicitVRLittleEndian) -> list[int]:
    entity = AE(ae_title="SENDER")
    datasets = [pydicom.dcmread(path) for path in paths]
    for sop_class in {dataset.SOPClassUID for dataset in datasets}:
        entity.add_requested_context(sop_class, syntax)
    association = entity.associate(service.host, service.port)
    assert association.is_established
    statuses = [int(association.send_c_store(dataset).Status) for dataset in datasets]
    association.release()
    return statuses


def wait_until(condition: Any, seconds: float = 10.0) -> bool:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.02)
    return bool(condition())


def test_it_listens_on_the_loopback_address_only(service: StorageService):
    assert service.host == "127.0.0.1"
    assert service._server.server_address[0] == "127.0.0.1"


def test_echo(service: StorageService):
    entity = AE()
    entity.add_requested_context(Verification)
    association = entity.associate("127.0.0.1", service.port)
    assert association.send_c_echo().Status == 0
    association.release()


@pytest.mark.parametrize(
    "syntax",
    [uid.ExplicitVRLittleEndian, uid.ImplicitVRLittleEndian, uid.DeflatedExplicitVRLittleEndian, uid.JPEGLSLossless,
     uid.JPEG2000Lossless, uid.RLELossless],
    ids=lambda syntax: syntax.name.split(",")[0],
)  # fmt: skip
def test_a_sent_series_is_filed_in_its_syntax_and_readable(
    tmp_path: Path, service: StorageService, syntax: uid.UID
):
    source = write_series(tmp_path / "s", picture(), syntax=syntax)
    assert send(service, files_in(source), syntax) == [0] * 6
    filed = [path for path in files_in(tmp_path / "inbox") if path.suffix == ".dcm"]
    assert len(filed) == 6
    assert all(pydicom.dcmread(path).file_meta.TransferSyntaxUID == syntax for path in filed)
    assert filed[0].parent.name == "1.2.826.0.1.3680043.8.498.2"
    assert read_dicom(tmp_path / "inbox").volume.content_hash == read_dicom(source).volume.content_hash


def test_the_listener_hears_of_each_series(tmp_path: Path):
    heard: list[ReceivedSeries] = []
    a = write_series(tmp_path / "a", picture(), SeriesInstanceUID="1.2.3")
    b = write_series(tmp_path / "b", picture(slices=3), SeriesInstanceUID="1.2.4")
    with StorageService(Inbox(tmp_path / "inbox"), on_series=heard.append) as service:
        send(service, files_in(a) + files_in(b))
        assert wait_until(lambda: len(heard) == 2)
    assert {(one.series_uid, one.received, one.orderly) for one in heard} == {
        ("1.2.3", 6, True),
        ("1.2.4", 3, True),
    }
    assert all(one.folder.is_dir() for one in heard)


def test_the_same_object_twice_is_filed_once_and_another_one_beside_it(tmp_path: Path, service: StorageService):
    source = write_series(tmp_path / "s", picture(slices=2))
    send(service, files_in(source))
    send(service, files_in(source))
    assert len([path for path in files_in(tmp_path / "inbox") if path.suffix == ".dcm"]) == 2
    other = pydicom.dcmread(files_in(source)[0])
    other.PatientComments = "something else"
    other.save_as(tmp_path / "other.dcm")
    send(service, [tmp_path / "other.dcm"])
    assert len([path for path in files_in(tmp_path / "inbox") if path.suffix == ".dcm"]) == 3


def test_multi_frame_objects_arrive(tmp_path: Path, service: StorageService):
    path = write_multiframe(tmp_path / "one.dcm", picture(low=0, high=4000))
    assert send(service, [path]) == [0]
    assert np.array_equal(read_dicom(tmp_path / "inbox").volume.stored, read_dicom(path).volume.stored)


def _associate_by_hand(port: int) -> socket.socket:
    """Open a connection and ask for CT storage as PS3.8 9.3.2 has it, without any library."""

    def item(kind: int, content: bytes) -> bytes:
        return struct.pack(">BBH", kind, 0, len(content)) + content

    user = item(0x50, item(0x51, struct.pack(">I", 16384)) + item(0x52, b"1.2.3.4"))
    context = item(0x20, b"\x01\0\0\0" + item(0x30, CTImageStorage.encode()) + item(0x40, b"1.2.840.10008.1.2.1"))
    body = struct.pack(">HH16s16s32s", 1, 0, b"ANY".ljust(16), b"HAND".ljust(16), b"")
    body += item(0x10, b"1.2.840.10008.3.1.1.1") + context + user
    connection = socket.create_connection(("127.0.0.1", port), timeout=10)
    connection.sendall(struct.pack(">BBI", 1, 0, len(body)) + body)
    kind = connection.recv(1)
    assert kind == b"\x02"  # accepted
    return connection


def test_a_connection_cut_within_an_object_leaves_nothing_half_filed(tmp_path: Path, service: StorageService):
    connection = _associate_by_hand(service.port)
    # The beginning of a P-DATA with a command that promises a data set, then silence.
    connection.sendall(struct.pack(">BBI", 4, 0, 9000) + struct.pack(">IBB", 8990, 1, 3) + b"\0" * 300)
    connection.close()
    assert send(service, files_in(write_series(tmp_path / "s", picture()))) == [0] * 6
    filed = files_in(tmp_path / "inbox")
    assert len(filed) == 6
    assert all(path.suffix == ".dcm" for path in filed)


def test_a_sender_that_dies_is_reported_as_not_orderly(tmp_path: Path):
    heard: list[ReceivedSeries] = []
    paths = files_in(write_series(tmp_path / "s", picture()))
    with StorageService(Inbox(tmp_path / "inbox"), on_series=heard.append) as service:
        entity = AE()
        entity.add_requested_context(CTImageStorage, uid.ExplicitVRLittleEndian)
        association = entity.associate("127.0.0.1", service.port)
        for path in paths[:3]:
            association.send_c_store(pydicom.dcmread(path))
        association.abort()
        assert wait_until(lambda: len(heard) == 1)
    assert (heard[0].received, heard[0].orderly) == (3, False)


@pytest.mark.parametrize("seed", range(4))
def test_garbage_does_not_end_the_service(tmp_path: Path, service: StorageService, seed: int):
    rng = np.random.default_rng(seed)
    for _ in range(6):
        with socket.create_connection(("127.0.0.1", service.port), timeout=10) as connection:
            kind = struct.pack(">BBI", int(rng.integers(0, 9)), 0, int(rng.integers(0, 400)))
            connection.sendall((kind if rng.random() < 0.7 else b"GET / HTTP/1.1\r\n\r\n") + rng.bytes(400))
    for _ in range(MOST_ASSOCIATIONS + 2):  # none of them may keep its place
        with _associate_by_hand(service.port) as connection:
            connection.sendall(struct.pack(">BBI", 4, 0, 206) + struct.pack(">IBB", 202, 1, 3) + rng.bytes(200))
            connection.settimeout(10)
            while connection.recv(100):
                pass
    assert send(service, files_in(write_series(tmp_path / "s", picture(slices=2)))) == [0, 0]


def test_objects_without_identifiers_and_nonsense_are_refused(tmp_path: Path):
    box = Inbox(tmp_path / "inbox")
    for raw in (b"", b"hello", b"\0" * 128 + b"DICM", b"\0" * 128 + b"DICM" + b"\xff" * 400):
        with pytest.raises(PlannerError, match="no DICOM object"):
            box.file_object(raw)
    assert files_in(tmp_path / "inbox") == []


def test_identifiers_that_are_paths_stay_inside_the_inbox(tmp_path: Path):
    source = write_series(tmp_path / "s", picture(slices=1))
    dataset = pydicom.dcmread(files_in(source)[0])
    raw = files_in(source)[0].read_bytes()
    evil = b"../../../../../../evil/aaaa"
    series = dataset.SeriesInstanceUID.encode()
    assert len(series) == len(evil)
    filed = Inbox(tmp_path / "inbox").file_object(raw.replace(series, evil))
    assert (tmp_path / "inbox") in filed.path.resolve().parents
    for dots in (".", ".."):
        assert inbox_module._safe(dots).startswith("x")


def test_a_full_disk_is_answered_and_nothing_half_filed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    paths = files_in(write_series(tmp_path / "s", picture(slices=2)))
    with StorageService(Inbox(tmp_path / "inbox")) as service:
        monkeypatch.setattr(inbox_module, "LEAST_FREE_BYTES", 2**62)
        assert send(service, paths) == [0xA700, 0xA700]
        assert files_in(tmp_path / "inbox") == []
        monkeypatch.undo()
        assert send(service, paths) == [0, 0]
    assert (service.stored, service.refused) == (2, 2)


def test_parts_left_by_a_killed_program_are_swept(tmp_path: Path):
    Inbox(tmp_path / "inbox")
    (tmp_path / "inbox" / ".incoming" / "abc").write_bytes(b"half")
    Inbox(tmp_path / "inbox")
    assert files_in(tmp_path / "inbox") == []


def test_several_senders_at_once(tmp_path: Path, service: StorageService):
    folders = [write_series(tmp_path / str(k), picture(), SeriesInstanceUID=f"1.2.{k + 3}") for k in range(4)]
    threads = [threading.Thread(target=send, args=(service, files_in(folder))) for folder in folders]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert service.stored == 24


def test_ports_and_titles_that_cannot_be_are_refused(tmp_path: Path, service: StorageService):
    with pytest.raises(PlannerError, match="cannot listen"):
        StorageService(Inbox(tmp_path / "i2"), port=service.port).start()
    with pytest.raises(PlannerError, match="cannot listen"):
        StorageService(Inbox(tmp_path / "i2"), port=99999).start()
    with pytest.raises(PlannerError, match="no application entity title"):
        StorageService(Inbox(tmp_path / "i2"), title="x" * 17).start()
    (tmp_path / "file").write_text("")
    with pytest.raises(PlannerError, match="cannot be written"):
        Inbox(tmp_path / "file" / "inbox")


def test_no_identity_is_logged(tmp_path: Path, service: StorageService, caplog: pytest.LogCaptureFixture):
    with caplog.at_level(logging.DEBUG):
        send(service, files_in(write_series(tmp_path / "s", picture(slices=2))))
    assert "Beispiel" not in caplog.text
    assert "invented" not in caplog.text


@pytest.mark.parametrize(("syntax", "option"), [(uid.ExplicitVRLittleEndian, "-xe"), (uid.JPEGLSLossless, "-xt")])
def test_dcmtk_sends_without_transcoding(tmp_path: Path, service: StorageService, syntax: uid.UID, option: str):
    """DCMTK's storescu (Debian), another implementation of the standard."""
    program = dcmtk("storescu")
    source = write_series(tmp_path / "s", picture(), syntax=syntax)
    done = subprocess.run(
        [program, option, "-aec", "PLUMBLINE", "127.0.0.1", str(service.port), *map(str, files_in(source))],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert read_dicom(tmp_path / "inbox").volume.content_hash == read_dicom(source).volume.content_hash
    filed = [path for path in files_in(tmp_path / "inbox") if path.suffix == ".dcm"]
    assert {pydicom.dcmread(path).file_meta.TransferSyntaxUID for path in filed} == {syntax}


def test_dcmtk_echo(service: StorageService):
    done = subprocess.run(
        [dcmtk("echoscu"), "127.0.0.1", str(service.port)], capture_output=True, timeout=60, check=False
    )
    assert done.returncode == 0


def test_a_vanished_inbox_refuses_and_the_service_lives(tmp_path: Path, service: StorageService):
    paths = files_in(write_series(tmp_path / "s", picture(slices=1)))
    shutil.rmtree(tmp_path / "inbox")
    assert send(service, paths) == [0xA700]
    Inbox(tmp_path / "inbox")
    assert send(service, paths) == [0]
