"""Files that are whole or not there: written under a temporary name, flushed to the disk, then renamed."""

from __future__ import annotations

import errno
import glob
import os
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from planner_core.errors import PlannerError

LEFT_AFTER_S = 3600.0
"""Age from which a temporary file counts as left behind, seconds (our choice)."""

NO_SPACE = frozenset([errno.ENOSPC, errno.EDQUOT, errno.EFBIG])
"""Errors of a full disk or a used-up quota."""


@contextmanager
def replacing(path: Path, temporary: Path) -> Iterator[Path]:
    """Give the temporary path; what the block writes there is at `path`, durably, when it ends well.

    Raises
    ------
    OSError
        Whatever the disk says; what was at `path` before is untouched then and nothing else is left.
    """
    try:
        yield temporary
        with temporary.open("r+b") as stream:
            os.fsync(stream.fileno())
        os.replace(temporary, path)
        sync_folder(path.parent)
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Give a temporary path beside `path`; what the block writes there becomes `path` when it ends well.

    Raises
    ------
    PlannerError
        If the place cannot be written; what was at `path` before is untouched then.
    """
    path = Path(path)
    _sweep(path)
    temporary = path.with_name(f".{path.stem}-{uuid.uuid4().hex[:8]}{path.suffix}")
    try:
        if path.is_dir():
            raise PlannerError(f"{path} is a folder.", "Give the name of a file.")
        path.parent.mkdir(parents=True, exist_ok=True)
        with replacing(path, temporary):
            yield temporary
    except OSError as fault:
        raise cannot_write(path, fault) from fault


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole."""
    with whole_file(path) as temporary:
        temporary.write_bytes(data)


def cannot_write(path: Path, fault: OSError) -> PlannerError:
    """Say in words why a file or folder cannot be written."""
    if fault.errno in NO_SPACE:
        return PlannerError(
            f"There is no space left on the disk for {path.name}.", "Free some space and try again."
        )
    reason = fault.strerror or type(fault).__name__
    return PlannerError(f"{path} cannot be written ({reason}).", "Choose another place.")


def sync_folder(folder: Path) -> None:
    """Make a rename in a folder durable (not on Windows, where the rename itself is)."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    except OSError as fault:
        # Some network shares cannot flush a folder; the file itself is flushed.
        if fault.errno not in (errno.EINVAL, errno.ENOTSUP, errno.EACCES):
            raise
    finally:
        os.close(handle)


def _sweep(path: Path) -> None:
    """Delete what a killed program left beside a file; what is younger than an hour may be in the making."""
    with suppress(OSError):
        for left in path.parent.glob(f".{glob.escape(path.stem)}-{'[0-9a-f]' * 8}{glob.escape(path.suffix)}"):
            if time.time() - left.stat().st_mtime > LEFT_AFTER_S:
                left.unlink(missing_ok=True)
