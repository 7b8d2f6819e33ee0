"""A part of a step panel: shows a piece of the plan and acts on it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from app.steps.parts import Section
from app.workspace import Workspace
from planner_core.case.plan import Plan

if TYPE_CHECKING:
    from app.steps.panel import StepPanel


class OfPanel:
    """What a block of a panel reaches through it; mixed into whatever kind of titled widget the block is."""

    panel: StepPanel

    def build(self) -> None:
        """Make the widgets."""

    def refresh(self) -> None:
        """Bring them up to date."""

    @property
    def workspace(self) -> Workspace:
        """The open case and what goes with it."""
        return self.panel.workspace

    @property
    def plan(self) -> Plan:
        """The plan."""
        return self.panel.workspace.plan

    @property
    def do(self) -> Any:
        """What can be done to the plan."""
        return self.panel.actions_

    def guarded(self, work: Any, *args: Any, **kwargs: Any) -> None:
        """Run what a button asks for; failures are worded by the messages."""
        self.panel.guarded(lambda: work(*args, **kwargs))


class PanelBlock(Section, OfPanel):
    """A titled block."""

    def __init__(self, panel: StepPanel, title: str) -> None:
        super().__init__(title)
        self.panel = panel
        self.build()
