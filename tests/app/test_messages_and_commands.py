"""The one door to the user, and the table of commands with its one guard."""

from __future__ import annotations

from typing import Any

import pytest
from PySide6.QtGui import QKeySequence
from PySide6.QtWidgets import QMenuBar, QWidget
from pytestqt.qtbot import QtBot

from app.commands import Command, Commands
from app.messages import OUR_FAULT, Level, Message, Messages
from planner_core.errors import Cancelled, PlannerError


@pytest.fixture
def heard(qtbot: QtBot) -> tuple[Messages, list[Message]]:
    messages, said = Messages("the log"), []
    messages.said.connect(said.append)
    return messages, said


def test_a_planner_error_says_what_and_what_to_do(heard: tuple[Messages, list[Message]]) -> None:
    messages, said = heard
    messages.report(PlannerError("The folder is empty.", "Choose another."))
    assert (said[0].level, said[0].sentence) == (Level.PROBLEM, "The folder is empty. Choose another.")


def test_an_error_wrapped_by_others_is_found(heard: tuple[Messages, list[Message]]) -> None:
    messages, said = heard
    try:
        try:
            raise PlannerError("Inner.", "")
        except PlannerError as inner:
            raise RuntimeError("outer") from inner
    except RuntimeError as outer:
        messages.report(outer)
    assert said[0].text == "Inner."


def test_being_stopped_says_nothing(heard: tuple[Messages, list[Message]]) -> None:
    messages, said = heard
    messages.report(Cancelled())
    assert said == []


def test_our_own_fault_is_owned_and_logged(
    heard: tuple[Messages, list[Message]], caplog: pytest.LogCaptureFixture
) -> None:
    messages, said = heard
    messages.report(KeyError("x"))
    assert said[0].text == OUR_FAULT
    assert "the log" in said[0].remedy
    assert "Unexpected failure" in caplog.text


def _table(heard: tuple[Messages, list[Message]], qtbot: QtBot, **kwargs: Any) -> tuple[Commands, QWidget]:
    widget = QWidget()
    qtbot.addWidget(widget)
    command = Command("thing.do", "Do", "Things", kwargs.pop("run", lambda: None), **kwargs)
    return Commands([command], heard[0], widget), widget


def test_a_failing_command_is_worded_and_goes_no_further(
    heard: tuple[Messages, list[Message]], qtbot: QtBot
) -> None:
    def fail() -> None:
        raise PlannerError("Not now.", "Later.")

    commands, _ = _table(heard, qtbot, run=fail)
    commands.run("thing.do")
    assert [m.sentence for m in heard[1]] == ["Not now. Later."]


def test_a_command_that_is_not_enabled_does_nothing(heard: tuple[Messages, list[Message]], qtbot: QtBot) -> None:
    done: list[int] = []
    commands, _ = _table(heard, qtbot, run=lambda: done.append(1), is_enabled=lambda: False)
    commands.run("thing.do")
    assert done == []
    assert not commands.action("thing.do").isEnabled()


def test_menu_shortcut_and_switch_come_from_the_table(heard: tuple[Messages, list[Message]], qtbot: QtBot) -> None:
    state = {"on": False}
    commands, widget = _table(
        heard,
        qtbot,
        run=lambda: state.update(on=not state["on"]),
        shortcuts=("Ctrl+T",),
        is_checked=lambda: state["on"],
    )
    bar = QMenuBar(widget)
    commands.fill(bar)
    assert [action.text() for action in bar.actions()] == ["Things"]
    action = commands.action("thing.do")
    assert action.shortcut() == QKeySequence("Ctrl+T")
    action.trigger()
    assert state["on"]
    assert action.isChecked()


def test_no_two_commands_of_the_window_share_a_key(window: Any) -> None:
    keys = [key for command in window.commands for key in command.shortcuts]
    assert len(keys) == len(set(keys))
    ids = [command.command_id for command in window.commands]
    assert len(ids) == len(set(ids))
