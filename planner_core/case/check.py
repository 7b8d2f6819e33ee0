"""Whether a case is whole: the chain of hashes, every plan, every blob."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

from attrs import field, frozen

from planner_core.case import codec, rows
from planner_core.case.blobs import BlobFolder
from planner_core.case.disk import told
from planner_core.case.opening import open_database
from planner_core.findings import Finding, Severity
from planner_core.progress import Progress, silent


@frozen
class CheckReport:
    """What `check` found.

    Parameters
    ----------
    revisions, blobs : int
        How many there are.
    findings : tuple of Finding
        Blockers are damage; notes are harmless (left-over files).
    head : int or None
        Number of the current revision.
    sha256 : str
        Its hash, which covers everything before it.
    """

    revisions: int
    blobs: int
    head: int | None = None
    sha256: str = ""
    findings: tuple[Finding, ...] = field(factory=tuple)

    @property
    def whole(self) -> bool:
        """Whether nothing is damaged or missing."""
        return not any(f.severity is Severity.BLOCKER for f in self.findings)


def check(folder: Path, progress: Progress = silent) -> CheckReport:
    """Verify the hash chain, every plan and every blob of a case; changes nothing.

    Raises
    ------
    PlannerError
        If there is no case, or nothing of it can be read.
    """
    folder = Path(folder)
    opened = open_database(folder, read_only=True)
    try:
        with told("checking the case"):
            findings = list(opened.findings)
            needed = set(rows.needed_blobs(opened.db))
            derived = rows.derived_blobs(opened.db)
            known = _check_revisions(opened.db, findings, needed)
            head = rows.head(opened.db)
        if head is not None and head not in known:
            findings.append(_damage("head-missing", f"The current revision {head} is not there."))
        blobs = BlobFolder(folder / "blobs")
        _check_blobs(blobs, needed, derived - needed, findings, progress)
        return CheckReport(len(known), len(needed | derived), head, known.get(head or 0, ""), tuple(findings))
    finally:
        opened.db.close()
        if opened.scratch is not None:
            opened.scratch.cleanup()


def _damage(code: str, text: str, where: str = "") -> Finding:
    return Finding(Severity.BLOCKER, code, text, where)


def _check_revisions(db: sqlite3.Connection, findings: list[Finding], needed: set[str]) -> dict[int, str]:
    known: dict[int, str] = {}
    for (number,) in db.execute("select number from revision order by number").fetchall():
        found = rows.revision(db, number)
        if found is None:
            continue
        revision, plan = found
        where = f"revision {number}"
        parent = rows.GENESIS if revision.parent is None else known.get(revision.parent, "")
        expected = rows.revision_hash(
            parent, revision.parent, revision.time_utc, revision.author, revision.label, revision.format, plan
        )
        if not parent:
            findings.append(_damage("parent-missing", f"Revision {number} follows one that is not there.", where))
        elif expected != revision.sha256:
            text = f"Revision {number} is not as it was saved: its hash does not fit."
            findings.append(_damage("hash-differs", text, where))
        try:
            needed |= codec.blob_names(json.loads(plan))
        except ValueError:
            findings.append(_damage("plan-unreadable", f"The plan of revision {number} is no JSON.", where))
        known[number] = revision.sha256
    return known


def _check_blobs(
    blobs: BlobFolder, needed: set[str], derived: set[str], findings: list[Finding], progress: Progress
) -> None:
    for count, name in enumerate(sorted(needed | derived)):
        progress(count / len(needed | derived), "Checking files")
        fault = blobs.damage_of(name)
        if fault and name in derived:
            text = f"The kept result blobs/{name} is {fault}; it is made anew when it is wanted."
            findings.append(Finding(Severity.NOTE, f"kept-result-{fault}", text, name))
        elif fault:
            findings.append(_damage(f"blob-{fault}", f"The file blobs/{name} is {fault}.", name))
    for name in sorted(blobs.names() - needed - derived) if blobs.folder.is_dir() else []:
        findings.append(Finding(Severity.NOTE, "blob-orphan", f"No revision names the file blobs/{name}.", name))
    progress(1.0, "Checked")
