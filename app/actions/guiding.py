"""The guide, its limits and what was examined at the chair."""

from __future__ import annotations

from typing import Any

from attrs import evolve

from app.actions.base import Actions
from app.actions.parts import Parts
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.case import derived, edits
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT


class GuideActions(Actions):
    """The guide, its limits and what was examined at the chair."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox, parts: Parts) -> None:
        super().__init__(workspace, toolbox)
        self.parts = parts

    def compare_guides(self) -> None:
        """Work out every kind of guide against the limits, as a job."""
        plan, workspace = self.plan, self.workspace
        job = workspace.jobs.start(
            "Comparing the guides",
            derived.choice_of,
            plan,
            key="choice",
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
