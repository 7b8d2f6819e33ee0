"""Says whether there is a display, and lends a virtual one. Standard library only."""

from __future__ import annotations

import ctypes
import os
import re
import select
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from app._setup_error import SetupError

SCREEN = "1920x1080x24"
START_LIMIT_S = 30.0
_PR_SET_PDEATHSIG = 1  # prctl(2): signal that this process gets when its parent dies
_DISPLAY = re.compile(r"^(?P<host>.*):(?P<number>\d+)(\.\d+)?$")


def has_display() -> bool:
    """Say whether a window could be shown here (a set DISPLAY that nobody answers counts as none)."""
    if not sys.platform.startswith("linux"):
        return True
    name = os.environ.get("DISPLAY", "")
    return _answers(name) if name else bool(os.environ.get("WAYLAND_DISPLAY"))


@contextmanager
def virtual_display(screen: str = SCREEN) -> Iterator[str]:
    """Start Xvfb on a free display, point DISPLAY at it, and end it afterwards.

    Yields
    ------
    str
        The display's name, for example ":99".
    """
    program = shutil.which("Xvfb")
    if program is None:
        raise SetupError("There is no display and no Xvfb; install the package xvfb and start again.")
    reader, writer = os.pipe()
    try:
        server = subprocess.Popen(
            [program, "-displayfd", str(writer), "-screen", "0", screen, "-nolisten", "tcp", "-noreset"],
            pass_fds=(writer,),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,  # Ctrl-C reaches us first; the server ends after its clients
            preexec_fn=_die_with_parent,
        )
    finally:
        os.close(writer)
    kept = {name: os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY", "XAUTHORITY")}
    try:
        name = f":{_number_from(reader)}"
        os.environ["DISPLAY"] = name
        os.environ.pop("WAYLAND_DISPLAY", None)
        os.environ.pop("XAUTHORITY", None)
        yield name
    finally:
        os.close(reader)
        for key, value in kept.items():
            if value is None:
                os.environ.pop(key, None)
            else:
                os.environ[key] = value
        _end(server)


def _number_from(reader: int) -> int:
    answer = b""
    while not answer.endswith(b"\n"):
        ready, _, _ = select.select([reader], [], [], START_LIMIT_S)
        part = os.read(reader, 32) if ready else b""
        if not part:
            raise SetupError("Xvfb did not start; run it by hand to see why, then start again.")
        answer += part
    return int(answer)


def _end(server: subprocess.Popen[bytes]) -> None:
    server.terminate()
    try:
        server.wait(timeout=5)
    except subprocess.TimeoutExpired:
        server.kill()
        server.wait()


def _die_with_parent() -> None:
    """Ask Linux to end the server with us, should we be killed."""
    with suppress(OSError, AttributeError):
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGTERM)


def _answers(name: str) -> bool:
    """Say whether an X server listens under this name: Qt would abort the process if none does."""
    found = _DISPLAY.match(name)
    if not found:
        return os.path.exists(name)
    number = int(found["number"])
    if found["host"] in ("", "unix"):
        path = f"/tmp/.X11-unix/X{number}"
        return any(_connects(socket.AF_UNIX, address) for address in (f"\0{path}", path))
    return _connects(socket.AF_INET, (found["host"], 6000 + number)) or found["host"].startswith("/")


def _connects(family: int, address: str | tuple[str, int]) -> bool:
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.settimeout(2.0)
        try:
            probe.connect(address)
        except OSError:
            return False
    return True
