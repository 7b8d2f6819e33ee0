"""The setup of `.venv`, by real starts of a small project."""

from __future__ import annotations

import ast
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest

from app import _environment, _system_libraries
from app._setup_error import SetupError
from tests.core.environment.small_project import SmallProject

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="starts are made the POSIX way here")
START_LIMIT_S = 30.0


@pytest.fixture(scope="module")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> SmallProject:
    project = SmallProject(tmp_path_factory.mktemp("made") / "small", [])
    code, output, errors = project.start("first")
    assert (code, output) == (0, f"inside {project.venv} first\n"), errors
    assert errors.startswith(f"Setting up Plumbline in {project.venv}")
    return project


@pytest.fixture
def project(made_once: SmallProject, tmp_path: Path) -> SmallProject:
    """A project that has been set up (a copy: making one takes seconds)."""
    shutil.copytree(made_once.folder, tmp_path / "small", symlinks=True)
    return SmallProject(tmp_path / "small", [])


def wait_for(path: Path) -> None:
    until = time.monotonic() + START_LIMIT_S
    while not path.exists():
        assert time.monotonic() < until, f"{path} never appeared"
        time.sleep(0.02)


def assert_one_sentence(errors: str, *parts: str) -> None:
    told = [line for line in errors.splitlines() if not line.startswith(("Setting up", "  "))]
    assert len(told) == 1, errors
    assert told[0].endswith(".")
    assert "Traceback" not in errors
    for part in parts:
        assert part in told[0]


# ---------------------------------------------------------------- the bare Python that reads these files


@pytest.mark.parametrize(
    "name", ["_environment", "_pip_log", "_system_libraries", "_display", "_setup_error", "__main__", "__init__"]
)
def test_setup_needs_nothing_but_the_standard_library_and_parses_on_older_pythons(name: str) -> None:
    text = (_environment.ROOT / "app" / f"{name}.py").read_text(encoding="utf-8")
    tree = ast.parse(text, feature_version=(3, 8))  # an older Python must live long enough to say that it is old
    for node in tree.body:  # imports inside functions come after the setup
        for module in _modules_of(node):
            assert module.split(".")[0] in {*sys.stdlib_module_names, "app"}


def _modules_of(node: ast.stmt) -> list[str]:
    if isinstance(node, ast.Import):
        return [name.name for name in node.names]
    return [node.module or ""] if isinstance(node, ast.ImportFrom) else []


def test_an_older_python_is_refused_in_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "version_info", (3, 9, 2))
    with pytest.raises(SystemExit) as stop:
        _environment.ensure()
    assert stop.value.code == 2
    assert_one_sentence(capsys.readouterr().err, "needs Python 3.11", "started with 3.9")


# ---------------------------------------------------------------- starts


def test_a_second_start_changes_nothing_says_nothing_and_keeps_the_arguments(project: SmallProject) -> None:
    stamp = project.venv / "plumbline-runtime.json"
    before = stamp.stat().st_mtime_ns
    assert project.start("one", "two words", PYTHONPATH="/nowhere", PYTHONHOME="") == (
        0,
        f"inside {project.venv} one two words\n",
        "",
    )
    assert stamp.stat().st_mtime_ns == before


def test_stamps_are_apart_for_runtime_and_test_tools(project: SmallProject) -> None:
    project.add_wheel("tool_of_tests", "1.0")
    project.depend_on([], ["tool-of-tests==1.0"])
    assert project.start()[2] == "", "the runtime is complete without the test tools"
    code, _, errors = project.start("tests")
    assert code == 0, errors
    assert project.imports("import tool_of_tests; print(tool_of_tests.version)") == "1.0"
    assert project.start("tests")[2] == ""


def test_a_changed_list_of_packages_is_followed(project: SmallProject) -> None:
    for version in ("1.0", "1.1"):
        project.add_wheel("part", version)
        project.depend_on([f"part=={version}"])
        assert project.start()[0] == 0
        assert project.imports("import part; print(part.version)") == version


def test_a_replaced_base_python_is_noticed_inside_and_the_environment_made_anew(project: SmallProject) -> None:
    stamp = project.venv / "plumbline-runtime.json"
    stamp.write_text(json.dumps({"python": "3.9", "key": _environment._key([], "3.9")}), encoding="utf-8")
    relic = project.venv / "lib" / "relic"
    relic.touch()
    code, _, errors = project.start()
    assert code == 0, errors
    assert not relic.exists()
    assert json.loads(stamp.read_text())["python"] == "{}.{}".format(*sys.version_info[:2])


def test_a_vanished_base_python_is_noticed(project: SmallProject) -> None:
    for name in (project.venv / "bin").glob("python*"):
        name.unlink()
    (project.venv / "bin" / "python").symlink_to("/nowhere/python3")
    assert project.start()[:2] == (0, f"inside {project.venv}\n")


# ---------------------------------------------------------------- kills and company


def test_a_start_killed_while_installing_is_followed_by_one_that_waits_for_its_orphan_and_makes_all_anew(
    tmp_path: Path,
) -> None:
    project = SmallProject(tmp_path / "small", [])
    first = project.begin("slow")
    wait_for(project.folder / "working")
    first.send_signal(signal.SIGKILL)
    first.communicate()
    assert (project.venv / _environment.MARKER).exists()
    (project.venv / "half of a package").touch()
    second = project.begin("again")
    assert second.stderr is not None
    assert "waiting" in second.stderr.readline(), "the killed start's installer is still at work"
    (project.folder / "go").touch()  # the orphan ends
    output, errors = second.communicate(timeout=START_LIMIT_S)
    assert (second.returncode, output) == (0, f"inside {project.venv} again\n"), errors
    assert not (project.venv / "half of a package").exists()
    assert not (project.venv / _environment.MARKER).exists()


def test_of_two_starts_at_once_one_installs_and_the_other_waits(tmp_path: Path) -> None:
    project = SmallProject(tmp_path / "small", [])
    first = project.begin("slow")
    wait_for(project.folder / "working")
    second = project.begin("second")
    assert second.stderr is not None
    told = second.stderr.readline()
    (project.folder / "go").touch()
    first_output, _ = first.communicate(timeout=START_LIMIT_S)
    second_output, second_errors = second.communicate(timeout=START_LIMIT_S)
    assert (first.returncode, first_output) == (0, f"inside {project.venv} slow\n")
    assert (second.returncode, second_output) == (0, f"inside {project.venv} second\n")
    assert told == "Another start of Plumbline is setting up its environment; waiting until it is done.\n"
    assert "Setting up" not in second_errors


def test_ctrl_c_ends_the_installation_with_130_and_without_a_traceback(tmp_path: Path) -> None:
    project = SmallProject(tmp_path / "small", [])
    process = project.begin("slow")
    wait_for(project.folder / "working")
    process.send_signal(signal.SIGINT)
    _, errors = process.communicate(timeout=START_LIMIT_S)
    assert process.returncode == 130
    assert "Traceback" not in errors


# ---------------------------------------------------------------- failures, each one sentence


def test_no_network_is_one_sentence_and_the_next_start_continues(project: SmallProject) -> None:
    project.depend_on(["far-away==1.0"])
    code, output, errors = project.start()
    assert (code, output) == (2, "")
    assert_one_sentence(errors, "index cannot be reached", str(project.log))
    assert "Connection refused" in project.log.read_text()
    assert not (project.venv / _environment.MARKER).exists(), "nothing was changed, nothing need be made anew"
    project.add_wheel("far_away", "1.0")
    assert project.start()[0] == 0


def test_a_package_that_would_have_to_be_compiled_is_refused(project: SmallProject) -> None:
    source = project.folder / "only-source-1.0.tar.gz"
    subprocess.run(["tar", "czf", source, "-C", project.folder, "pyproject.toml"], check=True)
    project.depend_on(["only-source==1.0"])
    code, _, errors = project.start(PIP_NO_INDEX="1")
    assert code == 2
    assert_one_sentence(errors, "no ready-made only-source")


def test_a_file_in_the_place_of_the_environment_is_named(tmp_path: Path) -> None:
    project = SmallProject(tmp_path / "small", [])
    project.venv.write_text("in the way")
    code, _, errors = project.start()
    assert code == 2
    assert_one_sentence(errors, str(project.venv), "move it away")


def test_a_missing_venv_module_names_the_debian_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_environment.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(_system_libraries, "install_as_root", lambda packages, log: False)
    with pytest.raises(SetupError, match=r"apt-get install python3\.\d+-venv"):
        _environment.set_up(tmp_path / ".venv", {"runtime": []})


def test_a_full_disk_is_told_before_anything_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_environment.shutil, "disk_usage", lambda place: SimpleNamespace(free=100 * 2**20))
    with pytest.raises(SetupError, match=r"100 MB left .* about 2600 MB"):
        _environment.set_up(tmp_path / ".venv", {"runtime": ["numpy"]})
    assert [entry.name for entry in (tmp_path / ".venv").iterdir()] == [_environment.LOCK]


def test_a_broken_pyproject_is_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "pyproject.toml").write_text("[project")
    with pytest.raises(SystemExit) as stop:
        _environment.ensure(root=tmp_path)
    assert stop.value.code == 2
    assert_one_sentence(capsys.readouterr().err, "pyproject.toml cannot be read")


# ---------------------------------------------------------------- a checkout that may not be written


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that other users can enter (pytest's own are closed to them)."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        yield Path(name)


def as_ordinary_user(code: str) -> subprocess.CompletedProcess[str]:
    """Run lines with the rights of nobody when we are root, who may write everywhere."""
    lines = "import os, sys\nfrom pathlib import Path\nfrom app import _environment, _pip_log, _system_libraries\n"
    lines += "import encodings.idna, tomllib\nos.geteuid() or os.setuid(65534)\n"
    return subprocess.run(
        [sys.executable, "-c", lines + code],
        cwd=_environment.ROOT,
        env={name: value for name, value in os.environ.items() if not name.startswith("PLUMB")},
        capture_output=True,
        text=True,
        check=False,
    )


def test_a_read_only_checkout_gets_its_environment_in_the_users_cache(open_folder: Path) -> None:
    root, cache = open_folder / "checkout", open_folder / "cache"
    SmallProject(root, [])
    cache.mkdir()
    root.chmod(0o555)
    cache.chmod(0o777)
    done = as_ordinary_user(
        f"os.environ['XDG_CACHE_HOME'] = {str(cache)!r}\nroot = Path({str(root)!r})\n"
        "print(_environment.environment_folder(root).parent, _environment.numba_cache_folder(root))"
    )
    assert done.stdout.split() == [str(cache / "plumbline"), str(cache / "plumbline" / "kernels")], done.stderr


def test_a_read_only_checkout_without_any_place_to_write_is_one_sentence(open_folder: Path) -> None:
    root = open_folder / "checkout"
    SmallProject(root, [])
    root.chmod(0o555)
    done = as_ordinary_user(
        f"os.environ['XDG_CACHE_HOME'] = {str(root)!r}\n_environment.ensure(root=Path({str(root)!r}))"
    )
    assert done.returncode == 2
    assert_one_sentence(done.stderr, "may not be written", "copy the project")
    assert sorted(entry.name for entry in root.iterdir()) == ["probe.py", "pyproject.toml"]


def test_a_read_only_checkout_with_a_complete_environment_is_used_as_it_is(project: SmallProject) -> None:
    before = sorted(project.venv.iterdir())
    for place in (project.venv, project.folder):
        place.chmod(0o555)
    try:
        assert _environment.environment_folder(project.folder) == project.venv
        assert project.start()[:2] == (0, f"inside {project.venv}\n")
        assert sorted(project.venv.iterdir()) == before
    finally:
        for place in (project.venv, project.folder):
            place.chmod(0o755)
