"""The catalogue in use: generic parts and the clinic's own lists."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from app.workspace import Workspace
from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.planning.catalogue import Catalogue
from planner_core.planning.implant_template import read_implant_template, write_implant_template
from planner_core.planning.lists import load_catalogue_csv

TEMPLATE_FILES = "Implant templates (*.dcm)"


def read_parts(path: Path) -> tuple[Catalogue, tuple[Finding, ...]]:
    """Read a list of parts or an implant template."""
    if path.suffix.lower() == ".csv":
        return load_catalogue_csv(path)
    shape, _, findings = read_implant_template(path)
    return Catalogue(fixtures={shape.shape_id: shape}), findings


class Parts:
    """The catalogue that the panels offer, and what the last file that was opened said, line by line."""

    def __init__(self, workspace: Workspace, catalogue: Catalogue) -> None:
        self.workspace = workspace
        self.catalogue = catalogue
        self.report: list[tuple[str, str]] = []

    def open_list(self, path: Path) -> None:
        """Take the clinic's own list of parts, or a fixture of a DICOM template, into the catalogue."""
        self.report = []
        try:
            own, findings = read_parts(path)
        except PlannerError as fault:
            self.report = [("problem", f"{fault.message} {fault.remedy}".strip())]
            raise
        self.catalogue = self.catalogue.plus(own)
        parts = (own.fixtures, own.sleeves, own.drill_lists, own.abutments)
        words = ("fixtures", "sleeves", "drill lists", "abutments")
        found = ", ".join(f"{len(part)} {word}" for part, word in zip(parts, words, strict=True) if part)
        said = f"{path.name}: {found or 'nothing that can be used'}."
        self.report = [("note", said)]
        self.report += [("note" if f.severity is Severity.NOTE else "warning", f.text) for f in findings]
        for finding in findings:
            self.workspace.messages.warn(finding.text)
        self.workspace.messages.note(said)
        self.workspace.catalogue_changed.emit()

    def save_template(self, dialogs: Any) -> None:
        """Write the shape of the fixture in hand as a DICOM implant template."""
        fixture = self.workspace.selected
        if fixture is None:
            raise PlannerError("No fixture is in hand.", "Choose a fixture first.")
        path = dialogs.new_file("Save as implant template", TEMPLATE_FILES, f"{fixture.shape.shape_id}.dcm")
        if path is not None:
            write_implant_template(fixture.shape, path)
            self.workspace.messages.note(f"Implant template written: {path.name}.")
