"""The guide, its limits and what was examined at the chair."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from attrs import evolve

from app.actions.base import Actions
from app.actions.parts import Parts
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.case import derived, edits
from planner_core.case.plan import Plan
from planner_core.findings import Finding
from planner_core.planning.carriers import BearingArea
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT
from planner_core.planning.own_outcomes import OwnData, read_outcomes
from planner_core.planning.seating import Pin


class GuideActions(Actions):
    """The guide, its limits and what was examined at the chair."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox, parts: Parts) -> None:
        super().__init__(workspace, toolbox)
        self.parts = parts

    def evaluate(self) -> None:
        """Work out draws, every kind of guide, assumptions and helps for the plan as it stands, as a job."""
        plan, workspace = self.plan, self.workspace
        job = workspace.jobs.start(
            "Weighing the guides",
            derived.evaluation_of,
            plan,
            catalogue=self.parts.catalogue,
            key="evaluation",
            is_wanted=lambda: workspace.is_open and workspace.plan is plan,
        )
        job.succeeded.connect(lambda _: workspace.numbers_wanted.emit())
        job.failed.connect(workspace.messages.report)

    def set_guide(
        self, support: Support | None = None, guidance: Guidance | None = None, code: str | None = None
    ) -> None:
        """Say what carries the guide and how far it leads."""
        now = self.plan.guide
        same = (support in (None, now.support), guidance in (None, now.guidance), code in (None, now.code))
        if not all(same):
            self.apply("Change the guide", edits.set_guide, support=support, guidance=guidance, code=code)

    def set_mouth(self, **facts: Any) -> None:
        """Record what was examined at the chair; other facts stay."""
        mouth = evolve(self.plan.mouth, **facts)
        if mouth != self.plan.mouth:
            self.apply("Record what was examined", edits.set_mouth, mouth)

    def set_bearing_areas(self, areas: tuple[BearingArea, ...]) -> None:
        """Say which stretches of mucosa or bone carry the guide."""
        if areas != self.plan.guide.bearing_areas:
            self.apply("Change what carries the guide", edits.set_bearing_areas, areas)

    def set_pins(self, pins: tuple[Pin, ...]) -> None:
        """Set the pins."""
        self.apply("Change the pins", edits.set_pins, pins)

    def set_wall(self, wall_mm: float) -> None:
        """Set the thickness of the guide's wall."""
        if abs(wall_mm - self.plan.guide.wall_mm) > 1e-9:
            self.apply("Change the guide's wall", edits.set_wall, wall_mm)

    def read_own_data(self, path: Path) -> None:
        """Take the clinic's own outcomes from a file into the case, as a job."""
        workspace, session = self.workspace, self.workspace.session
        job = workspace.jobs.start(
            "Reading outcomes",
            _read_outcomes,
            path,
            key="own data",
            is_wanted=lambda: workspace.is_open and workspace.session is session,
        )
        job.succeeded.connect(lambda found: workspace.when_free(lambda: self._take_own_data(*found)))
        job.failed.connect(workspace.messages.report)

    def _take_own_data(self, data: OwnData, findings: tuple[Finding, ...]) -> None:
        for finding in findings:
            self.workspace.messages.warn(finding.text)
        self.set_own_data(data)

    def set_own_data(self, data: OwnData | None) -> None:
        """Put own outcomes into the case, or leave them out."""
        if data is not self.plan.own_data:
            self.apply("Read own outcomes" if data else "Leave own outcomes out", edits.set_own_data, data)

    def set_harm_limit(self, chance: float) -> None:
        """Set the chance of harm at a canal that is accepted."""
        now = self.plan.limits.harm_chance
        if abs((DEFAULT_HARM_LIMIT if now is None else now) - chance) > 1e-9:
            self.apply("Set the limit of harm", edits.set_harm_limit, chance)

    def set_sleeve(self, site: str, sleeve_id: str) -> None:
        """Give a site its sleeve, or none with an empty id."""
        sleeve = self.parts.catalogue.sleeves[sleeve_id] if sleeve_id else None
        if self.plan.guide.sleeves.get(site) != sleeve:
            self.apply(f"Sleeve at {site}", edits.set_sleeve, site, sleeve)

    def set_drill_list(self, list_id: str) -> None:
        """Choose the list of drills."""
        drills = self.parts.catalogue.drill_lists[list_id] if list_id else None
        if self.plan.guide.drill_list != drills:
            self.apply("Choose drill list", edits.set_drill_list, drills)


def _read_outcomes(path: Path) -> tuple[OwnData, tuple[Finding, ...]]:
    """Read own outcomes and work out what they change, so that the window finds it ready."""
    data, findings = read_outcomes(path, time.strftime("%Y-%m-%d"))
    derived.update_of(evolve(Plan(), own_data=data))
    return data, findings
