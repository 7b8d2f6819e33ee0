"""Children that work on a case until they are killed, and the look at what is left."""

from __future__ import annotations

import itertools
import os
import random
import shutil
import signal
import struct
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from planner_core.case.plan import Plan, ScanInput
from planner_core.case.session import Session
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource
from planner_core.planning.fixture import FixturePose
from tests.core.case.sample_plans import full_plan

ACKNOWLEDGED = struct.Struct("<q64s")
WORKS = ("edit", "undo", "import", "create")
LONGEST_LIFE_S = 0.6
"""A child is killed within this time after it began; early moments are as likely as late ones on a log scale."""

SCAN_VOXELS = (60, 160, 160)
"""A scan of 3 MB: writing it takes long enough to be hit."""


def run(kills: int, seed: int, place: Path | None = None) -> dict[str, Any]:
    """Kill `kills` children and count what was lost."""
    chance = random.Random(seed)
    result = {"kills": 0, "acknowledged": 0, "acknowledged_lost": 0, "broken": 0, "orphans_left": 0, "works": {}}
    with tempfile.TemporaryDirectory(dir=place) as scratch:
        folder = Path(scratch) / "case"
        CaseStore.create(folder, "tester", full_plan()).close()
        known: dict[int, str] = {}
        for number in range(kills):
            work = WORKS[number % len(WORKS)]
            acknowledged = _one_child(folder, work, chance)
            known.update(acknowledged)
            result["kills"] += 1
            result["acknowledged"] += len(acknowledged)
            result["works"][work] = result["works"].get(work, 0) + 1
            _look(folder, known, result)
            if number % 40 == 39:
                # A long history makes each look slow; a new case starts with what is known of it.
                shutil.rmtree(folder)
                CaseStore.create(folder, "tester", full_plan()).close()
                known.clear()
    return result


def _one_child(folder: Path, work: str, chance: random.Random) -> dict[int, str]:
    """Let a child work, kill it at a random moment, and give the revisions that it acknowledged."""
    reader, writer = os.pipe()
    seed = chance.randrange(1 << 30)
    child = os.fork()
    if child == 0:
        os.close(reader)
        try:
            _work(folder, work, writer, seed)
        except BaseException as fault:
            os.write(2, f"the child failed: {fault!r}\n".encode())
        os._exit(3)
    os.close(writer)
    with os.fdopen(reader, "rb", buffering=0) as stream:
        stream.read(1)  # it has begun
        time.sleep(LONGEST_LIFE_S * 10.0 ** (-2.0 * chance.random()))
        os.kill(child, signal.SIGKILL)
        _, status = os.waitpid(child, 0)
        data = stream.read() or b""
    if not os.WIFSIGNALED(status):
        raise RuntimeError("the child ended before it was killed")
    whole = len(data) // ACKNOWLEDGED.size * ACKNOWLEDGED.size
    return {number: sha.decode() for number, sha in ACKNOWLEDGED.iter_unpack(data[:whole])}


def _work(folder: Path, work: str, writer: int, seed: int) -> None:
    """Work for ever; every step that was saved is told to the parent."""
    chance = random.Random(seed)
    if work == "create":
        os.write(writer, b"!")
        for number in itertools.count():
            place = folder.parent / f"other-{number}"
            CaseStore.create(place, "tester", edits.set_scan(Plan(), _scan(chance))).close()
    store = CaseStore.open(folder, author="tester")
    session = Session(store=store)
    os.write(writer, b"!")
    while True:
        _step(session, work, chance)
        if session.revision_number is not None and work != "undo":
            revision = store.revision(session.revision_number)
            os.write(writer, ACKNOWLEDGED.pack(revision.number, revision.sha256.encode()))


def _step(session: Session, work: str, chance: random.Random) -> None:
    if work == "import":
        session.apply("Import scan", edits.set_scan, _scan(chance))
    elif work == "undo":
        go = session.undo if chance.random() < 0.5 else session.redo
        if not go():
            session.apply("Notes", edits.set_notes, str(chance.random()))
    else:
        gesture = session.begin("Move fixture 36")
        for _ in range(3):
            pose = FixturePose([24.0 + chance.random(), 5.0, 0.0], [0.0, 0.1 * chance.random(), -1.0])
            gesture.show(edits.move_fixture(gesture.start, "36", pose))
        gesture.commit()


def _scan(chance: random.Random) -> ScanInput:
    stored = np.random.default_rng(chance.randrange(1 << 30)).integers(0, 3000, SCAN_VOXELS).astype(np.int16)
    return ScanInput(Volume(stored, np.diag([0.3, 0.3, 0.3, 1.0])), ScanSource("dicom"))


def _look(folder: Path, known: dict[int, str], result: dict[str, Any]) -> None:
    """Open what is left as a user would, and count losses."""
    try:
        with CaseStore.open(folder, author="tester") as store:
            if store.read_only:
                raise RuntimeError(store.read_only_reason)
            there = {revision.number: revision.sha256 for revision in store.history()}
            result["acknowledged_lost"] += sum(there.get(number) != sha for number, sha in known.items())
            Session(store=store)
            needed = _needed(store)
        report = check(folder)
        result["broken"] += not report.whole
        left = {path.name for path in (folder / "blobs").iterdir()} - needed
        result["orphans_left"] += len(left)
    except Exception as fault:
        print(f"broken: {fault!r}")
        result["broken"] += 1
    left = [path.name[1:].partition("-new-")[0] for path in folder.parent.glob(".other-*-new-*")]
    made = [path.name for path in folder.parent.glob("other-*")]
    for name in {*left, *made}:
        _look_beside(folder.parent / name, result)


def _needed(store: CaseStore) -> set[str]:
    from planner_core.case import rows

    return rows.needed_blobs(store._db) | rows.derived_blobs(store._db)


def _look_beside(place: Path, result: dict[str, Any]) -> None:
    """A case that was being made is whole or not there; what is left of a killed one goes when it is made again."""
    if place.exists():
        result["broken"] += not check(place).whole
        shutil.rmtree(place)
    CaseStore.create(place, "tester").close()
    result["orphans_left"] += len(list(place.parent.glob(f".{place.name}-new-*")))
    shutil.rmtree(place)
