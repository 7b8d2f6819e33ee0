"""Move or lean the plane of a planned bone reduction in an upright section; widths and heights follow."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve

from app.picks import Pick
from app.sections import marks
from app.tools.tool import StepTool
from app.workspace import Workspace
from planner_core.anatomy.marked import BoneCut
from planner_core.case import edits
from planner_core.geometry.frames import FloatArray, rotation_about, unit


class PlaceCut(StepTool):
    """Drag the line to move the plane along its normal; with Shift to lean it about its middle."""

    title = "Place the bone reduction"
    hint = "Drag the line in an upright section to move it; with Shift, to lean it. Ctrl+Z: back. Enter: done."
    views = frozenset({"across", "along"})
    keeps_at_once = True

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self._start: BoneCut | None = None
        self._from: FloatArray = np.zeros(3)
        self._leans = False

    def press(self, pick: Pick) -> bool:
        """Take the line in hand."""
        cut = self.workspace.plan.bone_cut
        if pick.where not in self.views or cut is None or not self._is_near(pick, cut):
            return False
        self._start, self._from, self._leans = cut, np.array(pick.point_mm), pick.turning
        self._step = self.workspace.session.begin("Lean bone reduction" if self._leans else "Move bone reduction")
        return True

    def drag(self, pick: Pick) -> None:
        """Show the plane where the pointer takes it."""
        if self._step is None or self._start is None or pick.section is None:
            return
        cut = self._leaned(pick) if self._leans else self._shifted(pick)
        self._step.show(edits.plan_bone_cut(self._step.start, cut))

    def _shifted(self, pick: Pick) -> BoneCut:
        assert self._start is not None
        by = float((pick.point_mm - self._from) @ self._start.normal_lps)
        return evolve(self._start, point_lps_mm=self._start.point_lps_mm + by * self._start.normal_lps)

    def _leaned(self, pick: Pick) -> BoneCut:
        """Turn the plane about its own middle, round the section's normal."""
        assert self._start is not None
        assert pick.section is not None
        axis, pivot = pick.section.normal_lps, self._start.point_lps_mm
        before, after = (
            (end - pivot) - axis * float((end - pivot) @ axis) for end in (self._from, np.array(pick.point_mm))
        )
        angle = float(np.arctan2(float(np.cross(before, after) @ axis), float(before @ after)))
        return BoneCut(pivot, unit(rotation_about(axis, angle) @ self._start.normal_lps))

    def release(self, pick: Pick) -> None:
        """Make it one step, unless it was ended from elsewhere."""
        if self._step is not None and not self._step.is_open:
            self._step = None
        super().release(pick)

    def hover(self, pick: Pick) -> str:
        """Show what a press would do."""
        cut = self.workspace.plan.bone_cut
        if pick.where not in self.views or cut is None or not self._is_near(pick, cut):
            return ""
        return "turn" if pick.turning else "move"

    def _is_near(self, pick: Pick, cut: BoneCut) -> bool:
        return abs(float((pick.point_mm - cut.point_lps_mm) @ cut.normal_lps)) <= pick.reach_mm

    def paint(self, work: Any, kind: Any) -> None:
        """Mark the middle that it leans about."""
        cut = self.workspace.plan.bone_cut
        if cut is not None and kind.value in self.views:
            marks.paint_pair(work, cut.point_lps_mm, "", work.theme.mark)
