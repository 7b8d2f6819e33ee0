"""Starts the workers, watches them, and adds up what they say."""

from __future__ import annotations

import queue
import subprocess
import sys
import threading
import time
from collections import Counter
from pathlib import Path
from typing import Any

from tests.fuzz.inputs import FORMATS

HANG_S = 10.0
START_S = 120.0
WORKERS = 2
ROOT = Path(__file__).resolve().parents[2]


class Watched:
    """One worker and the thread that reads what it says."""

    def __init__(self, seed: int, first: int, last: int, step: int) -> None:
        command = [sys.executable, "-W", "ignore", "-m", "tests.fuzz.worker", *map(str, (seed, first, last, step))]
        self.process = subprocess.Popen(
            command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, errors="replace"
        )
        self.lines: queue.Queue[str | None] = queue.Queue()
        self.thread = threading.Thread(target=self._listen, daemon=True)
        self.thread.start()

    def _listen(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.put(line.strip())
        self.lines.put(None)

    def stop(self) -> int:
        """End the worker, let its last words arrive, and give its exit status."""
        self.process.kill()
        status = self.process.wait()
        self.thread.join()
        assert self.process.stdout is not None
        self.process.stdout.close()
        return status

    def ended(self) -> int:
        """Give the exit status of a worker that has said its last word."""
        try:
            self.process.wait(timeout=HANG_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
        return self.stop()


def watch(seed: int, first: int, last: int, step: int, found: Counter[str], failures: list[dict[str, Any]]) -> None:
    """Have one share of the inputs read; a worker that hangs or dies is replaced behind its last input."""
    while first < last:
        worker = Watched(seed, first, last, step)
        current = None
        wait = START_S
        while True:
            try:
                line = worker.lines.get(timeout=wait)
            except queue.Empty:
                worker.stop()
                _fail(failures, found, "hang", current if current is not None else first, f"over {wait:.0f} s")
                break
            if line is None:
                status = worker.ended()
                if current is None and status == 0:
                    return
                what = f"worker ended with status {status}"
                _fail(failures, found, "crash", current if current is not None else first, what)
                break
            word, number, *rest = line.split(" ", 2)
            if word == "start":
                current, wait = int(number), HANG_S
                continue
            if word in ("memory", "crash"):
                _fail(failures, found, word, int(number), rest[0] if rest else "")
            else:
                found[word] += 1
                found[f"{FORMATS[int(number) % len(FORMATS)]} {word}"] += 1
            first, current = int(number) + step, None
        first = (current if current is not None else first) + step


def _fail(failures: list[dict[str, Any]], found: Counter[str], word: str, number: int, what: str) -> None:
    found[word] += 1
    failures.append({"input": number, "format": FORMATS[number % len(FORMATS)], "kind": word, "what": what})


def fuzz(inputs: int, seed: int) -> dict[str, Any]:
    """Have `inputs` damaged inputs read by two workers and give the sums.

    Returns
    -------
    dict
        ``crashes``, ``hangs`` and ``over_memory`` are 0 if the readers are sound; ``failures`` names the inputs.
    """
    start = time.monotonic()
    found: Counter[str] = Counter()
    failures: list[dict[str, Any]] = []
    threads = [
        threading.Thread(target=watch, args=(seed, first, inputs, WORKERS, found, failures))
        for first in range(WORKERS)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    done = found["accepted"] + found["refused"] + len(failures)
    return {
        "inputs": done,
        "seed": seed,
        "crashes": found["crash"],
        "hangs": found["hang"],
        "over_memory": found["memory"],
        "accepted": found["accepted"],
        "refused": found["refused"],
        "by_format": {
            kind: {word: found[f"{kind} {word}"] for word in ("accepted", "refused")}
            for kind in sorted(set(FORMATS))
        },
        "failures": sorted(failures, key=lambda one: one["input"]),
        "seconds": round(time.monotonic() - start, 1),
    }
