"""Reads pip's log: progress lines while it works, one sentence when it failed. Standard library only."""

from __future__ import annotations

import errno
import re
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from app._setup_error import SetupError

HEARTBEAT_S = 15.0
LARGE_MB = 20.0  # smaller downloads are over before their line is read
_UNPACKING = "Installing collected packages:"
_DOWNLOAD = re.compile(r"Downloading .*?([A-Za-z0-9_.]+?)-\d[^ ]*\.whl(?:\.metadata)? \((\d+(?:\.\d+)?) MB\)")
_NO_MATCH = re.compile(r"No matching distribution found for ([A-Za-z0-9_.\-]+)")
_NETWORK = (
    "NewConnectionError",
    "NameResolutionError",
    "Temporary failure in name resolution",
    "Name or service not known",
    "getaddrinfo failed",
    "Connection refused",
    "Connection reset",
    "Network is unreachable",
    "No route to host",
    "ConnectTimeout",
    "ReadTimeout",
    "Read timed out",
    "Max retries exceeded",
    "ProxyError",
    "Connection broken",
    "Connection aborted",
)
_CERTIFICATE = ("CERTIFICATE_VERIFY_FAILED", "SSLError", "certificate verify failed")
_SPACE = ("No space left on device", "Disk quota exceeded", "not enough space on the disk")
_RIGHTS = ("Permission denied", "Read-only file system", "Access is denied")


class Follower:
    """Turns a growing pip log into a few lines for the person who waits."""

    def __init__(self, log: Path, venv: Path, say: Callable[[str], None]) -> None:
        self._log = log
        self._venv = venv
        self._say = say
        self._read = log.stat().st_size if log.exists() else 0
        self._started = self._last = time.monotonic()
        self._to_unpack = 0
        self._told_of_retries = False

    def look(self) -> None:
        """Read what was added since the last look, and say what is new."""
        with self._log.open("rb") as handle:
            handle.seek(self._read)
            text = handle.read()
        complete = text[: text.rfind(b"\n") + 1]
        self._read += len(complete)
        for line in complete.decode("utf-8", "replace").splitlines():
            self._tell(line)
        now = time.monotonic()
        if now - self._last > HEARTBEAT_S:
            self._put(f"  {self._heartbeat()} ({now - self._started:.0f} s)")

    def _tell(self, line: str) -> None:
        found = _DOWNLOAD.search(line)
        if found and float(found[2]) >= LARGE_MB:
            self._put(f"  downloading {found[1]} ({found[2]} MB)")
        elif line.startswith(_UNPACKING):
            self._to_unpack = line.count(",") + 1
            self._put(f"  unpacking {self._to_unpack} packages")
        elif "Retrying (" in line and not self._told_of_retries:
            self._told_of_retries = True
            self._put("  the package index does not answer; trying again")

    def _heartbeat(self) -> str:
        if not self._to_unpack:
            return "still collecting packages"
        places = ("lib/python*/site-packages", "Lib/site-packages")
        done = sum(1 for place in places for _ in self._venv.glob(f"{place}/*.dist-info/RECORD"))
        return f"unpacked {done} of about {max(done, self._to_unpack)} packages"

    def _put(self, line: str) -> None:
        self._last = time.monotonic()
        self._say(line)


def has_begun_to_unpack(log: Path) -> bool:
    """Say whether pip got as far as changing the environment."""
    return _UNPACKING in _text(log)


def explain(log: Path, what: str) -> SetupError:
    """Turn a failed run's log into one sentence."""
    text = _text(log)
    missing = _NO_MATCH.search(text)
    if any(mark in text for mark in _SPACE):
        why = f"because the disk is full (in {log.parent} or in {tempfile.gettempdir()}); make room and start again"
    elif any(mark in text for mark in _CERTIFICATE):
        why = (
            "because the package index's certificate is not trusted here; check the clock, the proxy and PIP_CERT, "
            "then start again"
        )
    elif any(mark in text for mark in _NETWORK):
        why = (
            "because the package index cannot be reached; connect to the network, or give pip a proxy or an index "
            "that can be reached, and start again"
        )
    elif missing:
        why = (
            f"because there is no ready-made {missing[1]} for this Python and this kind of computer; "
            "start with another Python version from 3.11 on"
        )
    elif any(mark in text for mark in _RIGHTS):
        why = (
            f"because {log.parent} may not be written; change its owner or move the project to a folder of your own"
        )
    elif "ensurepip" in text:
        why = (
            "because Python's ensurepip does not work; on Debian and Ubuntu install python3-venv, then start again"
        )
    else:
        why = f"({_last_line(text)}); start again, and if it happens again delete {log.parent}"
    return SetupError(f"{what} {why} (details: {log}).")


def explain_os_error(failure: OSError, venv: Path) -> SetupError:
    """Turn a failed file operation of the setup itself into one sentence."""
    where = failure.filename or venv
    if failure.errno in (errno.ENOSPC, errno.EDQUOT):
        return SetupError(f"The disk is full at {where}; make room (about 3 GB) and start again.")
    if failure.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return SetupError(
            f"The environment cannot be set up because {where} may not be written; "
            "copy the project to a folder of your own and start again."
        )
    if failure.errno in (errno.EEXIST, errno.ENOTDIR):
        return SetupError(f"{venv} is in the way: it is not a folder; move it away and start again.")
    return SetupError(f"The setup stopped at {where} ({failure.strerror or failure}); start again.")


def _text(log: Path) -> str:
    try:
        return log.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def _last_line(text: str) -> str:
    errors = [line for line in text.splitlines() if line.startswith("ERROR:")]
    lines = errors or [line for line in text.splitlines() if line.strip()]
    return lines[-1].removeprefix("ERROR:").strip() if lines else "no output"
