"""`python3 -m tests [--no-lint] [pytest arguments]`: style, types and layers, then the tests."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from pathlib import Path

from app import _display, _environment
from app._setup_error import SetupError

ROOT = Path(__file__).resolve().parent.parent
REPORT = "PLUMBLINE_CODE_CHECKS"  # what conftest.py repeats under the tests, where it is seen
NO_TESTS = 5  # pytest's exit code for an empty selection
LAYERS = "from importlinter.cli import lint_imports_command; lint_imports_command(['--no-logo', '--no-cache'])"
CHECKS = {
    "ruff check": ["-m", "ruff", "check", "."],
    "ruff format": ["-m", "ruff", "format", "--check", "."],
    "mypy": ["-m", "mypy"],
    "import layers": ["-c", LAYERS],
}


def main(argv: list[str]) -> int:
    """Run everything; 0 when all of it passed."""
    _environment.ensure(for_tests=True)
    os.chdir(ROOT)
    with_checks = "--no-lint" not in argv
    arguments = [word for word in argv if word != "--no-lint"]
    if not os.access(ROOT, os.W_OK):
        keep_caches_in(_environment.user_cache() / "tests")
    failed = check_code() if with_checks else []
    os.environ[REPORT] = ", ".join(failed)
    own = os.environ.get("PLUMBLINE_TEST_DISPLAY") == "own" or not sys.platform.startswith("linux")
    with nullcontext() if own else _display.virtual_display():
        codes = run_tests(arguments)
    for code in codes:
        if code < 0:
            print(f"pytest was ended by signal {-code}.")
            return 128 - code
    return max(codes) or (1 if failed else 0)


def run_tests(arguments: list[str]) -> list[int]:
    """Run pytest; all of it in two processes, one for each core, the one with the windows as it goes."""
    if any((ROOT / word.split("::")[0]).exists() for word in arguments if not word.startswith("-")):
        return [subprocess.call([sys.executable, "-m", "pytest", *arguments])]
    with_windows = [f"tests/{name}" for name in ("app", "journeys") if (ROOT / "tests" / name).is_dir()]
    others = [f"--ignore={name}" for name in with_windows]
    with tempfile.TemporaryFile() as kept:
        command = [sys.executable, "-m", "pytest", *arguments, *others]
        beside = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=kept, stderr=subprocess.STDOUT)
        codes = []
        try:
            if with_windows:
                codes.append(subprocess.call([sys.executable, "-m", "pytest", *arguments, *with_windows]))
            codes.append(beside.wait())
        finally:
            beside.kill()
            kept.seek(0)
            print(kept.read().decode(errors="replace"), flush=True)
    # Where a selection leaves one of the two without tests the other one counts.
    return [code for code in codes if code != NO_TESTS] or [NO_TESTS]


def keep_caches_in(folder: Path) -> None:
    """Send the caches of the test tools out of a checkout that may not be written."""
    os.environ["RUFF_CACHE_DIR"] = str(folder / "ruff")
    os.environ["MYPY_CACHE_DIR"] = str(folder / "mypy")
    os.environ["HYPOTHESIS_STORAGE_DIRECTORY"] = str(folder / "hypothesis")
    os.environ["PYTEST_ADDOPTS"] = f"{os.environ.get('PYTEST_ADDOPTS', '')} -o cache_dir={folder / 'pytest'}"


def check_code() -> list[str]:
    """Run style, types and layers side by side; print what each found and return the names of those that failed."""
    with ThreadPoolExecutor(max_workers=2) as pool:  # mypy keeps one core busy, the others share the second
        runs = {name: pool.submit(_check, command) for name, command in sorted(CHECKS.items(), key=_longest_first)}
    failed = []
    for name in CHECKS:
        code, output, seconds = runs[name].result()
        print(f"{name}: {'passed' if code == 0 else 'FAILED'} ({seconds:.1f} s)", flush=True)
        if code != 0:
            failed.append(name)
            print(output.rstrip(), flush=True)
    return failed


def _longest_first(check: tuple[str, list[str]]) -> int:
    return 0 if check[0] == "mypy" else 1


def _check(command: list[str]) -> tuple[int, str, float]:
    started = time.monotonic()
    done = subprocess.run(
        [sys.executable, *command],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    return done.returncode, done.stdout, time.monotonic() - started


if __name__ == "__main__":
    try:
        raise SystemExit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        raise SystemExit(130) from None
    except SetupError as failure:
        print(failure, file=sys.stderr)
        raise SystemExit(2) from None
