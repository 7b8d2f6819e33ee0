"""Progress of long work; reporting it is also the point where the user can stop it."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Called with the share done (0..1) and a short text; raises `Cancelled` when asked to stop."""

    def __call__(self, fraction: float, text: str = "") -> None:
        """Report `fraction` of the work as done."""


def silent(fraction: float, text: str = "") -> None:
    """Take the report and say nothing."""


def part_of(progress: Progress, start: float, stop: float) -> Progress:
    """Give a progress that fills the stretch from `start` to `stop` of `progress`."""

    def report(fraction: float, text: str = "") -> None:
        progress(start + (stop - start) * min(max(fraction, 0.0), 1.0), text)

    return report
