"""The demo says in one sentence why the window's pictures are missing."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

from app import _display, cli_demo


@pytest.fixture(autouse=True)
def with_display(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_display, "has_display", lambda: True)


def test_the_childs_last_words_are_passed_on(tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A child without a screen: Qt ends it with words on its standard error."""
    monkeypatch.setenv("QT_QPA_PLATFORM", "no-such-platform")
    assert cli_demo._window_pictures(tmp_path) == []
    said = capsys.readouterr().err
    assert said.startswith("The pictures of the window could not be taken (")
    assert "without a word" not in said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (
            subprocess.CompletedProcess([], 1, "", "Traceback\n  File\nRuntimeError: no such screen.\n"),
            "no such screen",
        ),
        (subprocess.CompletedProcess([], -11, "", ""), "ended without a word"),
        (subprocess.TimeoutExpired("x", 1), "took more than"),
        (OSError(12, "Cannot allocate memory"), "Cannot allocate memory"),
    ],
)
def test_every_way_to_fail_is_one_sentence(
    outcome: Any, words: str, tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(*args: Any, **kwargs: Any) -> Any:
        if isinstance(outcome, BaseException):
            raise outcome
        return outcome

    monkeypatch.setattr(cli_demo.subprocess, "run", run)
    assert cli_demo._window_pictures(tmp_path) == []
    said = capsys.readouterr().err
    assert words in said
    assert said.count("\n") == 1
    assert "Traceback" not in said


def test_nothing_is_said_when_they_were_taken(tmp_path: Path, capsys: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cli_demo.subprocess, "run", lambda *a, **k: subprocess.CompletedProcess([], 0, "", "noise"))
    cli_demo._window_pictures(tmp_path)
    assert capsys.readouterr().err == ""
