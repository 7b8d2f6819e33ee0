"""The catalogue in use: generic parts and the clinic's own lists."""

from __future__ import annotations

from pathlib import Path

from app.workspace import Workspace
from planner_core.planning.catalogue import Catalogue
from planner_core.planning.lists import load_catalogue_csv


class Parts:
    """The catalogue that the panels offer."""

    def __init__(self, workspace: Workspace, catalogue: Catalogue) -> None:
        self.workspace = workspace
        self.catalogue = catalogue

    def open_list(self, path: Path) -> None:
        """Take the clinic's own list of fixtures, sleeves, drills or abutments into the catalogue."""
        own, findings = load_catalogue_csv(path)
        self.catalogue = self.catalogue.plus(own)
        for finding in findings:
            self.workspace.messages.warn(finding.text)
        parts = (own.fixtures, own.sleeves, own.drill_lists, own.abutments)
        words = ("fixtures", "sleeves", "drill lists", "abutments")
        found = ", ".join(f"{len(part)} {word}" for part, word in zip(parts, words, strict=True) if part)
        self.workspace.messages.note(f"{path.name}: {found or 'nothing that can be used'}.")
        self.workspace.catalogue_changed.emit()
