"""The window for scans over the network, with senders and archives of others on the loopback address."""

from __future__ import annotations

import socket
import subprocess
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QPushButton
from pytestqt.qtbot import QtBot

from app.dialogs import Answers
from tests.core.exchange.servers import Orthanc, dcmtk, free_port, orthanc
from tests.core.imaging.made_series import picture, write_series

LEFT = Qt.MouseButton.LeftButton
WHO = {"PatientName": "Muster^Anna", "PatientBirthDate": "19680312", "PatientID": "invented-7"}


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    return write_series(tmp_path / "scan", picture(slices=5), SeriesDescription="sent by a test", **WHO)


@pytest.fixture
def desk(window: Any, qtbot: QtBot, tmp_path: Path) -> Any:
    """The window with the network window open, a free port and an inbox of the test's own."""
    window.show()
    qtbot.waitExposed(window)
    window.commands.run("scan.network")
    window.network.receive.port.setText(str(free_port()))
    window.case.dialogs = Answers(folder=tmp_path / "inbox")
    (tmp_path / "inbox").mkdir()
    push(window, qtbot, "service-inbox")
    idle(window, qtbot)
    return window


def push(window: Any, qtbot: QtBot, name: str) -> None:
    button = window.network.findChild(QPushButton, name)
    assert button.isEnabled(), name
    qtbot.mouseClick(button, LEFT)


def idle(window: Any, qtbot: QtBot) -> None:
    qtbot.waitUntil(lambda: not window.workspace.jobs.running, timeout=90000)


def start(window: Any, qtbot: QtBot) -> int:
    push(window, qtbot, "service-switch")
    qtbot.waitUntil(lambda: window.desk.is_running, timeout=60000)
    return int(window.desk.service.port)


def send(folder: Path, port: int) -> None:
    files = [str(path) for path in sorted(folder.iterdir())]
    command = [dcmtk("storescu"), "-aec", "PLUMBLINE", "127.0.0.1", str(port), *files]
    subprocess.run(command, check=True, timeout=60)


def test_what_a_scanner_sends_is_listed_and_imported(desk: Any, scan: Path, qtbot: QtBot) -> None:
    port = start(desk, qtbot)
    assert desk.desk.service.host == "127.0.0.1"
    assert f"port {port}" in desk.network.receive.state._shown[0][1]
    send(scan, port)
    qtbot.waitUntil(lambda: bool(desk.desk.waiting), timeout=60000)
    idle(desk, qtbot)
    table = desk.network.receive.table
    shown = [table.item(0, column).text() for column in range(table.columnCount())]
    assert shown[0] == "Anna Muster"
    assert shown[3:] == ["5", "sent by a test"]
    table.setCurrentCell(0, 0)
    assert "born 1968-03-12" in desk.network.receive.chosen.text()
    push(desk, qtbot, "service-open")
    qtbot.waitUntil(lambda: desk.workspace.is_open, timeout=60000)
    assert desk.workspace.plan.scan.volume.shape == (5, 40, 48)
    assert desk.workspace.plan.patient.name == "Anna Muster"
    push(desk, qtbot, "service-switch")
    idle(desk, qtbot)
    assert not desk.desk.is_running
    assert "Not listening" in desk.network.receive.state._shown[0][1]
    assert desk.said.problems == []


def test_a_port_that_is_taken_or_none_gets_a_sentence(desk: Any, qtbot: QtBot) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        desk.network.receive.port.setText(str(taken.getsockname()[1]))
        push(desk, qtbot, "service-switch")
        qtbot.waitUntil(lambda: bool(desk.said.problems), timeout=60000)
    assert "cannot listen" in desk.said.problems[-1]
    desk.network.receive.port.setText("many")
    push(desk, qtbot, "service-switch")
    assert "many is no port" in desk.said.problems[-1]
    assert not desk.desk.is_running
    idle(desk, qtbot)


def test_the_service_ends_with_the_window(desk: Any, qtbot: QtBot) -> None:
    port = start(desk, qtbot)
    idle(desk, qtbot)
    desk.close()
    with socket.socket() as probe:
        assert probe.connect_ex(("127.0.0.1", port)) != 0


def fill_in_archive(window: Any, server: Orthanc, web: bool) -> None:
    block = window.network.archive
    block.kind.setCurrentIndex(1 if web else 0)
    block.title.setText("ARCHIVE")
    block.host.setText("127.0.0.1")
    block.port.setText(str(server.dicom_port))
    block.url.setText(server.web)
    block.name.setText("Muster*")


@pytest.mark.parametrize("road", ["get", "move", "web"])
def test_a_series_is_looked_for_and_fetched_from_an_archive(
    desk: Any, scan: Path, qtbot: QtBot, tmp_path: Path, road: str
) -> None:
    port = start(desk, qtbot) if road == "move" else 1
    (tmp_path / "orthanc").mkdir()
    with orthanc(tmp_path / "orthanc", {"us": ["PLUMBLINE", "127.0.0.1", port]}) as server:
        if road == "web" and not server.has_web:
            pytest.skip("orthanc-dicomweb is not installed")
        subprocess.run(
            [dcmtk("storescu"), "-aec", "ARCHIVE", "127.0.0.1", str(server.dicom_port),
             *[str(path) for path in scan.iterdir()]], check=True, timeout=60,
        )  # fmt: skip
        fill_in_archive(desk, server, road == "web")
        block = desk.network.archive
        push(desk, qtbot, "archive-look")
        qtbot.waitUntil(lambda: bool(block._studies), timeout=60000)
        assert block.studies.item(0, 0).text() == "Anna Muster"
        block.studies.setCurrentCell(0, 0)
        qtbot.waitUntil(lambda: bool(block._series), timeout=60000)
        assert block.series.item(0, 0).text() == "sent by a test"
        block.series.setCurrentCell(0, 0)
        block.move_.setChecked(road == "move")
        push(desk, qtbot, "archive-fetch")
        qtbot.waitUntil(lambda: bool(desk.desk.waiting) and not desk.workspace.jobs.running, timeout=90000)
        assert desk.desk.waiting[0].objects == 5
        assert desk.desk.waiting[0].patient_name == "Anna Muster"
        assert "5 objects came into the inbox" in block.words.text()
        block.name.setText("Nobody*")
        push(desk, qtbot, "archive-look")
        qtbot.waitUntil(lambda: block.words.text() == "Nothing was found.", timeout=60000)
        assert block.studies.rowCount() == 0
    idle(desk, qtbot)
    assert desk.said.problems == []


def test_an_archive_that_is_not_there_gets_a_sentence(desk: Any, qtbot: QtBot) -> None:
    block = desk.network.archive
    push(desk, qtbot, "archive-look")
    qtbot.waitUntil(lambda: len(desk.said.problems) == 1, timeout=60000)
    assert "title or address is missing" in desk.said.problems[0]
    block.title.setText("NOBODY")
    block.host.setText("127.0.0.1")
    block.port.setText(str(free_port()))
    block.name.setText("Muster*")
    push(desk, qtbot, "archive-look")
    qtbot.waitUntil(lambda: len(desk.said.problems) == 2, timeout=60000)
    assert "does not answer" in desk.said.problems[1]
    assert "does not answer" in block.words.text()
    idle(desk, qtbot)
