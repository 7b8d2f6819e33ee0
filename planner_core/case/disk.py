"""What the file system does to a case: words for its failures, local or not."""

from __future__ import annotations

import contextlib
import errno
import os
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path

from planner_core.errors import PlannerError
from planner_core.files import NO_SPACE

REMOTE_FILE_SYSTEMS = frozenset(["nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "davfs"]) | frozenset(
    ["fuse", "fuse.sshfs", "fuse.rclone", "fuse.davfs", "fuse.gvfsd-fuse"]
)
"""File systems of /proc/self/mountinfo that a file is not mapped from (the kernel's names, common FUSE ones)."""

_VANISHED = {errno.EIO, errno.ENODEV, errno.ESTALE, errno.ENOTCONN, errno.EHOSTDOWN, errno.ENXIO, errno.ETIMEDOUT}


def words_for(fault: OSError | sqlite3.Error, doing: str) -> PlannerError:
    """Give a failure of the disk as one sentence and what to do."""
    text = str(fault).lower()
    number = fault.errno if isinstance(fault, OSError) else None
    if number in NO_SPACE or "disk is full" in text:
        return PlannerError(
            f"There is no space left on the disk while {doing}.",
            "Free some space and do the last step again; everything before it is safe.",
        )
    if number in (errno.EACCES, errno.EPERM, errno.EROFS) or "readonly" in text:
        return PlannerError(f"The folder does not allow writing, while {doing}.", "Copy the case elsewhere.")
    if number in _VANISHED or number == errno.ENOENT or "disk i/o error" in text or "unable to open" in text:
        return PlannerError(
            f"The case's folder cannot be reached any more, while {doing}.",
            "Bring the drive back and do the last step again, or save a copy of the case to another folder.",
        )
    if "malformed" in text or "not a database" in text:
        return PlannerError(
            f"The case's database is damaged, noticed while {doing}.",
            "Run the check of the case; it can save what is still readable into a new case.",
        )
    if "locked" in text:
        return PlannerError(f"Another program holds the case's database, while {doing}.", "Close it and try again.")
    return PlannerError(f"The disk refused, while {doing}: {fault}.", "Check the folder and try again.")


@contextlib.contextmanager
def told(doing: str) -> Iterator[None]:
    """Turn failures of disk and database into a `PlannerError` that says what was being done."""
    try:
        yield
    except (OSError, sqlite3.Error) as fault:
        raise words_for(fault, doing) from fault


def is_local(folder: Path) -> bool:
    """Tell whether a folder lies on a disk of this machine, as far as the system says."""
    if sys.platform == "win32":  # pragma: no cover - other systems
        import ctypes

        drive = os.path.splitdrive(folder.resolve())[0]
        remote = 4
        return not drive.startswith("\\\\") and ctypes.windll.kernel32.GetDriveTypeW(drive + "\\") != remote
    table = Path("/proc/self/mountinfo")
    if not table.exists():
        return False
    best, kind = "", ""
    target = str(folder.resolve())
    for line in table.read_text(errors="replace").splitlines():
        left, _, right = line.partition(" - ")
        mount = left.split()[4].replace("\\040", " ")
        if (target == mount or target.startswith(mount.rstrip("/") + "/")) and len(mount) >= len(best):
            best, kind = mount, right.split()[0]
    return bool(kind) and kind not in REMOTE_FILE_SYSTEMS
