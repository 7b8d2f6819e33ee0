"""Opening and making case folders: locks, read-only places, interrupted commits, damaged databases."""

from __future__ import annotations

import glob
import os
import shutil
import sqlite3
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from attrs import define

from planner_core.case import rows
from planner_core.case.disk import is_local, told, words_for
from planner_core.case.lock import CaseLock
from planner_core.errors import PlannerError
from planner_core.files import sync_folder
from planner_core.findings import Finding, Severity

DATABASE = "case.db"
"""Name of the database in a case folder."""


@define
class Opened:
    """What opening a folder gave."""

    db: sqlite3.Connection
    lock: CaseLock | None = None
    read_only_reason: str = ""
    findings: tuple[Finding, ...] = ()
    may_map: bool = False
    scratch: tempfile.TemporaryDirectory[str] | None = None
    """Where a copy of the database lies that could not be used in its place."""


@contextmanager
def make_folder(folder: Path) -> Iterator[Path]:
    """Give an empty case under a temporary name; it gets its own when the block ends well."""
    with make_place(folder) as made:
        with told(f"making the case {folder.name}"):
            (made / "blobs").mkdir()
            rows.create(made / DATABASE).close()
        yield made


@contextmanager
def make_place(folder: Path) -> Iterator[Path]:
    """Give an empty folder under a temporary name; it gets its own when the block ends well, else it vanishes."""
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise PlannerError(f"There is something at {folder} already.", "Choose a new folder for the case.")
    sweep_beside(folder)
    made = folder.parent / f".{folder.name}-new-{uuid.uuid4().hex[:8]}"
    lock = None
    try:
        with told(f"making the case {folder.name}"):
            folder.parent.mkdir(parents=True, exist_ok=True)
            made.mkdir()
            lock = CaseLock.take(made)
        yield made
        if lock is not None:
            lock.release()
        with told(f"making the case {folder.name}"):
            with suppress(FileNotFoundError):
                folder.rmdir()
            os.replace(made, folder)
            sync_folder(folder.parent)
    finally:
        if lock is not None:
            lock.release()
        shutil.rmtree(made, ignore_errors=True)


def sweep_beside(folder: Path) -> None:
    """Delete half-made folders of this case that a killed program left beside it; running ones hold their lock."""
    with suppress(OSError):
        for left in folder.parent.glob(f".{glob.escape(folder.name)}-new-*"):
            with suppress(PlannerError):
                lock = CaseLock.take(left)
                if lock is not None:
                    shutil.rmtree(left, ignore_errors=True)
                    lock.release()


def open_database(folder: Path, read_only: bool) -> Opened:
    """Open the database of a case folder as well as it goes.

    Raises
    ------
    PlannerError
        If there is no case, or nothing of it can be read.
    """
    path = folder / DATABASE
    try:
        is_case = path.is_file()
    except OSError as fault:
        raise words_for(fault, "opening the case") from fault
    if not is_case:
        raise PlannerError(f"There is no case at {folder}.", "Choose a case folder; it holds a file case.db.")
    reason = "The case was opened for reading only." if read_only else ""
    lock = None
    if not read_only:
        lock, reason = _lock_or_reason(folder)
    try:
        opened = _connected(path, bool(reason))
    except sqlite3.DatabaseError as fault:
        if lock is not None:
            lock.forget()
        return _salvaged(folder, fault)
    except BaseException:
        if lock is not None:
            lock.forget()
        raise
    opened.lock, opened.read_only_reason = lock, reason
    opened.may_map = is_local(folder)
    return opened


def _lock_or_reason(folder: Path) -> tuple[CaseLock | None, str]:
    if not os.access(folder, os.W_OK) or not os.access(folder / DATABASE, os.W_OK):
        return None, "The case lies in a folder that cannot be written to, so it opens read-only."
    try:
        lock = CaseLock.take(folder)
    except PlannerError:
        return None, "The case lies in a folder that cannot be written to, so it opens read-only."
    if lock is None:
        return None, "Another window is working on this case, so it opens read-only here."
    return lock, ""


def _connected(path: Path, read_only: bool) -> Opened:
    db = None
    try:
        db = rows.connect(path, read_only)
        _examine(db)
    except sqlite3.OperationalError:
        if db is not None:
            db.close()
        if not read_only:
            raise
        # A commit was interrupted and cannot be rolled back in a folder that cannot be written: do it on a copy.
        return _on_a_copy(path)
    except BaseException:
        if db is not None:
            db.close()
        raise
    return Opened(db)


def _on_a_copy(path: Path) -> Opened:
    scratch = tempfile.TemporaryDirectory(prefix="case-copy-")
    for name in (path.name, path.name + "-journal"):
        with suppress(FileNotFoundError):
            shutil.copyfile(path.with_name(name), Path(scratch.name) / name)
    db = rows.connect(Path(scratch.name) / path.name, read_only=False)
    try:
        _examine(db)
    except BaseException:
        db.close()
        scratch.cleanup()
        raise
    return Opened(db, scratch=scratch)


def _examine(db: sqlite3.Connection) -> None:
    if db.execute("pragma application_id").fetchone()[0] != rows.APPLICATION_ID:
        raise PlannerError("The file case.db is not a case of this program.", "Choose another folder.")
    verdict = db.execute("pragma quick_check(1)").fetchone()[0]
    if verdict != "ok":
        raise sqlite3.DatabaseError(f"database disk image is malformed: {verdict}")
    if rows.head(db) is None:
        raise sqlite3.DatabaseError("database disk image is malformed: no current revision")


def _salvaged(folder: Path, fault: sqlite3.DatabaseError) -> Opened:
    from planner_core.case.salvage import readable_copy

    scratch = tempfile.TemporaryDirectory(prefix="case-salvage-")
    target = Path(scratch.name) / DATABASE
    try:
        kept, last = readable_copy(folder / DATABASE, target)
    except sqlite3.Error:
        kept, last = 0, 0
    if not kept:
        scratch.cleanup()
        raise PlannerError(
            f"The case's database is damaged and no revision can be read from it ({fault}).",
            "Bring case.db back from a backup or a packed copy; the scan and surfaces in blobs/ are not touched.",
        ) from fault
    text = f"The case's database is damaged; {kept} revisions could be read, up to number {last}."
    return Opened(
        rows.connect(target, read_only=True),
        read_only_reason=f"{text} It opens read-only; save it as a copy to go on working.",
        findings=(Finding(Severity.BLOCKER, "case-damaged", text),),
        may_map=is_local(folder),
        scratch=scratch,
    )
