"""A user of the window: clicks with the mouse, waits for what follows, and notes every problem that is told."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QWidget
from pytestqt.qtbot import QtBot

from app.messages import Level
from app.view_state import Step
from planner_core.case.plan import Plan

LEFT = Qt.MouseButton.LeftButton


class User:
    """Does with the mouse what a user does; every click is counted."""

    patience_s = 60.0
    """How long it waits for one thing, s."""

    def __init__(self, window: Any, qtbot: QtBot) -> None:
        self.window, self.qtbot, self.clicks = window, qtbot, 0
        self.problems: list[str] = []
        window.workspace.messages.said.connect(
            lambda m: self.problems.append(m.sentence + m.details) if m.level is Level.PROBLEM else None
        )

    @property
    def plan(self) -> Plan:
        """The plan as it stands."""
        return self.window.workspace.plan  # type: ignore[no-any-return]

    def wait(self, ready: Any, timeout_s: float | None = None) -> None:
        """Wait until something is so; a problem told meanwhile fails the test."""
        most_s = self.patience_s if timeout_s is None else timeout_s
        self.qtbot.waitUntil(lambda: bool(self.problems) or bool(ready()), timeout=round(1000 * most_s))
        assert self.problems == []

    def click(self, widget: QWidget, pos: QPoint | None = None) -> None:
        """Click a widget that can be seen and used, in its middle or at a place."""
        assert widget.isVisible(), widget.objectName()
        assert widget.isEnabled(), widget.objectName()
        if pos is None:
            self.qtbot.mouseClick(widget, LEFT)
        else:
            self.qtbot.mouseClick(widget, LEFT, pos=pos)
        self.clicks += 1

    def scroll_to(self, step: Step, widget: QWidget) -> None:
        """Bring a widget of a panel into sight."""
        self.window.panels._areas[step].ensureWidgetVisible(widget)


@contextmanager
def small_window(qtbot: QtBot, dialogs: Any) -> Iterator[Any]:
    """Open the window at the smaller of the sizes that it is made for."""
    from app.window.build import build

    window = build(dialogs=dialogs)
    window.resize(1366, 768)
    window.show()
    qtbot.waitExposed(window)
    yield window
    window.close()
    window.deleteLater()
