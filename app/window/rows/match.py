"""Commands of the match."""

from __future__ import annotations

from app.commands import Command
from app.plan_actions import PlanActions
from app.workspace import Workspace


def rows(workspace: Workspace, plan: PlanActions) -> list[Command]:
    """Give the commands of the match."""
    return [
        Command(
            "match.pairs",
            "Match by the named pairs",
            "Plan",
            plan.match.match_by_pairs,
            is_enabled=lambda: len(workspace.plan.pairs) >= 3 and bool(workspace.plan.surfaces),
        ),
    ]
