"""Commands of the scan check."""

from __future__ import annotations

from app.commands import Command
from app.plan_actions import PlanActions
from app.workspace import Workspace


def rows(workspace: Workspace, plan: PlanActions) -> list[Command]:
    """Give the commands of the altered picture."""

    def has_scan() -> bool:
        return workspace.plan.scan is not None

    return [
        Command(
            "view.altered",
            "Swap scan and altered picture",
            "View",
            plan.scan.swap_picture,
            ("X",),
            is_enabled=has_scan,
            is_checked=lambda: workspace.view.picture == "altered",
            separated=True,
        ),
        Command(
            "view.beside",
            "Scan and altered picture side by side",
            "View",
            lambda: plan.scan.show_picture("original" if workspace.view.picture == "beside" else "beside"),
            is_enabled=has_scan,
            is_checked=lambda: workspace.view.picture == "beside",
        ),
    ]
