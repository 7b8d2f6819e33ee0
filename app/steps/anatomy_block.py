"""What every block of the Anatomy panel is: widgets under one question, and how they are brought up to date."""

from __future__ import annotations

from typing import Any

from app.steps.fold import Fold
from app.steps.panel import StepPanel
from app.workspace import Workspace
from planner_core.case.plan import Plan


class Block:
    """Widgets under one question: `refresh` after plan or numbers changed, `look` when another place is seen."""

    question = ""
    is_open = True

    def __init__(self, panel: StepPanel) -> None:
        self.panel = panel
        self.actions = panel.actions_
        self.fold = Fold(self.question, type(self).__name__.lower(), self.is_open, strong=True)
        self.build()

    @property
    def workspace(self) -> Workspace:
        """The workspace."""
        return self.panel.workspace

    @property
    def plan(self) -> Plan:
        """The plan."""
        return self.workspace.plan

    def guarded(self, work: Any, *args: Any) -> None:
        """Run what a button asks for; failures are worded by the messages."""
        self.panel.guarded(work, *args)

    def build(self) -> None:
        """Make the widgets."""

    def refresh(self) -> None:
        """Bring them up to date."""

    def look(self) -> None:
        """Another place is looked at."""
