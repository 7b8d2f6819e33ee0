"""The two ways in which work ends without a result."""

from __future__ import annotations


class PlannerError(Exception):
    """Something that the person at the screen can act on.

    Parameters
    ----------
    message : str
        One sentence that says what happened, with the value that caused it.
    remedy : str
        One sentence that says what to do next.
    """

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message} {self.remedy}".strip()


class Cancelled(Exception):  # noqa: N818 - not a fault: the user asked for it
    """The user stopped the work; nothing was changed."""
