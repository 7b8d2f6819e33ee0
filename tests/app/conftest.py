"""A window with default settings and dialogs that answer by themselves; closed after every test."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from pytestqt.qtbot import QtBot

from app.dialogs import Answers
from app.messages import Level, Message
from planner_core.case.plan import Plan
from planner_core.case.session import Session


class Recorder:
    """What the user would have read."""

    def __init__(self, messages: Any) -> None:
        self.all: list[Message] = []
        messages.said.connect(self.all.append)

    @property
    def problems(self) -> list[str]:
        """Sentences of the failures."""
        return [m.sentence + m.details for m in self.all if m.level is Level.PROBLEM]

    @property
    def texts(self) -> list[str]:
        """All sentences."""
        return [m.sentence for m in self.all]


@pytest.fixture
def window(qtbot: QtBot) -> Iterator[Any]:
    """The real window, not shown; `window.said` records the messages."""
    from app.window.build import build

    made = build(dialogs=Answers())
    made.said = Recorder(made.workspace.messages)
    yield made
    made.close()
    made.deleteLater()


@pytest.fixture
def open_plan(window: Any, qtbot: QtBot) -> Callable[[Plan], Any]:
    """Put a plan into the window and wait until its numbers are there."""

    def put(plan: Plan, shown: bool = False) -> Any:
        from app.case_actions import start_view

        if shown:
            window.resize(1366, 768)
            window.show()
            qtbot.waitExposed(window)
        window.workspace.open(Session(plan))
        start_view(window.workspace)
        settle(window, qtbot)
        return window

    return put


def settle(window: Any, qtbot: QtBot, timeout_ms: int = 60000) -> None:
    """Wait until everything computed belongs to the plan as it stands."""

    def ready() -> bool:
        workspace = window.workspace
        numbers = workspace.numbers
        return bool(numbers.is_complete and numbers.plan is workspace.plan and not workspace.jobs.running)

    qtbot.waitUntil(ready, timeout=timeout_ms)
