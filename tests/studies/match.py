"""Accuracy of the roads that bring the scans together, and whether the stated error holds.

Simulated mouths (streaks by projection, not painted) with surface scans in frames of their own, turned up to 30
degrees and moved up to 20 mm; scanner noise, fresh volume noise, partial scans, moved and missing markers. The true
error is measured at entry and apex of the planned fixtures.

Long runs go in pieces: with ``--store DIR`` simulated volumes and finished trials are kept, ``--minutes M`` ends a
piece, and the same command goes on where it stopped.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

import planner_core.registration
from planner_core.progress import Progress, silent
from tests.studies.match_mouths import Kind, StudyMouth, make_mouth
from tests.studies.match_summary import summary, table
from tests.studies.match_trials import MARKER_SCANS, Noisy, Row, marker_trial, noisy, surface_trial

__all__ = ["NAME", "add_arguments", "run", "study", "table"]

NAME = "match"

KINDS: tuple[Kind, ...] = ("ceramic", "clean", "streaked")

TRIALS_PER_MOUTH = {"ceramic": 16, "clean": 8, "streaked": 8}
"""Trials that share a simulated mouth (a simulation takes up to a minute)."""

SCANS_PER_NOISE = {"ceramic": len(MARKER_SCANS), "clean": 4, "streaked": 4}
"""Trials that share one noisy volume."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study's own arguments."""
    parser.add_argument(
        "--trials", type=int, default=60, help="trials in all, a third of them on each kind of mouth"
    )
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--store", type=Path, metavar="DIR", help="keep volumes and finished trials here")
    parser.add_argument("--minutes", type=float, help="end this piece after so many minutes")
    parser.add_argument("--only", choices=KINDS, action="append", help="only this kind of mouth (repeat for more)")


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Run the study, or a piece of it, and give its tables as data."""
    until = None if args.minutes is None else time.monotonic() + 60.0 * args.minutes
    return study(args.trials, args.seed, store=args.store, until=until, kinds=tuple(args.only or KINDS))


def study(
    trials: int,
    seed: int,
    progress: Progress = silent,
    mouths: Callable[[Kind, int, Path | None], StudyMouth] = make_mouth,
    *,
    store: Path | None = None,
    until: float | None = None,
    kinds: tuple[Kind, ...] = KINDS,
) -> dict[str, Any]:
    """Run `trials` trials; `mouths` makes the mouth of a kind and seed.

    Parameters
    ----------
    store : Path, optional
        Folder of kept volumes and finished trials.
    until : float, optional
        Time (``time.monotonic()``) at which no further trial is begun.
    """
    each = max(1, trials // len(KINDS))
    rows = _kept(store, seed)
    version = code_version()
    mouths_each = {kind: -(-each // TRIALS_PER_MOUTH[kind]) for kind in kinds}
    for mouth_number in range(max(mouths_each.values())):
        for kind in (k for k in kinds if mouth_number < mouths_each[k]):
            numbers = range(min(TRIALS_PER_MOUTH[kind], each - mouth_number * TRIALS_PER_MOUTH[kind]))
            missing = [k for k in numbers if (kind, mouth_number, k) not in rows]
            if not missing or (until is not None and time.monotonic() > until):
                continue
            progress(mouth_number * TRIALS_PER_MOUTH[kind] / each, kind)
            mouth = mouths(kind, seed * 1000 + mouth_number, store)
            for trial, row in trials_of(mouth, seed, mouth_number, missing, until):
                rows[kind, mouth_number, trial] = {
                    "kind": kind, "mouth": mouth_number, "trial": trial, "version": version, **row,
                }  # fmt: skip
                _keep(store, seed, rows[kind, mouth_number, trial])
    wanted = [row for key, row in sorted(rows.items()) if key[1] * TRIALS_PER_MOUTH[key[0]] + key[2] < each]
    return summary(wanted, trials, seed)


def trials_of(
    mouth: StudyMouth, seed: int, mouth_number: int, numbers: list[int], until: float | None = None
) -> Iterator[tuple[int, Row]]:
    """Run the trials of a mouth; each depends on its own numbers only, whichever ran before."""
    stream = KINDS.index(mouth.kind)
    one = marker_trial if mouth.kind == "ceramic" else surface_trial
    drawn: tuple[int, Noisy] | None = None
    for trial in numbers:
        if until is not None and time.monotonic() > until:
            return
        group = trial // SCANS_PER_NOISE[mouth.kind]
        if drawn is None or drawn[0] != group:
            drawn = group, noisy(mouth, np.random.default_rng([seed, stream, mouth_number, group, 0]))
        rng = np.random.default_rng([seed, stream, mouth_number, trial, 1])
        yield trial, one(mouth, drawn[1], trial, rng)


def code_version() -> str:
    """Give a short fingerprint of the matching code and of the study."""
    digest = hashlib.sha256()
    here = Path(__file__).parent
    for path in sorted([*Path(planner_core.registration.__file__).parent.glob("*.py"), *here.glob("match*.py")]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:8]


def _rows_file(store: Path, seed: int) -> Path:
    return store / f"trials_{seed}.jsonl"


def _kept(store: Path | None, seed: int) -> dict[tuple[Kind, int, int], Row]:
    if store is None or not _rows_file(store, seed).exists():
        return {}
    rows = (json.loads(line) for line in _rows_file(store, seed).read_text().splitlines())
    return {(row["kind"], row["mouth"], row["trial"]): row for row in rows}


def _keep(store: Path | None, seed: int, row: Row) -> None:
    if store is not None:
        store.mkdir(parents=True, exist_ok=True)
        with _rows_file(store, seed).open("a") as file:
            file.write(json.dumps(row) + "\n")
