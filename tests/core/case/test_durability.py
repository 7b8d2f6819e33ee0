"""What can happen to a case on a disk: full, read-only, vanished, interrupted, damaged. Each gets a sentence."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from planner_core.case import disk, edits, rows
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from planner_core.case.plan import Plan, ScanInput
from planner_core.case.rescue import salvage
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource
from tests.core.case.sample_plans import full_plan, small_volume
from tests.core.case.test_case_file import as_nobody, assert_same

POSIX_ROOT = os.name == "posix" and os.geteuid() == 0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    with CaseStore.create(tmp_path / "case", "tester", full_plan()) as store:
        for k in range(6):
            store.append(edits.set_title(full_plan(), f"title {k}"), f"Title {k}")
    return tmp_path / "case"


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 2 MB."""
    if not POSIX_ROOT or not sys.platform.startswith("linux"):
        pytest.skip("needs root on Linux for a small file system")
    place = tmp_path / "small"
    place.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(place)], capture_output=True)
    if done.returncode != 0:
        pytest.skip("this machine does not allow mounting a small file system")
    yield place
    subprocess.run(["umount", "-l", str(place)], capture_output=True, check=True)


def big_scan(seed: int = 0) -> ScanInput:
    stored = np.random.default_rng(seed).integers(0, 4000, (60, 150, 150)).astype(np.int16)
    return ScanInput(Volume(stored, np.diag([0.3, 0.3, 0.3, 1.0])), ScanSource("dicom"))


def test_a_full_disk_costs_only_the_last_step(small_disk: Path) -> None:
    with CaseStore.create(small_disk / "case", "tester") as store:
        session = Session(store=store)
        session.apply("Title", edits.set_title, "kept")
        before = sorted(p.name for p in small_disk.rglob("*"))
        with pytest.raises(PlannerError, match="no space left") as caught:
            session.apply("Import scan", edits.set_scan, big_scan())
        assert "everything before it is safe" in str(caught.value)
        assert session.plan.scan is None
        assert session.undo_label == "Title"
        assert sorted(p.name for p in small_disk.rglob("*")) == before, "no half-written file is left"
        session.apply("Notes", edits.set_notes, "goes on")
    with CaseStore.open(small_disk / "case") as store:
        assert store.plan().title == "kept"
        assert store.plan().notes == "goes on"
    assert check(small_disk / "case").whole


def test_a_full_disk_during_many_steps(small_disk: Path) -> None:
    with CaseStore.create(small_disk / "case", "tester") as store:
        session = Session(store=store)
        done = 0
        with pytest.raises(PlannerError, match="no space left"):  # noqa: PT012 - which step fails is not known
            for k in range(10_000):
                session.apply("Notes", edits.set_notes, f"{k} " + "x" * 20_000)
                done += 1
        assert done > 10
        assert session.plan.notes.startswith(f"{done - 1} ")
    with CaseStore.open(small_disk / "case") as store:
        assert store.plan().notes.startswith(f"{done - 1} ")
        assert len(store.history()) == done + 1
    assert check(small_disk / "case").whole


def test_no_space_for_a_new_case_leaves_nothing(small_disk: Path) -> None:
    with pytest.raises(PlannerError, match="no space left"):
        CaseStore.create(small_disk / "case", plan=edits.set_scan(Plan(), big_scan()))
    assert list(small_disk.iterdir()) == []


def test_a_drive_that_vanishes_and_comes_back(folder: Path, tmp_path: Path) -> None:
    with CaseStore.open(folder) as store:
        session = Session(store=store)
        store.bring_into_memory()
        shown = session.plan
        away = tmp_path / "away"
        folder.rename(away)
        with pytest.raises(PlannerError, match="cannot be reached"):
            session.apply("Canal", edits.set_canal, other_canal())
        assert session.plan is shown, "the plan on the screen stays"
        away.rename(folder)
        session.apply("Canal", edits.set_canal, other_canal())
    with CaseStore.open(folder) as store:
        assert store.head().label == "Canal"


def other_canal() -> object:
    from planner_core.anatomy.structures import Side
    from tests.core.case.sample_plans import small_canal

    return small_canal(Side.LEFT, 120)


def test_work_goes_on_in_a_copy_when_the_drive_is_gone(folder: Path, tmp_path: Path) -> None:
    store = CaseStore.open(folder)
    session = Session(store=store)
    store.bring_into_memory()
    shutil.rmtree(folder)
    with CaseStore.create(tmp_path / "copy") as copy:
        session.save_copy(copy)
        session.apply("Title", edits.set_title, "after")
        store.close()
    with CaseStore.open(tmp_path / "copy") as copy:
        assert copy.plan().title == "after"
        assert [r.label for r in copy.history()] == ["New case", "Saved as a copy", "Title"]
        assert copy.plan().scan is not None


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (OSError(28, "No space left on device"), "no space left"),
        (OSError(122, "Disk quota exceeded"), "no space left"),
        (OSError(30, "Read-only file system"), "does not allow writing"),
        (OSError(13, "Permission denied"), "does not allow writing"),
        (OSError(5, "Input/output error"), "cannot be reached"),
        (OSError(116, "Stale file handle"), "cannot be reached"),
        (OSError(107, "Transport endpoint is not connected"), "cannot be reached"),
        (sqlite3.OperationalError("disk I/O error"), "cannot be reached"),
        (sqlite3.OperationalError("unable to open database file"), "cannot be reached"),
        (sqlite3.OperationalError("database or disk is full"), "no space left"),
        (sqlite3.OperationalError("attempt to write a readonly database"), "does not allow writing"),
        (sqlite3.OperationalError("database is locked"), "Another program"),
        (sqlite3.DatabaseError("database disk image is malformed"), "damaged"),
        (OSError(22, "Invalid argument"), "refused"),
    ],
)
def test_every_failure_of_the_disk_has_its_words(fault: OSError | sqlite3.Error, words: str) -> None:
    told = disk.words_for(fault, "saving the step")
    assert words in told.message
    assert "saving the step" in told.message
    assert told.remedy.endswith(".")


def interrupted(folder: Path, target: Path) -> None:
    """Copy a case at the moment when a commit has begun to change the database and has not ended."""
    db = rows.connect(folder / "case.db", read_only=False)
    db.execute("pragma cache_size=1")
    db.execute("begin immediate")
    db.execute("update revision set label = label || ?", ("x" * 4000,))
    db.execute("update revision set author = author || ?", ("y" * 4000,))
    assert (folder / "case.db-journal").stat().st_size > 512
    shutil.copytree(folder, target)
    db.execute("rollback")
    db.close()


def test_an_interrupted_commit_is_rolled_back(folder: Path, tmp_path: Path) -> None:
    interrupted(folder, tmp_path / "torn")
    with CaseStore.open(tmp_path / "torn") as store:
        assert not store.read_only
        assert [r.label for r in store.history()][-1] == "Title 5"
    assert check(tmp_path / "torn").whole


@pytest.mark.skipif(not POSIX_ROOT, reason="needs a POSIX system and root to drop its rights")
def test_an_interrupted_commit_in_a_read_only_folder_is_rolled_back_on_a_copy(folder: Path, tmp_path: Path) -> None:
    torn = tmp_path / "torn"
    interrupted(folder, torn)
    (torn / "in-use").unlink(missing_ok=True)
    for path in [torn, *torn.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
    for path in (torn.parent, torn.parent.parent, torn.parent.parent.parent):
        path.chmod(path.stat().st_mode | 0o555)
    before = {p.name: p.read_bytes() for p in torn.iterdir() if p.is_file()}
    out = as_nobody(torn)
    assert "cannot be written" in out.get("reason", ""), out
    assert out["title"] == "title 5"
    assert {p.name: p.read_bytes() for p in torn.iterdir() if p.is_file()} == before


def tear_pages(path: Path, pages: list[int]) -> None:
    data = bytearray(path.read_bytes())
    for page in pages:
        data[page * 4096 : (page + 1) * 4096] = b"\xa5" * 4096
    path.write_bytes(data)


def test_a_damaged_database_gives_what_can_be_read(folder: Path, tmp_path: Path) -> None:
    size = (folder / "case.db").stat().st_size // 4096
    tear_pages(folder / "case.db", [size - 2])
    with CaseStore.open(folder) as store:
        assert "damaged" in store.read_only_reason
        assert any(f.code == "case-damaged" for f in store.findings)
        plan = store.plan()
        assert plan.fixtures["36"].site == "36"
        with pytest.raises(PlannerError):
            store.append(plan, "No")
    assert not check(folder).whole
    findings = salvage(folder, tmp_path / "saved")
    assert any(f.code == "case-damaged" for f in findings)
    with CaseStore.open(tmp_path / "saved") as store:
        assert not store.read_only
        assert_same(store.plan().scan, full_plan().scan)
    assert check(tmp_path / "saved").whole


@pytest.mark.parametrize("page", range(12))
def test_whichever_page_is_torn_there_is_a_sentence_or_a_plan(folder: Path, page: int) -> None:
    size = (folder / "case.db").stat().st_size // 4096
    if page >= size:
        pytest.skip("the database is shorter")
    tear_pages(folder / "case.db", [page])
    words = plan_or_words(folder)
    assert words in ("", "X-1") or any(w in words for w in ("damaged", "not a case", "no revision"))


def plan_or_words(folder: Path) -> str:
    """The patient's number in the plan that opens, or the sentence where none does."""
    try:
        with CaseStore.open(folder) as store:
            return store.plan().patient.patient_id
    except PlannerError as refused:
        return refused.message if refused.remedy else ""


def test_a_database_cut_short(folder: Path) -> None:
    data = (folder / "case.db").read_bytes()
    (folder / "case.db").write_bytes(data[: len(data) // 2])
    words = plan_or_words(folder)
    assert words == "X-1" or "damaged" in words


def test_the_other_window_sees_saved_steps(folder: Path) -> None:
    with CaseStore.open(folder) as first, CaseStore.open(folder) as second:
        Session(store=first).apply("Title", edits.set_title, "new")
        assert second.plan().title == "new"
        assert second.head() == first.head()


def test_a_program_that_was_killed_holds_no_lock(folder: Path) -> None:
    work = (
        "import sys, os\nfrom pathlib import Path\nfrom planner_core.case.case_file import CaseStore\n"
        "store = CaseStore.open(Path(sys.argv[1]))\nassert not store.read_only\nprint('open', flush=True)\n"
        "sys.stdin.read()\n"
    )
    child = subprocess.Popen(
        [sys.executable, "-c", work, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with child:
        assert child.stdout is not None
        assert child.stdout.readline() == "open\n"
        with CaseStore.open(folder) as other:
            assert "Another window" in other.read_only_reason
        child.kill()
        child.wait()
        with CaseStore.open(folder) as other:
            assert not other.read_only


def test_identical_scans_are_stored_once(folder: Path) -> None:
    with CaseStore.open(folder) as store:
        plan = store.plan()
        again = edits.set_scan(plan, ScanInput(small_volume(), ScanSource("nifti")))
        store.append(again, "The same scan from another file")
    assert len(list((folder / "blobs").glob("*.nii"))) == 1


def test_the_sample_of_format_1_opens(tmp_path: Path) -> None:
    from planner_core.case.pack import unpack

    kept = Path(__file__).parents[2] / "old_cases" / "format_1.zip"
    unpack(kept, tmp_path / "case")
    with CaseStore.open(tmp_path / "case") as store:
        plan = store.plan()
        assert not store.findings
        assert set(plan.fixtures) == {"36", "46"}
        assert plan.scan is not None
        assert json.loads(json.dumps(plan.patient.name)) == "Invented, Person Ω"
        store.append(edits.set_title(plan, "saved by today's program"), "Title")
    assert check(tmp_path / "case").whole
