"""Finds the system libraries that wheels do not bring, and on Debian-family systems installs them.

Standard library only. The list was drawn with `ldd` from the xcb platform plugin of PySide6 6.11 and from the
names that VTK 9.7 opens at run time (libGL, libEGL, libX11, libXcursor).
"""

from __future__ import annotations

import ctypes
import hashlib
import json
import os
import shutil
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from app import _display
from app._setup_error import SetupError

# Shared object -> Debian package. Drawing without a window (command line, pictures).
DRAWING = {
    "libGL.so.1": "libgl1",
    "libEGL.so.1": "libegl1",
    "libX11.so.6": "libx11-6",
    "libXcursor.so.1": "libxcursor1",
}
# Qt's window on an X display.
WINDOW = {
    "libX11-xcb.so.1": "libx11-xcb1",
    "libxcb-icccm.so.4": "libxcb-icccm4",
    "libxcb-keysyms.so.1": "libxcb-keysyms1",
    "libxcb-cursor.so.0": "libxcb-cursor0",
    "libxcb-image.so.0": "libxcb-image0",
    "libxcb-render-util.so.0": "libxcb-render-util0",
    "libxcb-shape.so.0": "libxcb-shape0",
    "libxcb-xkb.so.1": "libxcb-xkb1",
    "libxcb-randr.so.0": "libxcb-randr0",
    "libxcb-sync.so.1": "libxcb-sync1",
    "libxcb-xfixes.so.0": "libxcb-xfixes0",
    "libxcb-shm.so.0": "libxcb-shm0",
    "libxkbcommon.so.0": "libxkbcommon0",
    "libxkbcommon-x11.so.0": "libxkbcommon-x11-0",
    "libdbus-1.so.3": "libdbus-1-3",
    "libfontconfig.so.1": "libfontconfig1",
    "libfreetype.so.6": "libfreetype6",
    "libglib-2.0.so.0": "libglib2.0-0",
}
# Mesa's software drawing is a driver, not a library that anything links to.
SOFTWARE_DRIVER = "libgl1-mesa-dri"
_DRIVER_PATTERNS = ("dri/swrast_dri.so", "libgallium-*.so", "*/dri/swrast_dri.so", "*/libgallium-*.so")
STAMP = "plumbline-system.json"
LOG = "plumbline-system.log"
_DRIVER_ROOTS = ("/usr/lib", "/usr/lib64")


def is_wanted() -> bool:
    """Say whether this system gets its libraries from packages at all (Windows and macOS bring them)."""
    return sys.platform.startswith("linux")


def is_known(venv: Path, for_window: bool, for_tests: bool) -> bool:
    """Say whether everything was found to be there at an earlier start."""
    return _key(for_window, for_tests) in _stamps(venv / STAMP)


def ensure(venv: Path, for_window: bool, for_tests: bool) -> None:
    """Check once per list that everything is there; install what is missing, or say the command that does.

    Raises
    ------
    SetupError
        When a window is wanted and its libraries are missing. A command without a window only gets a note.
    """
    if is_known(venv, for_window, for_tests):
        return  # another start has done it meanwhile
    display = _needs_virtual_display(for_window, for_tests)
    wanted = DRAWING | (WINDOW if for_window else {})
    log = venv / LOG
    lacking = missing(wanted, display)
    if lacking and (not install_as_root(sorted(set(lacking.values())), log) or missing(wanted, display)):
        if for_window:
            raise SetupError(_sentence(lacking, log))
        print(f"Note: pictures cannot be drawn here. {_sentence(lacking, log)}", file=sys.stderr, flush=True)
        return
    if for_tests and shutil.which("pdftoppm") is None:
        install_as_root(["poppler-utils"], log)  # only for looking at PDF pages: tests that want it skip without
    with suppress(OSError):  # a read-only environment is checked again next time
        stamps = sorted({*_stamps(venv / STAMP), _key(for_window, for_tests)})
        (venv / STAMP).write_text(json.dumps(stamps), encoding="utf-8")


def _needs_virtual_display(for_window: bool, for_tests: bool) -> bool:
    return for_tests or (for_window and not _display.has_display())


def _key(for_window: bool, for_tests: bool) -> str:
    wanted = sorted(DRAWING | (WINDOW if for_window else {}))
    facts = [wanted, _needs_virtual_display(for_window, for_tests), for_tests, _system_name()]
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()


def missing(wanted: dict[str, str], display: bool) -> dict[str, str]:
    """Return what cannot be loaded, as name -> Debian package."""
    lacking = {name: package for name, package in wanted.items() if not _loads(name)}
    if not any(any(Path(root).glob(pattern)) for root in _DRIVER_ROOTS for pattern in _DRIVER_PATTERNS):
        lacking["Mesa's software drawing"] = SOFTWARE_DRIVER
    if display and shutil.which("Xvfb") is None:
        lacking["Xvfb"] = "xvfb"
    return lacking


def install_as_root(packages: list[str], log: Path) -> bool:
    """Install Debian packages when this is a Debian-family system and the user is root; say whether it worked."""
    if shutil.which("apt-get") is None or not hasattr(os, "geteuid") or os.geteuid() != 0:
        return False
    print(f"Installing system packages: {' '.join(packages)}", file=sys.stderr, flush=True)
    install = ["apt-get", "install", "-y", "--no-install-recommends", "-o", "DPkg::Lock::Timeout=120", *packages]
    if _apt(install, log):
        return True
    print("  bringing the package lists up to date first", file=sys.stderr, flush=True)
    return _apt(["apt-get", "update"], log) and _apt(install, log)


def _apt(command: list[str], log: Path) -> bool:
    environment = {**os.environ, "DEBIAN_FRONTEND": "noninteractive", "LC_ALL": "C.UTF-8"}
    with log.open("ab") as output:
        output.write(f"$ {' '.join(command)}\n".encode())
        output.flush()
        done = subprocess.run(
            command, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT, env=environment, check=False
        )
    return done.returncode == 0


def _sentence(lacking: dict[str, str], log: Path) -> str:
    if shutil.which("apt-get") is None:
        return (
            f"These parts of the system are missing: {', '.join(sorted(lacking))}; install them with the system's "
            "package manager and start again."
        )
    command = f"apt-get install -y --no-install-recommends {' '.join(sorted(set(lacking.values())))}"
    if os.geteuid() != 0:
        return f"Some system libraries are missing; run `sudo {command}` and start again."
    return (
        f"Some system libraries are missing and could not be installed; connect to the network, run "
        f"`apt-get update && {command}` and start again (details: {log})."
    )


def _loads(name: str) -> bool:
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True


def _stamps(stamp: Path) -> list[str]:
    try:
        known = json.loads(stamp.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return known if isinstance(known, list) else []


def _system_name() -> str:
    try:
        return Path("/etc/os-release").read_text(encoding="utf-8")
    except OSError:
        return sys.platform
