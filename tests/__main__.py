"""`python3 -m tests [--no-lint] [pytest arguments]`: style, types and layers, then the tests."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from app import _display, _environment
from app._setup_error import SetupError

ROOT = Path(__file__).resolve().parent.parent
REPORT = "PLUMBLINE_CODE_CHECKS"  # what conftest.py repeats under the tests, where it is seen
NO_TESTS = 5  # pytest's exit code for an empty selection
PARTS = ("app", "journeys", "core/planning", "core/anatomy", "core/registration", "core/imaging")
"""Folders of tests that are run one by one, longest first; whatever is left is the last part."""
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
    with displays() as names:
        codes = run_tests(arguments, names)
    for code in codes:
        if code < 0:
            print(f"pytest was ended by signal {-code}.")
            return 128 - code
    return max(codes) or (1 if failed else 0)


@contextmanager
def displays() -> Iterator[list[str | None]]:
    """Give each of the two test processes a display, so that no window takes the other's mouse; None: as it is."""
    if os.environ.get("PLUMBLINE_TEST_DISPLAY") == "own" or not sys.platform.startswith("linux"):
        yield [None, None]
        return
    with _display.virtual_display() as first, _display.virtual_display() as second:
        yield [second, first]


def run_tests(arguments: list[str], names: list[str | None]) -> list[int]:
    """Run pytest; all of it in two processes, one for each core, each taking the next part when it is free."""
    if any((ROOT / word.split("::")[0]).exists() for word in arguments if not word.startswith("-")):
        return [_pytest(arguments, names[0])]
    parts = [f"tests/{name}" for name in PARTS if (ROOT / "tests" / name).is_dir()]
    # What is added elsewhere is run too.
    waiting = deque([*([part] for part in parts), [f"--ignore={part}" for part in parts]])
    codes: list[int] = []

    def work(display: str | None, out: IO[bytes] | None) -> None:
        while True:
            try:
                part = waiting.popleft()
            except IndexError:
                return
            codes.append(_pytest([*arguments, *part], display, out))

    with tempfile.TemporaryFile() as kept:
        beside = threading.Thread(target=work, args=(names[1], kept))
        beside.start()
        try:
            work(names[0], None)
        finally:
            waiting.clear()
            beside.join()
            kept.seek(0)
            print(kept.read().decode(errors="replace"), flush=True)
    # Where a selection leaves a part without tests the others count.
    return [code for code in codes if code != NO_TESTS] or [NO_TESTS]


def _pytest(arguments: list[str], display: str | None, out: IO[bytes] | None = None) -> int:
    """Run pytest to its end and give its exit code."""
    environment = os.environ if display is None else {**os.environ, "DISPLAY": display}
    quiet = {} if out is None else {"stdin": subprocess.DEVNULL, "stdout": out, "stderr": subprocess.STDOUT}
    return subprocess.call([sys.executable, "-m", "pytest", *arguments], env=environment, **quiet)


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
