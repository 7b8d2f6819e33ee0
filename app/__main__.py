"""`python3 -m app`: the window on the sample case; with arguments, the command line."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from app import _display, _environment
from app._setup_error import SetupError

DEMO_FOLDER = Path("out") / "demo"


def main(argv: list[str]) -> int:
    """Set up the environment, then open the window or run the command."""
    draws_window = not argv or argv[0] == "demo"
    _environment.ensure(for_window=draws_window)
    if draws_window and not _display.has_display():
        return _without_display(argv)
    if argv:
        return _command(argv)
    from app.window import main as open_window

    return int(open_window(sample_case=True))


def _command(argv: list[str]) -> int:
    if not _display.has_display():  # else VTK looks for an X server first, and complains
        os.environ.setdefault("VTK_DEFAULT_OPENGL_WINDOW", "vtkEGLRenderWindow")
    from app.cli import main as run_command

    return int(run_command(argv))


def _without_display(argv: list[str]) -> int:
    """Run the demo on a virtual display, in a process of its own: Xlib ends any process whose display goes away."""
    folder = None if argv else _free_folder(DEMO_FOLDER)
    if folder is not None:
        argv = ["demo", str(folder)]
        print(f"There is no display; the demo runs without one and fills {folder}.", file=sys.stderr)
    with _display.virtual_display():
        code = subprocess.call([sys.executable, "-m", "app", *argv])
    if code == 0 and folder is not None:
        print(f"The results are in {folder.resolve()}: the case, the sheet, the pictures and summary.json.")
    return code if code >= 0 else 128 - code


def _free_folder(wanted: Path) -> Path:
    """Return the folder, or a numbered one where something that is not a demo's result is in the way."""
    folder, number = wanted, 1
    while folder.exists() and not (folder / "summary.json").is_file() and _holds_something(folder):
        number += 1
        folder = wanted.with_name(f"{wanted.name}-{number}")
    return folder


def _holds_something(folder: Path) -> bool:
    return not folder.is_dir() or any(folder.iterdir())


def run() -> int:
    """Run with the arguments of this process; a stop by the user is exit 130."""
    try:
        return main(sys.argv[1:])
    except KeyboardInterrupt:
        return 130
    except SetupError as failure:
        print(failure, file=sys.stderr)
        return 2


if __name__ == "__main__":
    raise SystemExit(run())
