"""Cases in trouble, opened and worked on in the real window: each gets a sentence, and what can be saved is."""

from __future__ import annotations

import errno
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from pytestqt.qtbot import QtBot

from app.dialogs import Answers
from planner_core.case import codec, edits
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from tests.app.small_case import full_plan
from tests.core.imaging.made_series import picture, write_series

POSIX_ROOT = os.name == "posix" and hasattr(os, "geteuid") and os.geteuid() == 0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A case with everything in it and two steps more."""
    with CaseStore.create(tmp_path / "case", "tester", full_plan()) as store:
        for k in range(2):
            store.append(edits.set_notes(full_plan(), f"note {k}"), f"Note {k}")
    return tmp_path / "case"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of its own, which can be filled, made read-only and taken away."""
    if not POSIX_ROOT or not sys.platform.startswith("linux"):
        pytest.skip("needs root on Linux for a small file system")
    place = tmp_path / "drive"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=6m", "tmpfs", str(place)], capture_output=True)
    if done.returncode != 0:
        pytest.skip("this machine does not allow mounting a small file system")
    yield place
    subprocess.run(["umount", "-l", str(place)], capture_output=True, check=False)


def fill(path: Path) -> None:
    """Take all the space that a disk has left."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT)
    try:
        while True:
            os.write(handle, bytes(4096))
    except OSError as fault:
        if fault.errno != errno.ENOSPC:
            raise
    finally:
        os.close(handle)


def open_case(window: Any, qtbot: QtBot, folder: Path) -> None:
    window.case.open_case(folder)
    idle(window, qtbot)


def idle(window: Any, qtbot: QtBot) -> None:
    qtbot.waitUntil(lambda: not window.workspace.jobs.running, timeout=60000)


def sign(window: Any) -> None:
    """Make a step as a button would."""
    window.commands.guarded(lambda: window.plan_actions.scan.sign_reading("Dr. Example", "2026-01-05", "nothing"))


def words(window: Any) -> str:
    return " ".join([window.workspace.read_only_reason, *window.said.texts])


def no_fault_of_ours(window: Any) -> None:
    assert not [text for text in window.said.texts if "inside the program" in text]


def test_a_full_disk_costs_only_the_step_at_hand(window: Any, qtbot: QtBot, folder: Path, small_disk: Path) -> None:
    case = small_disk / "case"
    shutil.copytree(folder, case)
    open_case(window, qtbot, case)
    filler = small_disk / "filler"
    fill(filler)
    before = window.workspace.plan
    sign(window)
    assert window.workspace.plan is before
    assert "no space left on the disk" in words(window)
    filler.unlink()
    sign(window)
    assert window.workspace.plan.reading is not None
    idle(window, qtbot)
    no_fault_of_ours(window)
    window.case.close_case()
    assert check(case).whole


def test_a_scan_too_large_for_the_disk_leaves_the_case_as_it_was(
    window: Any, qtbot: QtBot, folder: Path, small_disk: Path, tmp_path: Path
) -> None:
    case = small_disk / "case"
    shutil.copytree(folder, case)
    scan = write_series(tmp_path / "scan", picture(slices=64, rows=256, columns=256))
    open_case(window, qtbot, case)
    before = window.workspace.plan
    window.case.import_scan(scan)
    qtbot.waitUntil(lambda: bool(window.said.problems), timeout=60000)
    idle(window, qtbot)
    assert "no space left on the disk" in words(window)
    assert window.workspace.plan is before
    assert not [entry for entry in (case / "blobs").iterdir() if entry.name.startswith(".new-")]
    no_fault_of_ours(window)


def test_a_read_only_drive_opens_read_only_and_a_copy_goes_on(
    window: Any, qtbot: QtBot, folder: Path, small_disk: Path
) -> None:
    shutil.copytree(folder, small_disk / "case")
    subprocess.run(["mount", "-o", "remount,ro", str(small_disk)], check=True)
    open_case(window, qtbot, small_disk / "case")
    assert window.workspace.is_open
    assert "cannot be written to, so it opens read-only" in words(window)
    assert "read-only" in window.bottom._case.text()
    before = window.workspace.plan
    sign(window)
    assert window.workspace.plan is before
    assert "Save a copy of the case" in words(window)
    window.case.dialogs = Answers(text="copy")
    window.commands.run("case.copy")
    qtbot.waitUntil(lambda: window.workspace.store.folder.name == "copy", timeout=60000)
    idle(window, qtbot)
    sign(window)
    assert window.workspace.plan.reading is not None
    assert len(window.workspace.plan.fixtures) == 2
    no_fault_of_ours(window)


def test_a_drive_that_vanishes_costs_nothing_but_the_step_and_a_copy_goes_on(
    window: Any, qtbot: QtBot, folder: Path, tmp_path: Path
) -> None:
    """The folder is gone under the open window, as a network drive goes."""
    open_case(window, qtbot, folder)
    folder.rename(tmp_path / "gone")
    before = window.workspace.plan
    sign(window)
    assert window.workspace.plan is before
    assert "cannot be reached any more" in words(window) or "refused" in words(window)
    window.case.dialogs = Answers(text="rescued")
    window.commands.run("case.copy")
    qtbot.waitUntil(lambda: window.workspace.store.folder.name == "rescued", timeout=60000)
    idle(window, qtbot)
    assert window.workspace.plan.scan.volume.content_hash == before.scan.volume.content_hash
    sign(window)
    assert window.workspace.plan.reading is not None
    no_fault_of_ours(window)


def test_the_second_window_on_a_case_reads_only(window: Any, qtbot: QtBot, folder: Path) -> None:
    with CaseStore.open(folder) as first:
        assert not first.read_only
        open_case(window, qtbot, folder)
        assert "Another window is working on this case" in words(window)
        before = window.workspace.plan
        sign(window)
        assert window.workspace.plan is before
    no_fault_of_ours(window)


def test_a_damaged_database_shows_what_can_be_read_and_saves_it(window: Any, qtbot: QtBot, folder: Path) -> None:
    database = folder / "case.db"
    raw = bytearray(database.read_bytes())
    raw[4096 : 4096 + 512] = bytes(512)
    database.write_bytes(bytes(raw))
    open_case(window, qtbot, folder)
    if not window.workspace.is_open:
        assert "no revision can be read" in words(window)
        return
    assert "database is damaged" in words(window)
    window.case.care.salvage(folder)
    qtbot.waitUntil(lambda: window.workspace.store.folder.name == "case-saved", timeout=60000)
    idle(window, qtbot)
    assert not window.workspace.store.read_only
    assert len(window.workspace.plan.fixtures) == 2
    no_fault_of_ours(window)


def test_a_missing_blob_is_named_and_the_rest_is_saved(window: Any, qtbot: QtBot, folder: Path) -> None:
    surface = next((folder / "blobs").glob("*.ply"))
    surface.unlink()
    open_case(window, qtbot, folder)
    assert window.workspace.is_open
    assert "missing" in words(window)
    assert window.workspace.store.read_only
    window.case.dialogs = Answers(confirm=True)
    window.commands.run("case.check")
    qtbot.waitUntil(lambda: window.workspace.store.folder.name == "case-saved", timeout=60000)
    idle(window, qtbot)
    assert any("The case is damaged" in asked for asked in window.case.dialogs.asked)
    assert not window.workspace.store.read_only
    assert len(window.workspace.plan.fixtures) == 2
    no_fault_of_ours(window)


def test_a_newer_format_opens_read_only(window: Any, qtbot: QtBot, folder: Path) -> None:
    with sqlite3.connect(folder / "case.db") as db:
        db.execute("update revision set format = ?", (codec.FORMAT + 1,))
    db.close()
    open_case(window, qtbot, folder)
    assert "written by a newer version of the program" in words(window)
    assert window.workspace.store.read_only
    no_fault_of_ours(window)


def test_a_whole_case_says_so(window: Any, qtbot: QtBot, folder: Path) -> None:
    open_case(window, qtbot, folder)
    window.commands.run("case.check")
    qtbot.waitUntil(lambda: bool(window.case.dialogs.asked), timeout=60000)
    assert "The case is whole: 3 revisions" in window.case.dialogs.asked[-1]


def test_a_case_is_packed_and_unpacked_with_its_history(
    window: Any, qtbot: QtBot, folder: Path, tmp_path: Path
) -> None:
    open_case(window, qtbot, folder)
    window.case.dialogs = Answers(new_file=tmp_path / "out")
    window.commands.run("case.pack")
    qtbot.waitUntil(lambda: (tmp_path / "out.zip").exists(), timeout=60000)
    idle(window, qtbot)
    window.case.dialogs = Answers(file=tmp_path / "out.zip")
    window.commands.run("case.unpack")
    qtbot.waitUntil(lambda: window.workspace.is_open and window.workspace.store.folder.name == "out", timeout=60000)
    idle(window, qtbot)
    assert len(window.workspace.store.history()) == 3
    assert window.workspace.session.undo_label == "Note 1"
    no_fault_of_ours(window)


def test_packed_without_identity_no_name_is_in_it(window: Any, qtbot: QtBot, folder: Path, tmp_path: Path) -> None:
    with CaseStore.open(folder) as store:
        named = edits.set_patient(full_plan(), edits_patient())
        store.append(named, "Name the patient")
    open_case(window, qtbot, folder)
    window.case.dialogs = Answers(new_file=tmp_path / "out.zip")
    window.commands.run("case.pack_anonymous")
    qtbot.waitUntil(lambda: (tmp_path / "out.zip").exists(), timeout=60000)
    idle(window, qtbot)
    shutil.unpack_archive(tmp_path / "out.zip", tmp_path / "seen")
    raw = (tmp_path / "seen" / "case.db").read_bytes()
    assert b"Muster" not in raw
    assert any("its code is" in text for text in window.said.texts)


def edits_patient() -> Any:
    from planner_core.case.plan import Patient

    return Patient("Anna Muster", "invented-7", "1968-03-12")


def test_what_is_no_packed_case_gives_a_sentence_and_leaves_nothing(
    window: Any, qtbot: QtBot, tmp_path: Path
) -> None:
    from app.import_actions import cases_folder

    (tmp_path / "a.zip").write_bytes(b"PK\x03\x04 nothing")
    window.case.dialogs = Answers(file=tmp_path / "a.zip")
    window.commands.run("case.unpack")
    qtbot.waitUntil(lambda: bool(window.said.problems), timeout=60000)
    assert "no whole zip" in words(window)
    assert list(cases_folder().iterdir()) == []
    no_fault_of_ours(window)


def test_a_scan_is_copied_without_identity(window: Any, qtbot: QtBot, tmp_path: Path) -> None:
    import pydicom

    scan = write_series(tmp_path / "scan", picture(slices=4), PatientName="Muster^Anna")
    window.case.dialogs = Answers(folder=scan, new_file=tmp_path / "clean")
    window.commands.run("scan.anonymous")
    qtbot.waitUntil(lambda: any("without identity are in" in text for text in window.said.texts), timeout=60000)
    copied = sorted((tmp_path / "clean").iterdir())
    assert len(copied) == 4
    first = pydicom.dcmread(copied[0])
    assert first.PatientIdentityRemoved == "YES"
    assert first.DeidentificationMethodCodeSequence[0].CodeValue == "113100"
    assert b"Muster" not in copied[0].read_bytes()
    assert any("shows a face" in text for text in window.said.texts)
    # Where the folder is there already, nothing is touched.
    window.commands.run("scan.anonymous")
    qtbot.waitUntil(lambda: bool(window.said.problems), timeout=60000)
    assert "exists already" in window.said.problems[-1]
    no_fault_of_ours(window)


@pytest.mark.parametrize("command", ["case.check", "case.pack", "case.copy", "case.pack_anonymous"])
def test_commands_of_a_kept_case_wait_for_one(window: Any, command: str) -> None:
    assert not window.commands.action(command).isEnabled()
