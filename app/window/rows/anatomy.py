"""Commands of arch, canals and bone."""

from __future__ import annotations

from app.commands import Command
from app.plan_actions import PlanActions
from app.workspace import Workspace
from planner_core.anatomy.structures import Jaw, Side


def rows(workspace: Workspace, plan: PlanActions) -> list[Command]:
    """Give the commands of the anatomy."""

    def has_scan() -> bool:
        return workspace.plan.scan is not None

    def lower() -> bool:
        return has_scan() and workspace.plan.jaw is Jaw.LOWER

    return [
        Command("anatomy.arch", "Draw the arch", "Plan", plan.anatomy.draw_arch, is_enabled=has_scan),
        Command(
            "anatomy.canal_right",
            "Mark the right canal",
            "Plan",
            lambda: plan.anatomy.mark_canal(Side.RIGHT),
            is_enabled=lower,
        ),
        Command(
            "anatomy.canal_left",
            "Mark the left canal",
            "Plan",
            lambda: plan.anatomy.mark_canal(Side.LEFT),
            is_enabled=lower,
        ),
        Command("anatomy.bone", "Draw the bone surface", "Plan", plan.anatomy.make_bone, is_enabled=has_scan),
    ]
