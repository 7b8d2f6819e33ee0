"""Finding and installing the system's libraries, with an apt-get that only writes down what it was asked."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from app import _system_libraries as libraries
from app._setup_error import SetupError

RECORDER = """#!/bin/sh
echo "$@" >> {calls}
[ "$1" = update ] && touch {updated}
[ {works} = yes ] || {{ [ {works} = after-update ] && [ -e {updated} ]; }}
"""


@pytest.fixture
def calls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An apt-get of our own on the path, and root's rights; returns the file of its calls."""
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    give_apt_get(tmp_path, "yes")
    return tmp_path / "calls"


def give_apt_get(folder: Path, works: str) -> None:
    program = folder / "apt-get"
    program.write_text(RECORDER.format(calls=folder / "calls", updated=folder / "updated", works=works))
    program.chmod(0o755)


def told(calls: Path) -> list[str]:
    return [line.split()[0] for line in calls.read_text().splitlines()]


def test_a_library_that_cannot_be_loaded_is_named_with_its_package() -> None:
    wanted = {"libc.so.6": "libc6", "libplumbline-nowhere.so.3": "libnowhere3"}
    lacking = libraries.missing(wanted, display=False)
    assert lacking["libplumbline-nowhere.so.3"] == "libnowhere3"
    assert "libc.so.6" not in lacking


def test_a_missing_virtual_display_is_named_only_where_it_is_needed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nowhere")
    assert libraries.missing({}, display=True)["Xvfb"] == "xvfb"
    assert "Xvfb" not in libraries.missing({}, display=False)


def test_root_gets_the_packages_installed_without_questions(calls: Path, tmp_path: Path) -> None:
    assert libraries.install_as_root(["libone1", "libtwo2"], tmp_path / "log")
    assert told(calls) == ["install"]
    assert calls.read_text().split()[1] == "-y"
    assert calls.read_text().split()[-2:] == ["libone1", "libtwo2"]


def test_package_lists_are_fetched_when_the_first_try_fails(calls: Path, tmp_path: Path) -> None:
    give_apt_get(tmp_path, "after-update")
    assert libraries.install_as_root(["libone1"], tmp_path / "log")
    assert told(calls) == ["install", "update", "install"]


def test_an_ordinary_user_is_told_the_command_and_nothing_is_tried(
    calls: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(libraries, "missing", lambda wanted, display: {"libone.so.1": "libone1"})
    with pytest.raises(SetupError, match=r"run `sudo apt-get install -y --no-install-recommends libone1`"):
        libraries.ensure(tmp_path, for_window=True, for_tests=False)
    assert not calls.exists()
    assert not libraries.is_known(tmp_path, for_window=True, for_tests=False)


def test_a_command_without_a_window_goes_on_with_a_note(
    calls: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(libraries, "missing", lambda wanted, display: {"libone.so.1": "libone1"})
    libraries.ensure(tmp_path, for_window=False, for_tests=False)
    assert capsys.readouterr().err.startswith("Note: pictures cannot be drawn here.")


def test_a_failed_installation_names_command_and_log(
    calls: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    give_apt_get(tmp_path, "no")
    monkeypatch.setattr(libraries, "missing", lambda wanted, display: {"libone.so.1": "libone1"})
    with pytest.raises(
        SetupError, match=r"apt-get update && apt-get install .*libone1.*details: .*plumbline-system\.log"
    ):
        libraries.ensure(tmp_path, for_window=True, for_tests=False)


def test_a_complete_system_is_looked_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    looks: list[bool] = []
    monkeypatch.setattr(libraries, "missing", lambda wanted, display: looks.append(display) or {})
    for _ in range(2):
        libraries.ensure(tmp_path, for_window=False, for_tests=False)
    assert len(looks) == 1
    libraries.ensure(tmp_path, for_window=True, for_tests=False)
    assert len(looks) == 2, "a window needs more than a command"
