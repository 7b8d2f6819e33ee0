"""Files that are whole or not there: written under a temporary name, flushed, then renamed."""

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
        yield temporary
        with temporary.open("rb") as stream:
            os.fsync(stream.fileno())
        os.replace(temporary, path)
    except OSError as fault:
        if fault.errno in (errno.ENOSPC, errno.EDQUOT):
            message = f"There is no space left on the disk for {path.name}."
            raise PlannerError(message, "Free some space and try again.") from fault
        raise PlannerError(
            f"{path} cannot be written: {fault.strerror or fault}.", "Choose another place."
        ) from fault
    finally:
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _sweep(path: Path) -> None:
    """Delete what a killed program left beside a file; what is younger than an hour may be in the making."""
    with suppress(OSError):
        for left in path.parent.glob(f".{glob.escape(path.stem)}-{'[0-9a-f]' * 8}{glob.escape(path.suffix)}"):
            if time.time() - left.stat().st_mtime > LEFT_AFTER_S:
                left.unlink(missing_ok=True)


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file whole."""
    with whole_file(path) as temporary:
        temporary.write_bytes(data)
