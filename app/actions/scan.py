"""The scan: its reading and the jaw that is planned."""

from __future__ import annotations

import time

from app.actions.base import Actions
from planner_core.anatomy.structures import Jaw
from planner_core.case import edits
from planner_core.case.plan import ScanReading


class ScanActions(Actions):
    """The scan: its reading and the jaw that is planned."""

    def sign_reading(self, reader: str, date: str, text: str) -> None:
        """Record that the volume was read."""
        self.apply(
            "Sign the reading", edits.set_reading, ScanReading(reader, date or time.strftime("%Y-%m-%d"), text)
        )

    def take_reading_back(self) -> None:
        """Take the signature back."""
        self.apply("Take the reading back", edits.set_reading, None)

    def set_jaw(self, jaw: Jaw) -> None:
        """Say which jaw is planned."""
        if jaw is not self.plan.jaw:
            self.apply(f"Plan the {jaw.value} jaw", edits.set_jaw, jaw)
