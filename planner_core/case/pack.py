"""A case as one zip, and back: nothing but a case comes out of it, however the zip was made."""

from __future__ import annotations

import re
import shutil
import sqlite3
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from planner_core.case import rows
from planner_core.case.blobs import BLOB_NAME, BlobFolder
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from planner_core.case.disk import told
from planner_core.case.identity import ANONYMOUS, code_of, face_warning, without_identity
from planner_core.case.opening import DATABASE, make_place, open_database
from planner_core.errors import PlannerError
from planner_core.files import whole_file
from planner_core.findings import Finding
from planner_core.progress import Progress, part_of, silent

LARGEST_CASE_BYTES = 20 << 30
"""Largest case that is unpacked, bytes (our choice: some ten scans of 2 GB)."""

LARGEST_RATIO = 200
"""Largest ratio of unpacked to packed size beyond `FREE_BYTES` (our choice: real scans pack 2 to 5 times; a zip
bomb reaches 1000)."""

FREE_BYTES = 1 << 28
"""Size up to which the ratio does not matter, bytes: 256 MB fit anywhere (our choice)."""

MOST_FILES = 100_000
"""Most files in a packed case (our choice)."""

CHUNK_BYTES = 1 << 20

_MEMBER = re.compile(r"(?:case\.db|blobs/" + BLOB_NAME.pattern + ")")


def pack(folder: Path, target: Path, progress: Progress = silent) -> None:
    """Write a case with its whole history into one zip; the zip is whole or not there.

    Kept results do not travel: whoever unpacks the case has them made anew.

    Raises
    ------
    PlannerError
        If there is no case, it misses files, or the place cannot be written.
    """
    folder, target = Path(folder), Path(target)
    if target.resolve().is_relative_to(folder.resolve()):
        raise PlannerError("The zip cannot lie in the case that it packs.", "Choose a place outside the case.")
    opened = open_database(folder, read_only=True)
    try:
        names = sorted(rows.needed_blobs(opened.db))
        blobs = BlobFolder(folder / "blobs")
        missing = [name for name in names if not (blobs.folder / name).is_file()]
        if missing:
            raise PlannerError(
                f"The case misses {len(missing)} of its files, the first is blobs/{missing[0]}.",
                "Check the case, and bring the files back from a backup.",
            )
        with tempfile.TemporaryDirectory() as scratch, told("packing the case"), whole_file(target) as temporary:
            copy = Path(scratch) / DATABASE
            _snapshot(opened.db, copy)
            with zipfile.ZipFile(temporary, "x", zipfile.ZIP_DEFLATED, compresslevel=3) as out:
                out.write(copy, DATABASE)
                for number, name in enumerate(names):
                    _add(out, blobs.folder / name, f"blobs/{name}", part_of(progress, *_span(number, len(names))))
    finally:
        opened.db.close()
        if opened.scratch is not None:
            opened.scratch.cleanup()
    progress(1.0, "Packed")


def pack_without_identity(
    folder: Path, target: Path, progress: Progress = silent
) -> tuple[str, tuple[Finding, ...]]:
    """Pack the present plan alone, freed of its identity, since the history holds names.

    Returns
    -------
    code : str
        A code by which the practice finds the case again.
    findings : tuple of Finding
        What remains to be said: the volume of a head shows a face.
    """
    with CaseStore.open(Path(folder), read_only=True) as store, tempfile.TemporaryDirectory() as scratch:
        plan = without_identity(store.plan())
        store.bring_into_memory(part_of(progress, 0.0, 0.3))
        anonymous = Path(scratch) / "case"
        CaseStore.create(anonymous, ANONYMOUS, plan, part_of(progress, 0.3, 0.6)).close()
        pack(anonymous, target, part_of(progress, 0.6, 1.0))
    warning = face_warning(plan)
    return code_of(plan), () if warning is None else (warning,)


def unpack(source: Path, folder: Path, progress: Progress = silent) -> None:
    """Unpack a case into a new folder and verify it; the folder is whole or not there.

    Raises
    ------
    PlannerError
        If the zip is no packed case, is damaged, grows beyond every sensible size, or what comes out is not whole.
    """
    source, folder = Path(source), Path(folder)
    with _opened_zip(source) as packed:
        members = _members(packed, source)
        with make_place(folder) as made, told("unpacking the case"):
            _room_for(members, made)
            (made / "blobs").mkdir()
            for number, member in enumerate(members):
                _extract(packed, member, made, part_of(progress, *_span(number, len(members), 0.8)))
            report = check(made, part_of(progress, 0.8, 1.0))
            if not report.whole:
                first = next(f for f in report.findings if f.severity.value == "blocker")
                raise PlannerError(
                    f"The packed case is damaged: {first.text}", "Pack the case again, or use a backup."
                )


def _span(number: int, count: int, end: float = 1.0) -> tuple[float, float]:
    return end * number / max(1, count), end * (number + 1) / max(1, count)


def _snapshot(db: sqlite3.Connection, path: Path) -> None:
    copy = sqlite3.connect(path)
    try:
        db.backup(copy)
        with copy:
            copy.execute("delete from derived")
    finally:
        copy.close()


def _add(out: zipfile.ZipFile, path: Path, name: str, progress: Progress) -> None:
    size = max(1, path.stat().st_size)
    with path.open("rb") as stream, out.open(name, "w", force_zip64=True) as member:
        done = 0
        while chunk := stream.read(CHUNK_BYTES):
            member.write(chunk)
            done += len(chunk)
            progress(done / size, "Packing")


@contextmanager
def _opened_zip(source: Path) -> Iterator[zipfile.ZipFile]:
    if not source.is_file():
        raise PlannerError(f"There is no file {source}.", "Choose a packed case.")
    try:
        with zipfile.ZipFile(source) as packed:
            yield packed
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        zlib.error,
        NotImplementedError,
        EOFError,
        RuntimeError,
    ) as fault:
        raise PlannerError(
            f"{source.name} is no whole zip file.", "Choose a packed case, or pack it again."
        ) from fault


def _members(packed: zipfile.ZipFile, source: Path) -> list[zipfile.ZipInfo]:
    """Give the members if every one of them can belong to a case, by name, kind and size."""
    members = packed.infolist()
    names = [member.filename for member in members]
    stranger = next((name for name in names if not _MEMBER.fullmatch(name)), None)
    if stranger is not None or DATABASE not in names:
        what = f"it holds {stranger[:60]!r}" if stranger is not None else "it holds no case.db"
        raise PlannerError(f"{source.name} is no packed case: {what}.", "Choose a zip that this program packed.")
    if len(set(names)) != len(names) or len(names) > MOST_FILES:
        raise PlannerError(f"{source.name} is no packed case: it names files twice, or too many.", "Pack it again.")
    if any(member.flag_bits & 0x1 for member in members):
        raise PlannerError(f"{source.name} is encrypted.", "Unpack it with the program that encrypted it.")
    total = sum(member.file_size for member in members)
    if total > LARGEST_CASE_BYTES or (total > FREE_BYTES and total > LARGEST_RATIO * source.stat().st_size):
        raise PlannerError(
            f"{source.name} would grow to {total / 1e9:.1f} GB, which no case does.", "Do not use this file."
        )
    return members


def _room_for(members: list[zipfile.ZipInfo], place: Path) -> None:
    total = sum(member.file_size for member in members)
    free = shutil.disk_usage(place).free
    if total > free:
        raise PlannerError(
            f"The case needs {total / 1e6:.0f} MB and the disk has {free / 1e6:.0f} MB left.",
            "Free some space or choose another disk.",
        )


def _extract(packed: zipfile.ZipFile, member: zipfile.ZipInfo, folder: Path, progress: Progress) -> None:
    """Write one member; its name was checked, and it may not be longer than it said."""
    written = 0
    with packed.open(member) as stream, (folder / member.filename).open("xb") as out:
        while chunk := stream.read(CHUNK_BYTES):
            written += len(chunk)
            if written > member.file_size:
                raise PlannerError("The zip holds more than it says.", "Do not use this file.")
            out.write(chunk)
            progress(written / max(1, member.file_size), "Unpacking")
