"""Virtual displays are started, named, kept apart and ended."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from app import __main__ as command
from app import _display, _environment
from app._setup_error import SetupError

needs_xvfb = pytest.mark.skipif(shutil.which("Xvfb") is None, reason="Xvfb is not installed")


@needs_xvfb
def test_a_virtual_display_answers_inside_and_is_gone_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DISPLAY", ":outer")
    monkeypatch.setenv("WAYLAND_DISPLAY", "outer")
    with _display.virtual_display() as first:
        assert os.environ["DISPLAY"] == first
        assert "WAYLAND_DISPLAY" not in os.environ
        assert _display.has_display()
        with _display.virtual_display() as second:
            assert second != first
            assert _display.has_display()
        assert os.environ["DISPLAY"] == first
    assert os.environ["DISPLAY"] == ":outer"
    assert os.environ["WAYLAND_DISPLAY"] == "outer"
    monkeypatch.setenv("DISPLAY", first)
    assert not _display.has_display(), "the server is still there"


@needs_xvfb
def test_a_virtual_display_ends_with_a_killed_owner() -> None:
    code = (
        "import os, signal\nfrom app import _display\n"
        "with _display.virtual_display() as name:\n print(name, flush=True)\n os.kill(os.getpid(), signal.SIGKILL)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=_environment.ROOT, capture_output=True, text=True, check=False, timeout=30
    )
    number = done.stdout.strip().removeprefix(":")
    lock = Path(f"/tmp/.X{number}-lock")
    for _ in range(200):
        if not lock.exists():
            return
        subprocess.run(["sleep", "0.05"], check=True)
    pytest.fail(f"display {number} outlived its owner")


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="other systems always have a display")
@pytest.mark.parametrize("name", ["", ":9871", "nonsense", "localhost:9871.0"])
def test_a_display_that_nobody_serves_counts_as_none(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("WAYLAND_DISPLAY", raising=False)
    monkeypatch.setenv("DISPLAY", name)
    assert not _display.has_display()


def test_a_missing_xvfb_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(SetupError, match="install the package xvfb"), _display.virtual_display():
        pass


def test_an_xvfb_that_dies_is_one_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program = tmp_path / "Xvfb"
    program.write_text("#!/bin/sh\nexit 1\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    with pytest.raises(SetupError, match="Xvfb did not start"), _display.virtual_display():
        pass


def test_the_demo_takes_a_new_folder_when_something_else_lies_in_its_place(tmp_path: Path) -> None:
    wanted = tmp_path / "out" / "demo"
    assert command._free_folder(wanted) == wanted
    wanted.mkdir(parents=True)
    assert command._free_folder(wanted) == wanted, "an empty folder is free"
    (wanted / "holiday.jpg").touch()
    assert command._free_folder(wanted) == tmp_path / "out" / "demo-2"
    (tmp_path / "out" / "demo-2").touch()
    assert command._free_folder(wanted) == tmp_path / "out" / "demo-3"
    (wanted / "summary.json").touch()
    assert command._free_folder(wanted) == wanted, "an earlier demo's result is made anew"


def test_a_stop_by_the_user_is_exit_130(monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(argv: list[str]) -> int:
        raise KeyboardInterrupt

    monkeypatch.setattr(command, "main", stopped)
    assert command.run() == 130
