"""The case on disk: a folder with ``case.db`` (one row per committed step) and ``blobs/`` (large arrays).

A step is durable when `CaseStore.append` returns. Nothing is ever deleted: undo and redo move the head, an edit
after undo branches, and the rows are the audit trail. What cannot be written to opens read-only and says why in
`CaseStore.read_only_reason`; what is damaged or missing is in `CaseStore.findings`.
"""

from __future__ import annotations

import getpass
import json
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from planner_core.case import codec, rows
from planner_core.case.blobs import BlobFolder
from planner_core.case.disk import told
from planner_core.case.lock import CaseLock
from planner_core.case.opening import DATABASE, Opened, make_folder, open_database, sweep_beside
from planner_core.case.plan import Plan
from planner_core.case.rows import Revision
from planner_core.case.salvage import without_missing
from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.volume import Volume
from planner_core.progress import Progress, silent

FIRST_LABEL = "New case"
"""Label of the first revision of every case."""


class CaseStore:
    """An open case folder; use `create` or `open`, and `close` it (or use it in a ``with``)."""

    def __init__(self, folder: Path, opened: Opened, author: str) -> None:
        self.folder = folder
        self.author = author
        self.read_only_reason = opened.read_only_reason
        self._findings = list(opened.findings)
        self._db = opened.db
        self._lock: CaseLock | None = opened.lock
        self._scratch = opened.scratch
        self._guard = threading.RLock()
        self.blobs = BlobFolder(folder / "blobs", may_map=opened.may_map)

    # ------------------------------------------------------------ opening and closing

    @classmethod
    def create(
        cls, folder: Path, author: str | None = None, plan: Plan | None = None, progress: Progress = silent
    ) -> CaseStore:
        """Make a new case with a first revision.

        Raises
        ------
        PlannerError
            If something is there already, or the place cannot be written. Nothing is left behind then.
        """
        folder = Path(folder)
        with make_folder(folder) as made:
            store = cls(made, Opened(rows.connect(made / DATABASE, read_only=False)), author or default_author())
            try:
                store.append(plan or Plan(), FIRST_LABEL, progress)
            finally:
                store.close()
        return cls.open(folder, author=author)

    @classmethod
    def open(cls, folder: Path, read_only: bool = False, author: str | None = None) -> CaseStore:
        """Open a case; read-only where it cannot be written to, with the reason in `read_only_reason`.

        Raises
        ------
        PlannerError
            If there is no case, or nothing of it can be read.
        """
        folder = Path(folder)
        opened = open_database(folder, read_only)
        store = cls(folder, opened, author or default_author())
        try:
            store._after_opening()
        except BaseException:
            store.close()
            raise
        return store

    def _after_opening(self) -> None:
        revision = self.head()
        if revision.format > codec.FORMAT:
            self._make_read_only(
                f"This case was written by a newer version of the program (format {revision.format}, "
                f"this one knows {codec.FORMAT}), so it opens read-only."
            )
        if not self.read_only:
            with told("opening the case"):
                self.blobs.sweep(rows.needed_blobs(self._db) | rows.derived_blobs(self._db))
            sweep_beside(self.folder)

    def _make_read_only(self, reason: str) -> None:
        self.read_only_reason = self.read_only_reason or reason
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    @property
    def read_only(self) -> bool:
        """Whether steps cannot be added."""
        return bool(self.read_only_reason)

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What was noticed on opening and reading: the reason for read-only, missing or damaged parts."""
        reason = [Finding(Severity.WARNING, "case-read-only", self.read_only_reason)] if self.read_only else []
        return (*reason, *dict.fromkeys(self._findings))

    def close(self) -> None:
        """Let the folder go; twice does no harm."""
        with self._guard:
            with suppress(sqlite3.Error):
                self._db.close()
            if self._lock is not None:
                self._lock.release()
                self._lock = None
            if self._scratch is not None:
                self._scratch.cleanup()
                self._scratch = None

    def __enter__(self) -> CaseStore:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # ------------------------------------------------------------ revisions

    def head(self) -> Revision:
        """Give the current revision."""
        with self._guard, told("reading the case"):
            number = rows.head(self._db)
        if number is None:
            raise PlannerError(f"The case {self.folder} holds no revision.", "Bring it back from a backup.")
        return self.revision(number)

    def revision(self, number: int) -> Revision:
        """Give one revision."""
        return self._row(number)[0]

    def history(self) -> tuple[Revision, ...]:
        """Give every revision ever made, oldest first, all branches."""
        with self._guard, told("reading the case"):
            return tuple(rows.revisions(self._db))

    def plan(self, number: int | None = None) -> Plan:
        """Give the plan of a revision, of the current one by default.

        Parts whose blob is missing are left out; then the case turns read-only and `findings` says what is missing.
        """
        revision, text = self._row(self.head().number if number is None else number)
        newer = revision.format > codec.FORMAT
        try:
            data = json.loads(text)
        except ValueError as fault:
            raise PlannerError(
                f"Revision {revision.number} of the case cannot be read.", "Bring the case back from a backup."
            ) from fault
        if not newer:
            data = codec.migrated(data, revision.format)
        data, missing = without_missing(data, self.blobs)
        if missing:
            self._findings.extend(missing)
            self._make_read_only("Files of this case are missing or damaged, so it opens read-only.")
        with told("reading the case"):
            return codec.plan_from_json(data, self.blobs, tolerant=newer)

    def append(self, plan: Plan, label: str, progress: Progress = silent) -> Revision:
        """Make a plan the new current revision; durable when this returns.

        Raises
        ------
        PlannerError
            If the case is read-only or the disk refuses; nothing is changed then.
        """
        self._writable()
        with self._guard:
            self.blobs.written.clear()
            self.blobs.progress = progress
            try:
                text = codec.plan_to_json(plan, self.blobs)
            finally:
                self.blobs.progress = silent
            sizes = self.blobs.written
            names = codec.blob_names(json.loads(text))
            with self._transaction("saving the step"):
                number = rows.head(self._db)
                parent = None if number is None else self.revision(number)
                for name in sorted(names):
                    size = sizes.get(name)
                    if size is None:
                        size = (self.blobs.folder / name).stat().st_size
                    self._db.execute("insert or ignore into blob (name, bytes) values (?, ?)", (name, size))
                return rows.insert_revision(self._db, parent, self.author, label, codec.FORMAT, text)

    def prepare(self, scan: Volume, progress: Progress = silent) -> None:
        """Write a scan's numbers ahead of the step that takes it in, in a job; the step is quick then.

        A scan whose step never comes is swept away when the case is opened next.
        """
        self._writable()
        # Without the guard: steps may be saved meanwhile, and a blob is whole or not there.
        self.blobs.put_volume(scan, progress)

    def move_head(self, number: int) -> Revision:
        """Make another revision the current one (undo and redo)."""
        self._writable()
        revision = self.revision(number)
        with self._transaction("moving in the history"):
            rows.set_head(self._db, number)
        return revision

    def undo_target(self, number: int | None = None) -> int | None:
        """Give the revision that undo leads to from one (default: the current), or None."""
        return (self.head() if number is None else self.revision(number)).parent

    def redo_target(self, number: int | None = None) -> int | None:
        """Give the newest revision that followed one (default: the current), or None."""
        with self._guard, told("reading the case"):
            return rows.latest_child(self._db, self.head().number if number is None else number)

    # ------------------------------------------------------------ view state and derived results

    def view_state(self) -> dict[str, Any]:
        """Give the view state that was kept last; empty when there is none."""
        with self._guard, told("reading the case"):
            row = self._db.execute("select state from view_state").fetchone()
        state: dict[str, Any] = {} if row is None else json.loads(row[0])
        return state

    def set_view_state(self, state: dict[str, Any]) -> None:
        """Keep the view state; no part of the history."""
        self._writable()
        with self._transaction("keeping the view"):
            self._db.execute(
                "insert or replace into view_state (only_row, state) values (1, ?)", (codec.dumps(state),)
            )

    def remember(self, stage: str, key: str, data: bytes) -> None:
        """Keep a derived result under the key of its inputs, in place of the stage's older ones."""
        self._writable()
        with self._guard:
            name = self.blobs.put_bytes(data)
            with self._transaction("keeping a result"):
                self._db.execute("delete from derived where stage = ?", (stage,))
                self._db.execute("insert into derived (stage, key, blob) values (?, ?, ?)", (stage, key, name))

    def recall(self, stage: str, key: str) -> bytes | None:
        """Give a derived result, or None when it was not kept, or was made from other inputs, or is damaged."""
        with self._guard, told("reading the case"):
            row = self._db.execute("select blob from derived where stage = ? and key = ?", (stage, key)).fetchone()
        if row is None:
            return None
        try:
            return self.blobs.get_bytes(str(row[0]))
        except PlannerError:
            return None

    def bring_into_memory(self, progress: Progress = silent) -> None:
        """Copy mapped volumes into memory and verify them; call it as a job after the first picture."""
        try:
            self.blobs.bring_into_memory(progress)
        except PlannerError as fault:
            self._findings.append(Finding(Severity.BLOCKER, "blob-damaged", str(fault)))
            self._make_read_only("Files of this case are missing or damaged, so it opens read-only.")
            raise

    # ------------------------------------------------------------ inside

    def _row(self, number: int) -> tuple[Revision, str]:
        with self._guard, told("reading the case"):
            found = rows.revision(self._db, number)
        if found is None:
            raise PlannerError(f"The case holds no revision {number}.", "Choose one of its history.")
        return found

    def _writable(self) -> None:
        if self.read_only:
            raise PlannerError(self.read_only_reason, "Save a copy of the case to another folder to go on working.")

    @contextmanager
    def _transaction(self, doing: str) -> Iterator[None]:
        with self._guard, told(doing):
            self._db.execute("begin immediate")
            try:
                yield
                self._db.execute("commit")
            except BaseException:
                with suppress(sqlite3.Error):
                    self._db.execute("rollback")
                raise


def default_author() -> str:
    """Give the user name of this workstation."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"
