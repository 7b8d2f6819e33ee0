"""Set a mental foramen by one click where the canal opens on the outer side of the jaw."""

from __future__ import annotations

import numpy as np
from attrs import evolve

from app.picks import Pick
from app.tools.points import FLAT_VIEWS
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.anatomy.canal import click_sigma_mm
from planner_core.anatomy.foramen import anterior_loop
from planner_core.anatomy.marked import NO_POINTS, Foramen
from planner_core.anatomy.structures import Side
from planner_core.case import edits


class ClickForamen(Tool):
    """One click; the loop in front of it follows from the canal, if that is marked."""

    def __init__(self, workspace: Workspace, side: Side) -> None:
        super().__init__(workspace)
        self.side = side
        self.title = f"Set the {side.value} mental foramen"
        self.hint = "Click the middle of its opening, in any section. Esc: not now."

    def press(self, pick: Pick) -> bool:
        """Set it here."""
        if pick.where not in FLAT_VIEWS:
            return False
        plan = self.workspace.plan
        assert plan.scan is not None
        point = np.array(pick.point_mm)
        foramen = Foramen(point, click_sigma_mm(plan.scan.volume), NO_POINTS, True)
        canal = plan.canal_of(self.side)
        if canal is not None:
            foramen = evolve(foramen, loop=anterior_loop(canal, foramen, plan.arch))
        self.workspace.apply(f"Set {self.side.value} mental foramen", edits.mark_foramen, self.side, foramen)
        self.on_end()
        return True

    def hover(self, pick: Pick) -> str:
        """Show a cross."""
        return "point" if pick.where in FLAT_VIEWS else ""
