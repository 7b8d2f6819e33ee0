"""What can be saved of a damaged case: readable revisions, and a plan without the parts whose files are missing."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import suppress
from pathlib import Path
from typing import Any

from planner_core.case import codec, rows
from planner_core.case.blobs import BlobFolder
from planner_core.findings import Finding, Severity

PART_NAMES = {
    "scan": "the scan",
    "surfaces": "the surface scan",
    "canals": "the canal",
    "bone": "the bone surface",
    "arch": "the arch curve",
    "match": "the match",
    "fixtures": "the fixture",
    "pairs": "the pairs of points",
    "markers": "the set of markers",
    "regions": "the region painted on the surface scan",
    "second_scan": "the scan of the prosthesis",
    "teeth": "the marked tooth",
    "cavities": "the air space",
    "drawn": "the drawn structure",
    "crowns": "the planned tooth",
}
"""Parts of a plan in the words of the trade."""

KEYED = ("surfaces", "canals", "fixtures", "regions", "markers", "teeth", "cavities", "drawn", "crowns")
"""Parts that hold members by key: only the damaged member is left out."""

Json = dict[str, Any]


def without_missing(data: Json, blobs: BlobFolder) -> tuple[Json, tuple[Finding, ...]]:
    """Give a plan's JSON without the parts whose blobs are not there, and one finding for each part left out."""
    lost = {name for name in codec.blob_names(data) if not (blobs.folder / name).is_file()}
    lost |= {name for name in codec.blob_names(data) - lost if not _whole(blobs, name)}
    if not lost:
        return data, ()
    kept: Json = {}
    findings = []
    for part, value in data.items():
        if part in KEYED and isinstance(value, dict):
            good = {key: item for key, item in value.items() if not codec.blob_names(item) & lost}
            kept[part] = good
            findings += [
                _left_out(part, key, codec.blob_names(value[key]) & lost) for key in value if key not in good
            ]
        elif codec.blob_names(value) & lost:
            findings.append(_left_out(part, "", codec.blob_names(value) & lost))
        else:
            kept[part] = value
    return kept, tuple(findings)


def _whole(blobs: BlobFolder, name: str) -> bool:
    """Small blobs by their hash; volumes by their length only, since they are verified after the first picture."""
    if name.endswith(".nii"):
        with (blobs.folder / name).open("rb") as stream:
            head = stream.read(48)
        columns, rows_, slices = (int.from_bytes(head[42 + 2 * k : 44 + 2 * k], "little") for k in range(3))
        return (blobs.folder / name).stat().st_size == 352 + 2 * columns * rows_ * slices
    return not blobs.damage_of(name)


def _left_out(part: str, key: str, names: set[str]) -> Finding:
    what = PART_NAMES.get(part, part) + (f" {key}" if key else "")
    return Finding(
        Severity.BLOCKER,
        "blob-missing",
        f"{what[0].upper()}{what[1:]} is left out: its file blobs/{sorted(names)[0]} is missing or damaged.",
        key,
    )


def readable_copy(damaged: Path, target: Path) -> tuple[int, int]:
    """Write every revision that can still be read, and whose hash fits, into a new database.

    Returns
    -------
    tuple of int
        How many, and the number of the last one (0 when there is none), which becomes the head unless the old head
        could be read.
    """
    out = rows.create(target)
    source = sqlite3.connect(f"{damaged.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
    kept: dict[int, rows.Revision] = {}
    try:
        out.execute("pragma foreign_keys=off")
        out.execute("begin")
        for number in range(1, _last_number(source, damaged) + 1):
            with suppress(sqlite3.Error, ValueError):
                found = rows.revision(source, number)
                if found is not None and _fits(found, kept):
                    kept[number] = found[0]
                    _copy(out, *found)
        if kept:
            head = max(kept)
            with suppress(sqlite3.Error):
                old_head = rows.head(source)
                head = old_head if old_head in kept else head
            rows.set_head(out, head)
        out.execute("commit")
    finally:
        source.close()
        out.close()
    return len(kept), max(kept, default=0)


def _fits(found: tuple[rows.Revision, str], kept: dict[int, rows.Revision]) -> bool:
    """Whether the hash fits; where the parent could not be read, whether the plan is whole JSON at least."""
    revision, plan = found
    json.loads(plan)
    if revision.parent is not None and revision.parent not in kept:
        return bool(re.fullmatch(r"[0-9a-f]{64}", revision.sha256))
    parent = rows.GENESIS if revision.parent is None else kept[revision.parent].sha256
    expected = rows.revision_hash(
        parent, revision.parent, revision.time_utc, revision.author, revision.label, revision.format, plan
    )
    return expected == revision.sha256


def _copy(out: sqlite3.Connection, revision: rows.Revision, plan: str) -> None:
    out.execute(
        "insert into revision (number, parent, time_utc, author, label, format, plan, sha256) "
        "values (?,?,?,?,?,?,?,?)",
        (
            revision.number,
            revision.parent,
            revision.time_utc,
            revision.author,
            revision.label,
            revision.format,
            plan,
            revision.sha256,
        ),
    )
    for name in codec.blob_names(json.loads(plan)):
        out.execute("insert or ignore into blob (name, bytes) values (?, 0)", (name,))


def _last_number(source: sqlite3.Connection, damaged: Path) -> int:
    with suppress(sqlite3.Error):
        return int(source.execute("select max(number) from revision").fetchone()[0] or 0)
    # The root of the table is gone; numbers beyond the file's pages cannot exist.
    return max(1, damaged.stat().st_size // 512)
