"""Query and retrieve against Debian's orthanc, an archive not written by this project, over DICOM and DICOMweb."""

from __future__ import annotations

import http.server
import threading
from collections.abc import Iterator
from pathlib import Path

import pydicom
import pytest
from pydicom import uid
from pynetdicom import AE
from pynetdicom.sop_class import CTImageStorage

from planner_core.errors import PlannerError
from planner_core.exchange.archive_query import (
    Archive,
    echo,
    find_series,
    find_studies,
    get_series,
    move_series,
)
from planner_core.exchange.dicomweb import WebArchive, retrieve_series, search_series, search_studies
from planner_core.exchange.inbox import Inbox
from planner_core.exchange.storage_service import StorageService
from planner_core.imaging.dicom_import import read_dicom
from tests.core.exchange.servers import Orthanc, free_port, orthanc
from tests.core.imaging.made_series import picture, write_series

STUDY, SERIES = "1.2.826.0.1.3680043.8.498.1", "1.2.826.0.1.3680043.8.498.2"
OTHER = "1.2.826.0.1.3680043.8.498.5"


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, StorageService]:
    folder = tmp_path_factory.mktemp("archive")
    write_series(folder / "s", picture(slices=12), syntax=uid.JPEGLSLossless)
    write_series(folder / "t", picture(slices=3), SeriesInstanceUID=OTHER, SeriesDescription="small one")
    return folder, StorageService(Inbox(folder / "moved"))


@pytest.fixture(scope="module")
def server(places: tuple[Path, StorageService]) -> Iterator[Orthanc]:
    folder, service = places
    with service, orthanc(folder, {"plumb": ["PLUMBLINE", "127.0.0.1", service.port]}) as running:
        for name, syntax in (("s", uid.JPEGLSLossless), ("t", uid.ExplicitVRLittleEndian)):
            entity = AE()
            entity.add_requested_context(CTImageStorage, syntax)
            association = entity.associate("127.0.0.1", running.dicom_port)
            for path in sorted((folder / name).iterdir()):
                assert association.send_c_store(pydicom.dcmread(path)).Status == 0
            association.release()
        yield running


@pytest.fixture
def archive(server: Orthanc) -> Archive:
    return Archive("127.0.0.1", server.dicom_port, "ARCHIVE")


def test_echo_and_find(archive: Archive):
    echo(archive)
    (study,) = find_studies(archive, patient_name="Beisp*")
    assert (study.study_uid, study.patient_name, study.date) == (STUDY, "Anna Beispiel", "20260102")
    assert find_studies(archive, date="19990101-19991231") == ()
    series = {one.series_uid: one for one in find_series(archive, STUDY)}
    assert series[SERIES].objects == 12
    assert series[OTHER].description == "small one"
    with pytest.raises(PlannerError, match="nothing to look for"):
        find_studies(archive, patient_name="*")


def test_get_brings_the_series_unchanged(archive: Archive, places: tuple[Path, StorageService], tmp_path: Path):
    shares: list[float] = []
    fetched = get_series(archive, STUDY, SERIES, Inbox(tmp_path / "in"), lambda share, _="": shares.append(share))
    assert (fetched.received, fetched.failed) == (12, 0)
    assert shares == sorted(shares)
    got, sent = read_dicom(tmp_path / "in").volume, read_dicom(places[0] / "s").volume
    assert got.content_hash == sent.content_hash


def test_move_sends_it_to_our_own_service(archive: Archive, places: tuple[Path, StorageService]):
    fetched = move_series(archive, STUDY, SERIES, "PLUMBLINE")
    assert (fetched.received, fetched.failed) == (12, 0)
    got, sent = read_dicom(places[0] / "moved").volume, read_dicom(places[0] / "s").volume
    assert got.content_hash == sent.content_hash
    with pytest.raises(PlannerError, match="could not do it"):
        move_series(archive, STUDY, SERIES, "NOBODY")


def test_cancelling_a_get_keeps_whole_files_only(archive: Archive, tmp_path: Path):
    class StoppedError(Exception):
        pass

    def stop(share: float, text: str = "") -> None:
        if share > 0.3:
            raise StoppedError

    with pytest.raises(StoppedError):
        get_series(archive, STUDY, SERIES, Inbox(tmp_path / "in"), stop)
    for path in (tmp_path / "in").rglob("*.dcm"):
        assert pydicom.dcmread(path).pixel_array.shape == (40, 48)


def test_dicomweb_finds_and_brings_the_same(server: Orthanc, places: tuple[Path, StorageService], tmp_path: Path):
    if not server.has_web:
        pytest.skip("orthanc's DICOMweb plugin is not installed (Debian package orthanc-dicomweb)")
    archive = WebArchive(server.web + "/")
    (study,) = search_studies(archive, patient_name="Beisp*")
    assert (study.study_uid, study.patient_name, study.modalities) == (STUDY, "Anna Beispiel", "CT")
    assert {one.series_uid: one.objects for one in search_series(archive, STUDY)} == {SERIES: 12, OTHER: 3}
    fetched = retrieve_series(archive, STUDY, SERIES, Inbox(tmp_path / "in"))
    assert (fetched.received, fetched.failed) == (12, 0)
    got, sent = read_dicom(tmp_path / "in").volume, read_dicom(places[0] / "s").volume
    assert got.content_hash == sent.content_hash
    with pytest.raises(PlannerError, match="HTTP 404"):
        retrieve_series(archive, STUDY, "1.2.3", Inbox(tmp_path / "none"))
    with pytest.raises(PlannerError, match=r"not as a DICOMweb archive|HTTP"):
        search_series(WebArchive(server.web.replace("dicom-web", "app")), STUDY)


def test_archives_that_are_not_there_get_a_sentence():
    with pytest.raises(PlannerError, match="does not answer"):
        echo(Archive("127.0.0.1", free_port(), "ARCHIVE"))
    with pytest.raises(PlannerError, match="does not answer"):
        search_studies(WebArchive(f"http://127.0.0.1:{free_port()}"), patient_id="1")
    with pytest.raises(PlannerError, match="no web address"):
        WebArchive("file:///etc/passwd")
    with pytest.raises(PlannerError, match="unprotected"):
        WebArchive("http://archive.example/dicom-web", "me", "secret")
    with pytest.raises(PlannerError, match="no DICOM identifier"):
        search_series(WebArchive("http://127.0.0.1:1"), "1.2/../../x")


def test_an_archive_that_refuses_the_title_is_named():
    """A service that lets only one title in."""
    from pynetdicom.sop_class import Verification

    entity = AE(ae_title="STRICT")
    entity.add_supported_context(Verification)
    entity.require_called_aet = True
    running = entity.start_server(("127.0.0.1", 0), block=False)
    try:
        with pytest.raises(PlannerError, match="refuses a connection from PLUMBLINE"):
            echo(Archive("127.0.0.1", running.server_address[1], "OTHER"))
    finally:
        running.shutdown()


class _Strange(http.server.BaseHTTPRequestHandler):
    """Answers nonsense: by path a cut multipart, a redirect elsewhere, HTML, or deep JSON."""

    def do_GET(self) -> None:
        if "/cut/" in self.path:
            body = b"--b\r\nContent-Type: application/dicom\r\n\r\nDICM..."
            kind = "multipart/related; boundary=b"
        elif "/away/" in self.path:
            self.send_response(302)
            self.send_header("Location", "http://localhost.invalid/")
            self.end_headers()
            return
        elif "/deep/" in self.path:
            body, kind = b"[" * 200_000, "application/dicom+json"
        else:
            body, kind = b"<html></html>", "text/html"
        self.send_response(200)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        pass


def test_strange_web_answers_get_a_sentence(tmp_path: Path):
    running = http.server.ThreadingHTTPServer(("127.0.0.1", 0), _Strange)
    thread = threading.Thread(target=running.serve_forever)
    thread.start()
    root = f"http://127.0.0.1:{running.server_address[1]}"
    try:
        with pytest.raises(PlannerError, match="cut short"):
            retrieve_series(WebArchive(f"{root}/cut"), "1.2", "1.3", Inbox(tmp_path / "in"))
        with pytest.raises(PlannerError, match="HTTP 302"):
            search_series(WebArchive(f"{root}/away"), "1.2")
        for name in ("deep", "html"):
            with pytest.raises(PlannerError, match="not as a DICOMweb archive"):
                search_series(WebArchive(f"{root}/{name}"), "1.2")
        with pytest.raises(PlannerError, match="not as a DICOMweb archive"):
            retrieve_series(WebArchive(f"{root}/html"), "1.2", "1.3", Inbox(tmp_path / "in"))
    finally:
        running.shutdown()
        running.server_close()
        thread.join()
    assert list((tmp_path / "in").rglob("*.dcm")) == []
