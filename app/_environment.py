"""Sets up the program's own `.venv` and continues inside it.

Standard library only: this runs on the bare Python that the user typed, before anything is installed.
A start that finds everything in place reads two small files and replaces itself with `.venv`'s Python.

How the promises are kept: one lock per environment (held by pip too, so that a killed start never leaves a
second one working beside its orphan); a marker file that stands while the environment is being changed, so
that a half-made one is recognised and made anew; stamps that are written last.
"""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from pathlib import Path
from typing import IO, NoReturn

from app import _pip_log, _system_libraries
from app._setup_error import SetupError

ROOT = Path(__file__).resolve().parent.parent
OLDEST_PYTHON = (3, 11)
# What an installation with the test tools takes: 2050 MB measured, and room for the wheels on their way in.
# A project without dependencies needs next to nothing.
NEEDED_MB = 2600
BARE_NEEDED_MB = 60
STARTED_BY = "PLUMBLINE_STARTED_BY"  # process number of the start that handed over; stops an endless loop
MOST_TRIES = 3  # one to enter, one more where the base Python was replaced by a newer version
OWN_ENVIRONMENT = "PLUMBLINE_ENVIRONMENT"  # "current": use the Python that is running, install nothing
MARKER = "plumbline.building"
LOCK = "plumbline.lock"
LOG = "plumbline-install.log"
RUNTIME, TESTS = "runtime", "tests"


def ensure(*, for_tests: bool = False, for_window: bool = False, root: Path = ROOT) -> None:
    """Return only inside a complete environment; otherwise set it up and start this command again in it.

    Parameters
    ----------
    for_tests : bool
        The test tools are needed too.
    for_window : bool
        A window will be opened, so the libraries of the display are needed.
    root : Path
        Folder of `pyproject.toml`.
    """
    try:
        _ensure(for_tests, for_window, root)
    except SetupError as failure:
        _fail(str(failure))
    except OSError as failure:
        _fail(str(_pip_log.explain_os_error(failure, environment_folder(root))))
    except KeyboardInterrupt:
        print("Stopped. The next start continues the setup.", file=sys.stderr)
        raise SystemExit(130) from None


def _ensure(for_tests: bool, for_window: bool, root: Path) -> None:
    running, oldest = _dotted(sys.version_info[:2]), _dotted(OLDEST_PYTHON)
    if sys.version_info < OLDEST_PYTHON:
        raise SetupError(
            f"Plumbline needs Python {oldest} or newer and was started with {running}; "
            f"start it with a newer one, for example python{oldest} -m app."
        )
    if os.environ.get(OWN_ENVIRONMENT) == "current":
        return
    venv = environment_folder(root)
    wanted = dependencies(root, for_tests)
    inside = _is_inside(venv)
    complete = all(is_ready(venv, name, listed, running if inside else None) for name, listed in wanted.items())
    if not complete:
        set_up(venv, wanted)
    _ensure_system_libraries(venv, for_window or for_tests, for_tests)
    if not (complete and inside):
        _continue_in(venv, root)


def _ensure_system_libraries(venv: Path, for_window: bool, for_tests: bool) -> None:
    if not _system_libraries.is_wanted() or _system_libraries.is_known(venv, for_window, for_tests):
        return
    may_write = os.access(venv, os.W_OK)
    with locked(venv / LOCK) if may_write else nullcontext():  # two starts must not run apt-get at once
        _system_libraries.ensure(venv, for_window, for_tests)


def environment_folder(root: Path) -> Path:
    """Return `.venv` beside `pyproject.toml`, or a folder of the user's cache where the checkout is read-only."""
    beside = root / ".venv"
    if (beside / f"plumbline-{RUNTIME}.json").exists() or os.access(beside if beside.exists() else root, os.W_OK):
        return beside
    name = hashlib.sha256(str(root).encode()).hexdigest()[:12]
    return user_cache() / f"venv-{name}"


def user_cache() -> Path:
    """Return the folder for files of Plumbline that can be made again."""
    home = Path(os.path.expanduser("~"))
    if not home.is_absolute():  # a user without a home folder
        home = Path(tempfile.gettempdir())
    if os.name == "nt":
        base = os.environ.get("LOCALAPPDATA") or home / "AppData" / "Local"
    elif sys.platform == "darwin":
        base = home / "Library" / "Caches"
    else:
        base = os.environ.get("XDG_CACHE_HOME") or home / ".cache"
    return Path(base) / "plumbline"


def dependencies(root: Path, for_tests: bool) -> dict[str, list[str]]:
    """Return stamp name -> requirements, read from `pyproject.toml`; the test list contains the runtime list."""
    import tomllib  # not on the older Pythons that get a sentence instead

    try:
        project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    except (OSError, ValueError, KeyError) as failure:
        raise SetupError(
            f"{root / 'pyproject.toml'} cannot be read ({failure}); get a fresh copy of the project."
        ) from None
    runtime = list(project.get("dependencies", []))
    wanted = {RUNTIME: runtime}
    if for_tests:
        wanted[TESTS] = runtime + list(project.get("optional-dependencies", {}).get("tests", []))
    return wanted


def is_ready(venv: Path, name: str, packages: list[str], version: str | None = None) -> bool:
    """Say whether the stamp of this list stands, and, given the Python version, whether it is for that one."""
    if (venv / MARKER).exists() or not venv_python(venv).exists():
        return False
    stamped, key = _stamp(venv, name)
    return bool(stamped) and version in (None, stamped) and key == _key(packages, stamped)


def _stamp(venv: Path, name: str) -> tuple[str, str]:
    try:
        stamp = json.loads((venv / f"plumbline-{name}.json").read_text(encoding="utf-8"))
        return str(stamp["python"]), str(stamp["key"])
    except (OSError, ValueError, KeyError, TypeError):
        return "", ""


def venv_python(venv: Path) -> Path:
    """Return the interpreter inside a virtual environment."""
    return venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


# ---------------------------------------------------------------- setting up


def set_up(venv: Path, wanted: dict[str, list[str]]) -> None:
    """Make or repair the environment under its lock, and write the stamps last."""
    venv.mkdir(parents=True, exist_ok=True)
    with locked(venv / LOCK) as lock:
        found = _version_of(venv)
        if found and all(is_ready(venv, name, listed, found) for name, listed in wanted.items()):
            return  # another start did it while this one waited
        packages = wanted.get(TESTS, wanted[RUNTIME])
        started = time.monotonic()
        _say(f"Setting up Plumbline in {venv} (first start, or its list of packages has changed).")
        _check_space(venv, packages)
        marker = venv / MARKER
        if marker.exists() or not found or _stamp(venv, RUNTIME)[0] not in ("", found):
            _make_anew(venv, lock)
        marker.touch()
        _install(venv, packages, lock)
        version = _version_of(venv)
        for name, listed in wanted.items():
            _write_whole(
                venv / f"plumbline-{name}.json", json.dumps({"python": version, "key": _key(listed, version)})
            )
        marker.unlink()
        _say(f"Ready after {time.monotonic() - started:.0f} s.")


def _make_anew(venv: Path, lock: IO[bytes]) -> None:
    """Empty the folder (marker first, so that a kill in here is noticed) and create the bare environment."""
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        package = f"python{_dotted(sys.version_info[:2])}-venv"
        if not _system_libraries.install_as_root([package], venv / LOG):
            raise SetupError(
                f"This Python has no venv or ensurepip module; on Debian and Ubuntu install it with "
                f"`sudo apt-get install {package}`, then start again."
            )
    (venv / MARKER).touch()
    for entry in venv.iterdir():
        if entry.name in (MARKER, LOCK, LOG):
            continue
        if entry.is_dir() and not entry.is_symlink():
            shutil.rmtree(entry)
        else:
            entry.unlink()
    base = getattr(sys, "_base_executable", None) or sys.executable
    if _call([base, "-m", "venv", str(venv)], venv / LOG, lock, quiet=True) != 0:
        raise _pip_log.explain(venv / LOG, "The virtual environment could not be created")


def _install(venv: Path, packages: list[str], lock: IO[bytes]) -> None:
    log = venv / LOG
    log.write_bytes(b"")
    if not packages:
        return
    command = [str(venv_python(venv)), "-m", "pip", "install", "--only-binary=:all:", "--upgrade"]
    command += ["--upgrade-strategy", "only-if-needed", "--no-input", "--progress-bar", "off"]
    command += ["--disable-pip-version-check", "--no-warn-script-location", *packages]
    if _call(command, log, lock) != 0:
        if not _pip_log.has_begun_to_unpack(log):
            (venv / MARKER).unlink()  # nothing was changed, so the next start need not make it anew
        raise _pip_log.explain(log, "The Python packages could not be installed")


def _call(command: list[str], log: Path, lock: IO[bytes], quiet: bool = False) -> int:
    """Run a program with its output in the log, and say from the log what it is doing."""
    environment = child_environment()
    for name in ("PIP_TARGET", "PIP_PREFIX", "PIP_ROOT", "PIP_REQUIREMENT", "PIP_CONSTRAINT"):
        environment.pop(name, None)
    environment.update(PIP_USER="0", PIP_REQUIRE_VIRTUALENV="0", PYTHONUNBUFFERED="1", LC_ALL="C.UTF-8")
    # The child holds the lock as well: killed alone, this process leaves a pip that still works in there.
    keep: dict[str, tuple[int, ...]] = {} if os.name == "nt" else {"pass_fds": (lock.fileno(),)}
    with log.open("ab") as output:
        process = subprocess.Popen(  # type: ignore[call-overload]
            command, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT, env=environment, **keep
        )
    follower = _pip_log.Follower(log, Path(command[0]).parent.parent, say=(lambda _: None) if quiet else _say)
    try:
        while True:
            try:
                code: int = process.wait(timeout=0.3)
                break
            except subprocess.TimeoutExpired:
                follower.look()
        follower.look()
    except BaseException:
        process.terminate()
        process.wait()
        raise
    return code


@contextmanager
def locked(path: Path) -> Iterator[IO[bytes]]:
    """Hold the lock of an environment; say so when another start holds it, and wait."""
    with path.open("a+b") as handle:
        if not _try_lock(handle):
            _say("Another start of Plumbline is setting up its environment; waiting until it is done.")
            while not _try_lock(handle):
                time.sleep(0.2)
        yield handle  # closing the file gives the lock back


def _try_lock(handle: IO[bytes]) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            handle.seek(0)
            msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (BlockingIOError, PermissionError):
        return False
    except OSError:
        return True  # a network file system without locks: go on alone rather than not at all
    return True


# ---------------------------------------------------------------- handing over


def child_environment() -> dict[str, str]:
    """Return this process's environment without what would lead Python or Qt out of `.venv`."""
    environment = dict(os.environ)
    for name in (
        "PYTHONHOME",
        "PYTHONPATH",
        "QT_PLUGIN_PATH",
        "QT_QPA_PLATFORM_PLUGIN_PATH",
        "__PYVENV_LAUNCHER__",
    ):
        environment.pop(name, None)
    environment["PYTHONNOUSERSITE"] = "1"
    return environment


def numba_cache_folder(root: Path = ROOT) -> str | None:
    """Return where compiled kernels go when they cannot lie beside their source, else None."""
    if os.access(root, os.W_OK):
        return None
    folder = user_cache() / "kernels"
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        folder = Path(tempfile.gettempdir()) / f"plumbline-kernels-{os.getuid() if hasattr(os, 'getuid') else 0}"
    return str(folder)


def _continue_in(venv: Path, root: Path) -> NoReturn:
    """Start the same command again with the environment's own Python; never returns."""
    starter, _, times = os.environ.get(STARTED_BY, "").partition(":")
    tries = int(times or 0) + 1 if starter in (str(os.getpid()), str(os.getppid())) else 1
    if tries > MOST_TRIES:
        raise SetupError(f"{venv} does not lead to its own Python; delete that folder and start again.")
    environment = child_environment()
    environment[STARTED_BY] = f"{os.getpid()}:{tries}"
    kernels = numba_cache_folder(root)
    if kernels:
        environment.setdefault("NUMBA_CACHE_DIR", kernels)
    command = [str(venv_python(venv)), *sys.orig_argv[1:]]
    sys.stdout.flush()
    sys.stderr.flush()
    if os.name == "nt":
        raise SystemExit(subprocess.call(command, env=environment))
    os.execve(command[0], command, environment)


def _is_inside(venv: Path) -> bool:
    try:
        return os.path.samefile(sys.prefix, venv)
    except OSError:
        return False


# ---------------------------------------------------------------- small parts


def _version_of(venv: Path) -> str:
    """Return the version of the environment's Python, or nothing if it does not start, is too old or has no pip."""
    question = "import sys, pip; print('%d.%d' % sys.version_info[:2])"
    try:
        answer = subprocess.run(
            [str(venv_python(venv)), "-I", "-c", question], capture_output=True, text=True, check=False, timeout=60
        )
    except (OSError, subprocess.TimeoutExpired):
        return ""
    version = answer.stdout.strip() if answer.returncode == 0 else ""
    return version if version and tuple(map(int, version.split("."))) >= OLDEST_PYTHON else ""


def _check_space(venv: Path, packages: list[str]) -> None:
    needed = NEEDED_MB if packages else BARE_NEEDED_MB
    if (venv / f"plumbline-{RUNTIME}.json").exists():
        needed //= 4  # most of it lies there already
    free = shutil.disk_usage(venv).free // 2**20
    if free < needed:
        raise SetupError(
            f"The disk with {venv} has {free} MB left and the setup needs about {needed} MB; "
            "make room and start again."
        )


def _key(packages: list[str], version: str) -> str:
    return hashlib.sha256(json.dumps([sorted(packages), version]).encode()).hexdigest()


def _write_whole(path: Path, text: str) -> None:
    temporary = path.with_suffix(".new")
    with temporary.open("w", encoding="utf-8") as handle:
        handle.write(text)
        handle.flush()
        os.fsync(handle.fileno())
    temporary.replace(path)


def _dotted(version: tuple[int, ...]) -> str:
    return ".".join(map(str, version))


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def _fail(sentence: str) -> NoReturn:
    print(sentence, file=sys.stderr, flush=True)
    raise SystemExit(2)
