"""A project of three files that sets up a real environment in a second or two and downloads nothing."""

from __future__ import annotations

import base64
import hashlib
import os
import subprocess
import sys
import zipfile
from pathlib import Path

from app import _environment

# Nobody listens on the discard port of the own machine, so this index refuses at once.
UNREACHABLE_INDEX = "http://127.0.0.1:9/simple"
PROBE = f"""
import sys, time
sys.path.insert(0, {str(_environment.ROOT)!r})
from pathlib import Path
from app import _environment

WORK = Path(__file__).parent
if "slow" in sys.argv:  # an installation that takes until the file "go" appears
    call = _environment._call
    wait = "import pathlib, time\\nwhile not pathlib.Path('go').exists(): time.sleep(0.05)"

    def slow_call(command, log, lock, quiet=False):
        Path("working").touch()
        return call([sys.executable, "-c", wait], log, lock, quiet) or call(command, log, lock, quiet)

    _environment._call = slow_call
_environment.ensure(root=WORK, for_tests="tests" in sys.argv)
print("inside", sys.prefix, *sys.argv[1:])
"""


class SmallProject:
    """A project folder, and how to start it."""

    def __init__(self, folder: Path, dependencies: list[str], tests: list[str] | None = None) -> None:
        self.folder = folder
        self.venv = folder / ".venv"
        self.log = self.venv / _environment.LOG
        folder.mkdir(parents=True, exist_ok=True)
        self.depend_on(dependencies, tests)
        (folder / "probe.py").write_text(PROBE, encoding="utf-8")

    def depend_on(self, dependencies: list[str], tests: list[str] | None = None) -> None:
        """Write the project's list of packages."""
        (self.folder / "pyproject.toml").write_text(
            f"[project]\nname = 'small'\ndependencies = {dependencies}\n"
            f"[project.optional-dependencies]\ntests = {tests or []}\n",
            encoding="utf-8",
        )

    def begin(self, *words: str, **variables: str) -> subprocess.Popen[str]:
        """Start the project's command as a user would, and do not wait."""
        environment = {name: value for name, value in os.environ.items() if not name.startswith(("PIP_", "PLUMB"))}
        environment |= {
            "PIP_CONFIG_FILE": os.devnull,
            "PIP_INDEX_URL": UNREACHABLE_INDEX,
            "PIP_RETRIES": "1",
            "PIP_NO_CACHE_DIR": "1",
            "PIP_FIND_LINKS": str(self.folder),
        }
        return subprocess.Popen(
            [_base_python(), "probe.py", *words],
            cwd=self.folder,
            env=environment | variables,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def start(self, *words: str, **variables: str) -> tuple[int, str, str]:
        """Start the project's command and return exit code, standard output and standard error."""
        process = self.begin(*words, **variables)
        output, errors = process.communicate(timeout=60)
        return process.returncode, output, errors

    def add_wheel(self, name: str, version: str) -> None:
        """Put an installable package of one line beside the project."""
        info = f"{name}-{version}.dist-info"
        files = {
            f"{name}.py": f"version = {version!r}\n",
            f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n",
            f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: tests\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
        }
        rows = [f"{path},sha256={_digest(text)},{len(text)}" for path, text in files.items()]
        files[f"{info}/RECORD"] = "\n".join([*rows, f"{info}/RECORD,,", ""])
        with zipfile.ZipFile(self.folder / f"{name}-{version}-py3-none-any.whl", "w") as wheel:
            for path, text in files.items():
                wheel.writestr(path, text)

    def imports(self, statement: str) -> str:
        """Run a statement with the environment's own Python and return what it printed."""
        done = subprocess.run(
            [self.venv / "bin" / "python", "-c", statement], capture_output=True, text=True, check=True
        )
        return done.stdout.strip()


def _digest(text: str) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(text.encode()).digest()).rstrip(b"=").decode()


def _base_python() -> str:
    return getattr(sys, "_base_executable", None) or sys.executable
