"""One window edits a case at a time: a lock that the system releases when the program ends, however it ends."""

from __future__ import annotations

import errno
import os
from contextlib import suppress
from pathlib import Path

from planner_core.case.disk import words_for

LOCK_NAME = "in-use"
"""The file in the case folder that is locked while a window edits the case; it may stay behind unlocked."""

_HELD = {errno.EACCES, errno.EAGAIN, errno.EWOULDBLOCK, errno.EDEADLK}


class CaseLock:
    """The lock on one case folder; use `take`."""

    def __init__(self, handle: int, path: Path, made: bool) -> None:
        self._handle: int | None = handle
        self._path = path
        self._made = made

    @classmethod
    def take(cls, folder: Path) -> CaseLock | None:
        """Take the lock, or give None when another window holds it.

        Raises
        ------
        PlannerError
            If the folder cannot be written.
        """
        path = folder / LOCK_NAME
        try:
            made = not path.exists()
            handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
        except OSError as fault:
            raise words_for(fault, "opening the case") from fault
        try:
            _lock(handle)
        except OSError as fault:
            os.close(handle)
            if fault.errno in _HELD:
                return None
            raise words_for(fault, "opening the case") from fault
        return cls(handle, path, made)

    def release(self) -> None:
        """Give the lock back; twice does no harm."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None

    def forget(self) -> None:
        """Give the lock back and leave no trace of it, where the folder turned out to be no case."""
        if self._made and self._handle is not None:
            with suppress(OSError):
                self._path.unlink()
        self.release()


if os.name == "nt":  # pragma: no cover - other systems

    def _lock(handle: int) -> None:
        import msvcrt

        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]

else:

    def _lock(handle: int) -> None:
        import fcntl

        # flock, not lockf: two windows of one process are told apart too.
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
