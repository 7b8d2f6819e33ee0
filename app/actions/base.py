"""What the actions of every question share."""

from __future__ import annotations

from typing import Any

from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.case.plan import Plan


class Actions:
    """Edits and tools of one question, at the user's word."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox) -> None:
        self.workspace = workspace
        self.toolbox = toolbox

    def apply(self, label: str, edit: Any, *args: Any, **kwargs: Any) -> None:
        """Make one step; a gesture in progress is put away first."""
        self.toolbox.stop()
        self.workspace.apply(label, edit, *args, **kwargs)

    @property
    def plan(self) -> Plan:
        """The plan."""
        return self.workspace.plan
