"""Servers and senders of others for the tests: Debian's orthanc and DCMTK, on the loopback address only."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

ORTHANC_WEB_PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def dcmtk(name: str) -> str:
    """Path of a DCMTK program; pynetdicom installs programs of the same names, which are not meant."""
    path = Path("/usr/bin") / name
    if not path.exists():
        pytest.skip(f"DCMTK's {name} is not installed (Debian package dcmtk)")
    return str(path)


class Orthanc:
    def __init__(self, dicom_port: int, http_port: int) -> None:
        self.dicom_port, self.http_port = dicom_port, http_port

    @property
    def web(self) -> str:
        return f"http://127.0.0.1:{self.http_port}/dicom-web"

    @property
    def has_web(self) -> bool:
        return ORTHANC_WEB_PLUGIN.exists()


@contextmanager
def orthanc(folder: Path, modalities: dict[str, list[object]]) -> Iterator[Orthanc]:
    """Run orthanc for the time of a block; skip where it is not installed."""
    program = shutil.which("Orthanc", path="/usr/sbin:/usr/local/sbin:/usr/bin")
    if program is None:
        pytest.skip("orthanc is not installed (Debian packages orthanc and orthanc-dicomweb)")
    server = Orthanc(free_port(), free_port())
    config = {
        "Name": "test", "StorageDirectory": str(folder / "store"), "IndexDirectory": str(folder / "store"),
        "HttpPort": server.http_port, "DicomPort": server.dicom_port, "DicomAet": "ARCHIVE",
        "RemoteAccessAllowed": False, "AuthenticationEnabled": False, "DicomAlwaysAllowEcho": True,
        "DicomAlwaysAllowStore": True, "DicomAlwaysAllowFind": True, "DicomAlwaysAllowGet": True,
        "DicomAlwaysAllowMove": True, "DicomModalities": modalities, "OverwriteInstances": True,
        "Plugins": [str(ORTHANC_WEB_PLUGIN)] if server.has_web else [], "HttpServerEnabled": True,
        "DicomServerEnabled": True, "Locale": "C.UTF-8", "JobsHistorySize": 1, "SaveJobs": False,
        "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
    }  # fmt: skip
    (folder / "config.json").write_text(json.dumps(config))
    with (folder / "log").open("wb") as log:
        process = subprocess.Popen([program, str(folder / "config.json")], stdout=log, stderr=log, cwd=folder)
    try:
        _wait_for(server, process, folder / "log")
        yield server
    finally:
        process.terminate()
        try:
            process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _wait_for(server: Orthanc, process: subprocess.Popen[bytes], log: Path) -> None:
    end = time.monotonic() + 40
    while time.monotonic() < end:
        if process.poll() is not None:
            pytest.skip(f"orthanc does not run here: {log.read_text(errors='replace')[-300:]}")
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{server.http_port}/system", timeout=2):
                return
        except OSError:
            time.sleep(0.1)
    pytest.skip("orthanc did not start within 40 s")
