"""Receive, query and retrieve by command, against pynetdicom and Debian's orthanc on the loopback address."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pydicom
import pytest
from pydicom.data import get_testdata_file
from pynetdicom import AE
from pynetdicom.sop_class import CTImageStorage

from app.cli import main
from tests.core.exchange.servers import dcmtk, orthanc

RUN = "import sys; from app.cli import main; sys.exit(main(sys.argv[1:]))"


def send(port: int, title: str = "PLUMBLINE") -> None:
    data = pydicom.dcmread(get_testdata_file("CT_small.dcm"))
    entity = AE()
    entity.add_requested_context(CTImageStorage, data.file_meta.TransferSyntaxUID)
    association = entity.associate("127.0.0.1", port, ae_title=title)
    assert association.is_established
    assert association.send_c_store(data).Status == 0
    association.release()


@pytest.mark.parametrize("end", ["after one series", "by a signal"])
def test_receive(tmp_path: Path, end: str) -> None:
    argv = ["receive", str(tmp_path / "inbox"), "--port", "0", "--json"]
    argv += ["--stop-after", "1"] if end == "after one series" else []
    with subprocess.Popen([sys.executable, "-c", RUN, *argv], stdout=subprocess.PIPE, text=True) as service:
        assert service.stdout is not None
        start = json.loads(service.stdout.readline())
        assert start["listening"] == "127.0.0.1"
        send(start["port"])
        series = json.loads(service.stdout.readline())
        assert series["received"] == 1
        assert series["orderly"] is True
        if end == "by a signal":
            service.send_signal(signal.SIGTERM)
        last = json.loads(service.stdout.readline())
        assert last == {"stored": 1, "refused": 0}
        assert service.wait(timeout=20) == 0
    assert len(list(Path(series["folder"]).glob("*.dcm"))) == 1


def refused(capsys: Any, *argv: str) -> str:
    assert main(list(argv)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    return str(err)


def test_what_cannot_be_reached_gets_a_sentence(tmp_path: Path, capsys: Any) -> None:
    assert "does not answer" in refused(capsys, "query", "ARCHIVE@127.0.0.1:1", "--id", "1")
    assert "does not answer" in refused(capsys, "query", "http://127.0.0.1:1/dicom-web", "--id", "1")
    assert "names no archive" in refused(capsys, "query", "somewhere", "--id", "1")
    assert "nothing to look for" in refused(capsys, "query", "A@127.0.0.1:1")
    uids = ("--study", "1.2", "--series", "1.3")
    assert "does not answer" in refused(capsys, "retrieve", "A@127.0.0.1:1", str(tmp_path / "in"), *uids)
    moved = refused(capsys, "retrieve", "http://127.0.0.1:1/x", str(tmp_path / "in"), *uids, "--move-to", "B")
    assert "sends nothing elsewhere" in moved
    (tmp_path / "file").write_text("x")
    assert refused(capsys, "receive", str(tmp_path / "file"), "--port", "0")
    assert refused(capsys, "receive", str(tmp_path / "in"), "--port", "99999")


@pytest.mark.slow
def test_an_archive_by_both_protocols(tmp_path: Path, capsys: Any) -> None:
    dcmtk("storescu")
    (tmp_path / "server").mkdir()
    with orthanc(tmp_path / "server", {}) as server:
        send(server.dicom_port, "ARCHIVE")
        places = [f"ARCHIVE@127.0.0.1:{server.dicom_port}", *([server.web] if server.has_web else [])]
        for number, place in enumerate(places):
            assert main(["query", place, "--name", "*Comp*", "--json"]) == 0
            study = json.loads(capsys.readouterr().out)["studies"][0]["study_uid"]
            assert main(["query", place, "--study", study, "--json"]) == 0
            series = json.loads(capsys.readouterr().out)["series"][0]["series_uid"]
            inbox = tmp_path / f"inbox{number}"
            assert main(["retrieve", place, str(inbox), "--study", study, "--series", series]) == 0
            assert "1 objects received" in capsys.readouterr().out
            assert len(list(inbox.rglob("*.dcm"))) == 1
