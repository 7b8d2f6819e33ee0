"""The command demo: the whole job on the shipped sample."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from app import _display
from app.cli_shared import Arguments, Commands, add_command, progress_of, tell
from app.demo import run_demo

WINDOW_LIMIT_S = 240
"""How long the pictures of the window may take, seconds (our choice: a slow machine with software drawing)."""

MOST_LETTERS = 200
"""Letters of a fault that are passed on, at most (our choice: one line)."""


def register(commands: Commands) -> None:
    """Add the command."""
    demo = add_command(commands, "demo", "the whole job on the invented sample, measured against its truth", _demo)
    demo.add_argument("out", type=Path, metavar="OUT", help="folder for case, sheet, pictures and summary.json")
    demo.add_argument("--no-window", action="store_true", help="leave out the pictures of the window")


def _demo(arguments: Arguments) -> None:
    summary = run_demo(arguments.out, progress=progress_of(arguments))
    shots = [] if arguments.no_window else _window_pictures(arguments.out)
    lines = [
        f"Case, sheet and pictures are in {arguments.out}.",
        *(f"{question} {answer}" for question, answer in summary["chain"].items()),
        f"Match error {summary['match_error_mm']} mm, expected below {summary['match_expected_p95_mm']} mm (95 %).",
        f"Canal error {summary['canal_error_mean_mm']} mm mean, {summary['canal_error_max_mm']} mm largest; "
        f"clearance error {summary['clearance_error_max_mm']} mm largest.",
        "All within their limits." if summary["within_limits"] else "Not all within their limits.",
        *([f"{len(shots)} pictures of the window."] if shots else []),
    ]
    tell(arguments, {**summary, "window_pictures": shots}, lines)


def _window_pictures(out: Path) -> list[str]:
    """Let the window be photographed by a process of its own: the command line never loads Qt."""
    if not _display.has_display() or not (Path(__file__).parent / "window" / "shots.py").is_file():
        return []
    work = "import sys; from pathlib import Path; from app.window.shots import grab_demo; "
    work += "grab_demo(Path(sys.argv[1]), Path(sys.argv[2]))"
    pictures = out / "pictures"
    before = set(pictures.glob("*.png"))
    try:
        done = subprocess.run(
            [sys.executable, "-c", work, str((out / "case").resolve()), str(pictures.resolve())],
            capture_output=True,
            text=True,
            timeout=WINDOW_LIMIT_S,
            cwd=Path(__file__).resolve().parent.parent,
            env={**os.environ, "PYTHONPATH": str(Path(__file__).resolve().parent.parent)},
            check=False,
        )
        reason = "" if done.returncode == 0 else _last_words(done.stderr)
    except subprocess.TimeoutExpired:
        reason = f"they took more than {WINDOW_LIMIT_S} s"
    except OSError as error:
        reason = error.strerror or type(error).__name__
    if reason:
        print(
            f"The pictures of the window could not be taken ({reason}); everything else is there.", file=sys.stderr
        )
    return sorted(path.name for path in set(pictures.glob("*.png")) - before)


def _last_words(stderr: str) -> str:
    """Give the line that names the fault: the last one of a traceback, the first one of a library's complaint."""
    lines = [line.strip() for line in stderr.splitlines() if line.strip()]
    if not lines:
        return "their program ended without a word"
    line = lines[-1] if any("Traceback" in one for one in lines) else lines[0]
    return line.rstrip(".")[:MOST_LETTERS]
