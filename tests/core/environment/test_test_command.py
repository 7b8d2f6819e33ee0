"""The test command itself, and the guards of conftest.py, tried on tests that misbehave."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from app import _environment
from tests import __main__ as command

MISBEHAVING = """
import threading, time
import pytest
from tests import conftest

conftest.LEFTOVER_WAIT_S = 0.3

def test_good(qtbot):
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QLabel
    label = QLabel("closed by the bot")
    qtbot.addWidget(label)
    timer = QTimer(label)
    timer.start(1000)
    label.show()

def test_leaves_a_widget(qtbot):
    from PySide6.QtWidgets import QLabel
    globals()["kept"] = QLabel("left open")
    kept.setWindowTitle("left open")
    kept.show()

def test_leaves_a_timer(qtbot):
    from PySide6.QtCore import QTimer
    globals()["ticking"] = QTimer()
    ticking.start(1000)

def test_leaves_a_thread(qtbot):
    threading.Thread(target=time.sleep, args=(4,), name="left running", daemon=True).start()

def test_may_leave_a_thread_of_our_own_pool(qtbot):
    threading.Thread(target=time.sleep, args=(4,), name="planner_core-0", daemon=True).start()
"""


def run(arguments: list[str], **variables: str) -> tuple[int, str]:
    environment = {name: value for name, value in os.environ.items() if name != "PYTEST_ADDOPTS"}
    done = subprocess.run(
        [sys.executable, "-m", *arguments],
        cwd=_environment.ROOT,
        env=environment | variables,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
        timeout=120,
    )
    return done.returncode, done.stdout


@pytest.fixture
def misbehaving(tmp_path: Path) -> str:
    (tmp_path / "test_misbehaving.py").write_text(MISBEHAVING)
    return str(tmp_path / "test_misbehaving.py")


def pytest_on(path: str) -> list[str]:
    settings = str(_environment.ROOT / "pyproject.toml")
    return ["pytest", "-p", "tests.conftest", "-p", "no:cacheprovider", "-c", settings, path]


@pytest.mark.usefixtures("qapp")  # for its display
def test_leftovers_of_a_window_test_fail_it(misbehaving: str) -> None:
    code, output = run(pytest_on(misbehaving))
    assert code == 1
    for name in ("leaves_a_widget", "leaves_a_timer", "leaves_a_thread"):
        assert re.search(rf"ERROR .*test_{name}", output), output
    assert "top-level QLabel 'left open'" in output
    assert "running timer" in output
    assert "thread left running" in output
    assert "5 passed, 3 errors" in output.splitlines()[-1]


def test_a_window_test_without_a_display_fails_with_a_sentence(misbehaving: str) -> None:
    code, output = run(pytest_on(misbehaving), DISPLAY="", WAYLAND_DISPLAY="")
    assert code == 1
    assert "there is no display; run it with python3 -m tests" in output
    assert "5 errors" in output.splitlines()[-1]


def test_pytests_closing_line_is_the_last_output_and_its_exit_code_is_handed_on(tmp_path: Path) -> None:
    (tmp_path / "test_small.py").write_text(
        "import os\ndef test_display(): assert os.environ['DISPLAY'] != ':outer'\n"
    )
    arguments = ["tests", "--no-lint", "-o", f"cache_dir={tmp_path}/cache", "-c", "pyproject.toml", str(tmp_path)]
    code, output = run(arguments, PLUMBLINE_ENVIRONMENT="current", DISPLAY=":outer")
    assert code == 0, output
    assert "1 passed" in output.splitlines()[-1]
    (tmp_path / "test_small.py").write_text("def test_false(): assert False\n")
    code, output = run(arguments, PLUMBLINE_ENVIRONMENT="current")
    assert code == 1
    assert "1 failed" in output.splitlines()[-1]


def test_a_failed_code_check_fails_the_run_and_is_named_above_the_closing_line(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "test_small.py").write_text("def test_true(): pass\n")
    monkeypatch.setenv("PLUMBLINE_ENVIRONMENT", "current")
    monkeypatch.setenv("PLUMBLINE_CODE_CHECKS", "")
    monkeypatch.chdir(_environment.ROOT)
    bad = {"good": ["-c", "print('fine')"], "bad": ["-c", "raise SystemExit('wrong spelling')"]}
    monkeypatch.setattr(command, "CHECKS", bad)
    code = command.main(
        ["-p", "tests.conftest", "-o", f"cache_dir={tmp_path}/cache", "-c", "pyproject.toml", str(tmp_path)]
    )
    output = capfd.readouterr().out
    assert code == 1
    assert "good: passed" in output
    assert "wrong spelling" in output
    assert "FAILED: bad (details above the tests)" in output
    assert "1 passed" in output.splitlines()[-1]


def test_settings_of_the_user_are_never_seen(default_settings: Path) -> None:
    import platformdirs

    for place in (platformdirs.user_config_path("plumbline"), Path(platformdirs.user_data_dir("plumbline"))):
        assert place.is_relative_to(default_settings)
