"""The one door to the user: what went wrong, what to do, what was done."""

from __future__ import annotations

import logging
import time
from enum import StrEnum

from attrs import field, frozen
from PySide6.QtCore import QObject, Signal

from planner_core.errors import Cancelled, PlannerError

log = logging.getLogger("plumbline")

OUR_FAULT = "Something went wrong inside the program. Your plan is unchanged."
KEPT_MESSAGES = 200
"""How many messages the window remembers (our choice)."""


class Level(StrEnum):
    """How loud a message is."""

    NOTE = "note"
    WARNING = "warning"
    PROBLEM = "problem"


@frozen
class Message:
    """One sentence to the user, what to do about it, and details for whoever mends the program."""

    level: Level
    text: str
    remedy: str = ""
    details: str = ""
    time_s: float = field(factory=time.time)

    @property
    def sentence(self) -> str:
        """Text and remedy in one line."""
        return f"{self.text} {self.remedy}".strip()


class Messages(QObject):
    """Takes notes, warnings and failures; views listen to `said`."""

    said = Signal(object)

    def __init__(self, log_place: str = "", parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.log_place = log_place
        self.history: list[Message] = []

    def note(self, text: str) -> None:
        """Say that something was done."""
        self._say(Message(Level.NOTE, text))

    def warn(self, text: str, remedy: str = "") -> None:
        """Say something that the user should weigh."""
        self._say(Message(Level.WARNING, text, remedy))

    def report(self, error: BaseException) -> None:
        """Word a failure; being stopped by the user is none."""
        cause: BaseException | None = error
        while cause is not None and not isinstance(cause, PlannerError | Cancelled):
            cause = cause.__cause__
        if isinstance(cause, Cancelled):
            return
        if isinstance(cause, PlannerError):
            self._say(Message(Level.PROBLEM, cause.message, cause.remedy))
            return
        log.error("Unexpected failure", exc_info=error)
        remedy = (
            f"Details are in {self.log_place}." if self.log_place else "Save the details for whoever maintains it."
        )
        self._say(Message(Level.PROBLEM, OUR_FAULT, remedy, repr(error)))

    def _say(self, message: Message) -> None:
        self.history.append(message)
        del self.history[:-KEPT_MESSAGES]
        self.said.emit(message)
