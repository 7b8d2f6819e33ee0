"""Reads damaged inputs one after the other and says on standard output what became of each; its starter watches it.

Lines: ``start N``, then ``accepted N``, ``refused N``, ``memory N BYTES`` or ``crash N WHAT``.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import traceback
from pathlib import Path

from planner_core.errors import PlannerError
from planner_core.imaging import decode_pool
from planner_core.imaging.dicom_import import list_series, read_dicom
from planner_core.imaging.open_scan import open_scan
from planner_core.imaging.surface_files import read_surface
from tests.fuzz.inputs import damaged, samples

MEMORY_BYTES = 1_500_000_000
"""Above what the worker holds before the first input."""


def held() -> tuple[int, int]:
    """Give the memory held now and at most, in bytes."""
    status = Path("/proc/self/status").read_text()
    now, most = (int(status.split(f"{name}:")[1].split()[0]) * 1024 for name in ("VmRSS", "VmHWM"))
    return now, most


def read_one(place: Path, kinds: dict[str, list[tuple[str, bytes]]], seed: int, number: int) -> None:
    """Write one damaged input and read it; what was there before is put back."""
    kind, name, content = damaged(kinds, seed, number)
    path = place / ("dicom" if kind == "dicom" else "") / name
    whole = path.read_bytes() if kind == "dicom" else b""
    path.write_bytes(content)
    try:
        if kind == "dicom":
            if number % 3:
                read_dicom(path.parent, resample=number % 2 == 0)
            else:
                list_series(path.parent)
        elif kind in ("stl", "ply", "obj", "3mf"):
            read_surface(path, "surface:x")
        else:
            open_scan(path)
    finally:
        if kind == "dicom":
            path.write_bytes(whole)


def say(*words: object) -> None:
    """Say one line at once."""
    print(*words, flush=True)


def main(seed: int, first: int, last: int, step: int) -> None:
    """Go through inputs `first`, `first + step` ... below `last`."""
    with tempfile.TemporaryDirectory(
        prefix="fuzz_", dir="/dev/shm" if os.path.isdir("/dev/shm") else None
    ) as folder:
        place = Path(folder)
        kinds = samples(place)
        decode_pool.MOST_IDLE = 8  # one for each kind of picture: starting them anew would take most of the time
        base = held()[0]
        # Virtual memory is limited a little above, so that a wild allocation fails here and not on the machine.
        status = Path("/proc/self/status").read_text()
        virtual = int(status.split("VmSize:")[1].split()[0]) * 1024
        resource.setrlimit(resource.RLIMIT_AS, (virtual + 2 * MEMORY_BYTES, resource.RLIM_INFINITY))
        for number in range(first, last, step):
            Path("/proc/self/clear_refs").write_text("5")
            say("start", number)
            try:
                read_one(place, kinds, seed, number)
                outcome = "accepted"
            except PlannerError:
                outcome = "refused"
            except MemoryError:
                say("memory", number, "MemoryError")
                continue
            except Exception as fault:
                where = traceback.extract_tb(fault.__traceback__)[-1]
                say(
                    "crash",
                    number,
                    f"{type(fault).__name__}: {fault} at {Path(where.filename).name}:{where.lineno}",
                )
                continue
            most = held()[1]
            if most - base > MEMORY_BYTES:
                say("memory", number, most - base)
            else:
                say(outcome, number)


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:5]))
