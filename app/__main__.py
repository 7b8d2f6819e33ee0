"""`python3 -m app`: the window on the sample case; with arguments, the command line."""

from __future__ import annotations

import sys
from contextlib import nullcontext
from pathlib import Path

from app import _display, _environment
from app._setup_error import SetupError

DEMO_FOLDER = Path("out") / "demo"


def main(argv: list[str]) -> int:
    """Set up the environment, then open the window or run the command."""
    draws_window = not argv or argv[0] == "demo"
    _environment.ensure(for_window=draws_window)
    if argv and not draws_window:
        return _command(argv)
    if argv or not _display.has_display():
        with nullcontext() if _display.has_display() else _display.virtual_display():
            return _command(argv) if argv else _demo(_free_folder(DEMO_FOLDER))
    from app.window import main as open_window

    return int(open_window(sample_case=True))


def _command(argv: list[str]) -> int:
    from app.cli import main as run_command

    return int(run_command(argv))


def _demo(folder: Path) -> int:
    print(f"There is no display, so the demo runs without one and leaves its results in {folder}.", file=sys.stderr)
    code = _command(["demo", str(folder)])
    if code == 0:
        print(f"The results are in {folder.resolve()}: the case, the sheet, the pictures and summary.json.")
    return code


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
