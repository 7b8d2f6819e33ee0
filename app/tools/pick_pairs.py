"""Name the same spot in the surface scan (3D view) and in the volume (sections): one pair after the other."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.picks import Pick
from app.sections import marks
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.geometry.frames import FloatArray
from planner_core.registration.match import PointPair


class PickPairs(Tool):
    """Click a spot on the surface scan and the same spot in a section, in either order."""

    title = "Name pairs of points"

    def __init__(self, workspace: Workspace, localisation_mm: float) -> None:
        super().__init__(workspace)
        self.localisation_mm = localisation_mm
        self.surface_mm: FloatArray | None = None
        self.lps_mm: FloatArray | None = None
        self._say()

    def _say(self) -> None:
        if self.surface_mm is None and self.lps_mm is None:
            self.hint = (
                "Click a spot on the surface scan in the 3D view, then the same spot in a section. Esc: done."
            )
        elif self.lps_mm is None:
            self.hint = "Now the same spot in the scan: click it in a section. Backspace: not this one."
        else:
            self.hint = "Now the same spot on the surface scan: click it in the 3D view. Backspace: not this one."

    def press(self, pick: Pick) -> bool:
        """Take one half of a pair; with both, it is a pair."""
        if pick.where == "strip":
            return False
        if pick.where == "scene":
            if pick.frame_name == "lps":
                return False
            self.surface_mm = np.array(pick.point_mm)
        else:
            self.lps_mm = np.array(pick.point_mm)
        if self.surface_mm is not None and self.lps_mm is not None:
            pair = PointPair(self._free_name(), self.surface_mm, self.lps_mm, self.localisation_mm)
            self.surface_mm = self.lps_mm = None
            self.workspace.apply(f"Add pair {pair.name}", edits.add_pair, pair)
        self._say()
        self.on_change()
        return True

    def _free_name(self) -> str:
        taken = {pair.name for pair in self.workspace.plan.pairs}
        return next(name for name in (f"P{k}" for k in range(1, 1000)) if name not in taken)

    def hover(self, pick: Pick) -> str:
        """Show a cross where a click counts."""
        return "" if pick.where == "strip" else "point"

    def back(self) -> None:
        """Drop the half that was clicked."""
        self.surface_mm = self.lps_mm = None
        self._say()
        self.on_change()

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the half that waits for its other one."""
        if self.lps_mm is not None:
            marks.paint_pair(work, self.lps_mm, "new", work.theme.pair, hollow=True)
