"""Draw the arch curve by clicks in the axial view, or drag its points; the strip follows at once."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.picks import Pick
from app.sections import marks
from app.tools.points import PointTool
from app.view_state import ViewKind
from app.workspace import Workspace
from planner_core.anatomy.structures import ArchCurve
from planner_core.case import edits
from planner_core.case.session import Step
from planner_core.errors import PlannerError

LEAST_POINTS = 3


class DrawArch(PointTool):
    """Clicks along the ridge, in any order; they are joined from the patient's right to the left.

    A new arch is one step, kept with Enter. Changing one that is there, every drag is a step of its own.
    """

    views = frozenset({ViewKind.AXIAL.value})
    least = LEAST_POINTS
    sees_all = True

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        arch = workspace.plan.arch
        self.points = [] if arch is None else list(arch.control_lps_mm)
        self._is_new = arch is None
        self.keeps_at_once = not self._is_new
        self._step: Step | None = None
        self.title = "Draw the arch" if self._is_new else "Change the arch"
        self.say()

    def say(self) -> None:
        """Bring the hint up to date."""
        left = LEAST_POINTS - len(self.points)
        if left > 0:
            self.hint = (
                f"Click along the middle of the ridge in the axial view: {left} more at least. Esc: not now."
            )
        elif self._is_new:
            self.hint = (
                "Click for more points or drag them. Enter: keep the arch. Backspace: last point off. Esc: not now."
            )
        else:
            self.hint = "Drag a point in the axial view; click beside one for another. Ctrl+Z: back. Enter: done."

    def press(self, pick: Pick) -> bool:
        """Take the point under the pointer, or set a new one."""
        if pick.double:
            if pick.where in self.views and len(self.points) >= LEAST_POINTS:
                self.finish()
                self.on_end()
                return True
            return pick.where in self.views
        self._take_over()
        if not super().press(pick):
            return False
        if self._held < 0:
            self._held = len(self.points) - 1
        if not self._is_new:
            self._step = self.workspace.session.begin("Change arch")
            self._show()
        return True

    def _take_over(self) -> None:
        """Start from the arch as it is now: undo may have changed it."""
        arch = self.workspace.plan.arch
        if not self._is_new and arch is not None and len(self.points) >= LEAST_POINTS:
            self.points = list(arch.control_lps_mm)

    def drag(self, pick: Pick) -> None:
        """Move the held point; the strip and the sections follow."""
        super().drag(pick)
        self._show()

    def _show(self) -> None:
        curve = self.curve()
        if self._step is not None and curve is not None:
            self._step.show(edits.set_arch(self._step.start, curve))

    def release(self, pick: Pick) -> None:
        """Let the point go; a change is one step."""
        super().release(pick)
        step, self._step = self._step, None
        if step is not None and step.is_open:
            step.commit()

    def revert(self) -> None:
        """Leave the arch as it was before the drag in progress."""
        step, self._step = self._step, None
        if step is not None and step.is_open:
            step.revert()

    def curve(self) -> ArchCurve | None:
        """Give the arch through the points so far; None with too few."""
        if len(self.points) < LEAST_POINTS:
            return None
        # From the patient's right to the left: x grows to the left, and along a jaw it does so all the way.
        ordered = sorted(self.points, key=lambda point: float(point[0]))
        before = self.workspace.plan.arch
        try:
            if before is None:
                return ArchCurve(self.workspace.plan.jaw, np.array(ordered))
            return ArchCurve(self.workspace.plan.jaw, np.array(ordered), before.up_lps, before.midline_lps_mm)
        except PlannerError:
            return None

    def paint(self, work: Any, kind: Any) -> None:
        """Paint points and curve."""
        if kind is not ViewKind.AXIAL:
            return
        curve = self.curve()
        if curve is not None and self._is_new:
            marks.paint_curve(work, curve.curve_lps_mm, work.theme.arch, dashed=True, width=1.6)
        points = self.points
        arch = self.workspace.plan.arch
        if not self._is_new and arch is not None and self._held < 0:
            points = list(arch.control_lps_mm)
        if points:
            marks.paint_handles(work, np.array(points), work.theme.arch)

    def back(self) -> None:
        """Take the last point off a new arch."""
        if self._is_new:
            super().back()

    def finish(self) -> None:
        """Keep a new arch; changes of an old one are kept already."""
        if not self._is_new:
            self.revert()
            return
        curve = self.curve()
        if curve is None:
            raise PlannerError(
                f"The arch needs at least {LEAST_POINTS} points, not {len(self.points)}.", "Click along the ridge."
            )
        self.workspace.apply("Draw arch", edits.set_arch, curve)
        middle = curve.point_at(0.0)
        self.workspace.view.go_to(middle, 0.0)
