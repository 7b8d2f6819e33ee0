"""The rows of ``case.db``: what a revision is, the chain of hashes, and plain SQL around it.

SQLite with rollback journal and ``synchronous=FULL``: a write-ahead log cannot be opened from a read-only
folder and is not for network shares (sqlite.org/wal.html).
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from attrs import frozen

from planner_core.case.codec import dumps

APPLICATION_ID = 0x504C4D42
"""Marks the database as a case of this program (PRAGMA application_id, "PLMB")."""

GENESIS = "0" * 64
"""Parent hash of a first revision."""

SCHEMA = """
create table meta (key text primary key, value text not null);
create table revision (
    number integer primary key autoincrement,
    parent integer references revision(number),
    time_utc text not null,
    author text not null,
    label text not null,
    format integer not null,
    plan text not null,
    sha256 text not null
);
create table head (only_row integer primary key check (only_row = 1), number integer not null
    references revision(number));
create table view_state (only_row integer primary key check (only_row = 1), state text not null);
create table blob (name text primary key, bytes integer not null);
create table derived (stage text not null, key text not null, blob text not null, primary key (stage, key));
"""


@frozen
class Revision:
    """One committed step.

    Parameters
    ----------
    number : int
    parent : int or None
        The revision that it followed; None for the first.
    time_utc : str
        ISO 8601.
    sha256 : str
        Over the parent's hash and everything else here with the plan's JSON.
    """

    number: int
    parent: int | None
    time_utc: str
    author: str
    label: str
    format: int
    sha256: str


def revision_hash(
    parent_hash: str, parent: int | None, time_utc: str, author: str, label: str, format_number: int, plan: str
) -> str:
    """Give the SHA-256 that chains a revision to its parent."""
    content = dumps([parent_hash, parent, time_utc, author, label, format_number, plan])
    return hashlib.sha256(content.encode()).hexdigest()


def now_utc() -> str:
    """Give the present time, ISO 8601 with microseconds, UTC."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def connect(path: Path, read_only: bool, immutable: bool = False) -> sqlite3.Connection:
    """Open the database; several threads may use it in turn (the store serialises them)."""
    mode = "ro" if read_only else "rw"
    uri = f"{path.resolve().as_uri()}?mode={mode}" + ("&immutable=1" if immutable else "")
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=5.0, check_same_thread=False)
    connection.execute("pragma synchronous=full")
    connection.execute("pragma foreign_keys=on")
    return connection


def create(path: Path) -> sqlite3.Connection:
    """Make a new, empty database."""
    connection = sqlite3.connect(path, isolation_level=None, timeout=5.0, check_same_thread=False)
    connection.execute("pragma journal_mode=delete")
    connection.execute("pragma synchronous=full")
    connection.execute("pragma foreign_keys=on")
    connection.execute(f"pragma application_id={APPLICATION_ID}")
    connection.execute("begin immediate")
    for statement in SCHEMA.split(";"):
        if statement.strip():
            connection.execute(statement)
    connection.execute("commit")
    return connection


COLUMNS = "number, parent, time_utc, author, label, format, sha256"


def revision(db: sqlite3.Connection, number: int) -> tuple[Revision, str] | None:
    """Give a revision and its plan's JSON."""
    row = db.execute(f"select {COLUMNS}, plan from revision where number = ?", (number,)).fetchone()
    return None if row is None else (Revision(*row[:-1]), row[-1])


def revisions(db: sqlite3.Connection) -> Iterator[Revision]:
    """Give all revisions in their order, without their plans."""
    for row in db.execute(f"select {COLUMNS} from revision order by number"):
        yield Revision(*row)


def head(db: sqlite3.Connection) -> int | None:
    """Give the number of the current revision."""
    row = db.execute("select number from head").fetchone()
    return None if row is None else int(row[0])


def latest_child(db: sqlite3.Connection, number: int) -> int | None:
    """Give the newest revision that followed one: where redo leads."""
    row = db.execute("select max(number) from revision where parent = ?", (number,)).fetchone()
    return None if row[0] is None else int(row[0])


def insert_revision(
    db: sqlite3.Connection, parent: Revision | None, author: str, label: str, format_number: int, plan: str
) -> Revision:
    """Add a revision and make it the head; the caller holds the transaction."""
    time_utc = now_utc()
    parent_number = None if parent is None else parent.number
    parent_hash = GENESIS if parent is None else parent.sha256
    sha256 = revision_hash(parent_hash, parent_number, time_utc, author, label, format_number, plan)
    cursor = db.execute(
        "insert into revision (parent, time_utc, author, label, format, plan, sha256) values (?,?,?,?,?,?,?)",
        (parent_number, time_utc, author, label, format_number, plan, sha256),
    )
    number = int(cursor.lastrowid or 0)
    set_head(db, number)
    return Revision(number, parent_number, time_utc, author, label, format_number, sha256)


def set_head(db: sqlite3.Connection, number: int) -> None:
    """Make a revision the current one."""
    db.execute("insert or replace into head (only_row, number) values (1, ?)", (number,))


def needed_blobs(db: sqlite3.Connection) -> set[str]:
    """Give the names of all blobs that a revision names."""
    return {str(row[0]) for row in db.execute("select name from blob")}


def derived_blobs(db: sqlite3.Connection) -> set[str]:
    """Give the names of the blobs of derived results: kept to save time, made anew where they are lost."""
    return {str(row[0]) for row in db.execute("select blob from derived")}
