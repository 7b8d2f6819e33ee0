"""Runs decoders written in C in processes of their own, so that a damaged picture can end them and not the program.

At most `MOST_CHILDREN` are kept; they decode beside each other, which the interpreter's lock would forbid within
one process.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

import planner_core
from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray
from planner_core.imaging.decode_child import FAILED, OK, READY

MOST_CHILDREN = 2
"""Decoding processes at a time (our choice: two cores)."""

MOST_IDLE = 2
"""Processes that wait for work, at most (our choice: 40 MB each; one is started in half a second)."""

START_S = 60.0
"""How long a process may take to start (our choice: a busy, slow disk)."""

FRAME_S, FRAME_S_PER_MVOXEL = 4.0, 2.0
"""How long a picture may take, and more for each million voxels (our choice; seen: 0.1 s for 512 x 512)."""

FILE_S, FILE_S_PER_MB = 20.0, 0.2
"""The same for a whole file."""

_idle: list[_Child] = []
_lock = threading.Lock()
_places = threading.BoundedSemaphore(MOST_CHILDREN)


class DecodeError(Exception):
    """A picture that cannot be decoded: its decoder failed, crashed or did not end."""


class _Child:
    """One decoding process; every wait for it has an end."""

    def __init__(self, plugins: tuple[str, ...]) -> None:
        self.plugins = plugins
        root = str(Path(planner_core.__file__).resolve().parents[1])
        # -P and a folder of our own: a file that lies where the user works must not pass for one of the libraries.
        command = [sys.executable, "-P", "-W", "ignore", "-m", "planner_core.imaging.decode_child", *plugins]
        try:
            self.process = subprocess.Popen(
                command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                cwd=root,
                env={**os.environ, "PYTHONPATH": root, "OPENBLAS_NUM_THREADS": "1"},
            )
        except OSError as error:
            raise PlannerError(
                f"The decoder could not be started ({error.strerror}).", "Close other programs and try again."
            ) from error
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self.jobs: IO[bytes] = self.process.stdin
        self.answers: IO[bytes] = self.process.stdout
        with self.no_longer_than(START_S):
            if self.answers.readline() != READY:
                self.end()
                raise PlannerError("The decoder could not be started.", "Install the program again.")

    @contextmanager
    def no_longer_than(self, seconds: float) -> Iterator[None]:
        """Kill the process if the block takes longer; what waits for it then sees its end."""
        timer = threading.Timer(seconds, self.process.kill)
        timer.name, timer.daemon = "planner_core-decode-timer", True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()

    def ask(self, job: dict[str, Any], frames: Iterable[bytes] = ()) -> None:
        """Send a job."""
        try:
            self.jobs.write(json.dumps(job).encode() + b"\n")
            for frame in frames:
                self.jobs.write(frame)
            self.jobs.flush()
        except OSError as error:
            raise DecodeError from error

    def answered(self) -> bool:
        """Read whether the work succeeded; a process that has ended raises."""
        word = self.answers.read(1)
        if word not in (OK, FAILED):
            raise DecodeError
        return word == OK

    def fill(self, target: AnyArray) -> None:
        """Read an answer's numbers straight into an array."""
        view = target.reshape(-1).view(np.uint8).data
        got = 0
        while got < len(view):
            count = self.answers.readinto(view[got:])  # type: ignore[attr-defined]
            if not count:
                raise DecodeError
            got += count

    def end(self) -> None:
        """End the process and let its pipes go."""
        self.process.kill()
        for stream in (self.jobs, self.answers):
            with contextlib.suppress(OSError):
                stream.close()
        self.process.wait()


@contextmanager
def _child(plugins: tuple[str, ...]) -> Iterator[_Child]:
    """Lend a process for a block; it is kept for the next one unless the block fails."""
    with _places:
        child = _waiting(plugins) or _Child(plugins)
        try:
            yield child
        except BaseException:
            child.end()
            raise
        with _lock:
            _idle.append(child)


def _waiting(plugins: tuple[str, ...]) -> _Child | None:
    """Give a living process that waits for work of this kind; one of another kind makes room for a new one."""
    with _lock:
        for child in [one for one in _idle if one.process.poll() is not None]:
            _idle.remove(child)
            child.end()
        for child in reversed(_idle):
            if child.plugins == plugins:
                _idle.remove(child)
                return child
        while len(_idle) >= MOST_IDLE:
            _idle.pop(0).end()
    return None


def end_children() -> None:
    """End the processes that wait for work."""
    with _lock:
        while _idle:
            _idle.pop().end()


atexit.register(end_children)


def decode_frames(
    frames: list[bytes], syntax: str, plugins: tuple[str, ...], how: dict[str, Any]
) -> Iterator[NDArray[np.int16]]:
    """Decode compressed frames.

    Parameters
    ----------
    frames : list of bytes
        Each a picture of its own.
    syntax, plugins : str, tuple of str
        Transfer syntax and the pydicom plugins to try.
    how : dict
        What pydicom's decoders need to know: rows, columns, bits.

    Yields
    ------
    int16 array of shape (rows, columns)
        The stored words; unsigned 16-bit ones are to be viewed as that.

    Raises
    ------
    DecodeError
        If a frame cannot be decoded.
    """
    shape = (how["rows"], how["columns"])
    seconds = FRAME_S + FRAME_S_PER_MVOXEL * shape[0] * shape[1] / 1e6
    sizes = [len(frame) for frame in frames]
    job = {"work": "frames", "syntax": syntax, "plugins": plugins, "how": how, "sizes": sizes}
    with _child(plugins) as child:
        with child.no_longer_than(seconds + sum(sizes) / 1e7):
            child.ask(job, frames)
        for _ in frames:
            plane = np.empty(shape, dtype=np.int16)
            with child.no_longer_than(seconds):
                if not child.answered():
                    break
                child.fill(plane)
            yield plane
        else:
            return
    raise DecodeError


def read_itk(path: Path, most_bytes: int) -> tuple[dict[str, Any], AnyArray | None]:
    """Read a NRRD or MetaImage file by SimpleITK.

    Returns
    -------
    facts : dict
        ``shape`` (columns, rows, slices), ``components``, ``bytes``, and with numbers ``direction``, ``spacing``,
        ``origin``.
    numbers : array of shape (slices, rows, columns) or None
        None if it is not one volume or would take more than `most_bytes`, or, with empty facts, if it is no such
        file.

    Raises
    ------
    DecodeError
        If its reading crashed or did not end.
    """
    seconds = FILE_S + FILE_S_PER_MB * most_bytes / 1e6
    with _child(()) as child, child.no_longer_than(min(seconds, 600.0)):
        child.ask({"work": "file", "path": str(path.resolve()), "most_bytes": most_bytes})
        if not child.answered():
            return {}, None
        try:
            facts: dict[str, Any] = json.loads(child.answers.readline())
        except ValueError as error:
            raise DecodeError from error
        if "dtype" not in facts:
            return facts, None
        numbers = np.empty(tuple(reversed(facts["shape"])), dtype=np.dtype(facts["dtype"]))
        if numbers.nbytes > 8 * most_bytes:
            raise DecodeError
        child.fill(numbers)
        return facts, numbers
