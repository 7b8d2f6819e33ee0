"""Draw the arch curve by clicks in the axial view, or drag its points."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF

from app.picks import Pick
from app.sections import marks
from app.tools.tool import Tool
from app.view_state import ViewKind
from app.workspace import Workspace
from planner_core.anatomy.structures import ArchCurve
from planner_core.case import edits
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray

LEAST_POINTS = 3


class DrawArch(Tool):
    """Clicks along the ridge, in any order; they are joined from the patient's right to the left."""

    title = "Draw the arch"

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        arch = workspace.plan.arch
        self.points: list[FloatArray] = [] if arch is None else list(arch.control_lps_mm)
        self._held = -1
        self._say()

    def _say(self) -> None:
        left = LEAST_POINTS - len(self.points)
        if left > 0:
            self.hint = (
                f"Click along the middle of the ridge in the axial view: {left} more at least. Esc: not now."
            )
        else:
            self.hint = (
                "Click for more points or drag them. Enter: keep the arch. Backspace: last point off. Esc: not now."
            )

    def press(self, pick: Pick) -> bool:
        """Take the point under the pointer, or set a new one."""
        if pick.where != ViewKind.AXIAL.value:
            return False
        for k, point in enumerate(self.points):
            if float(np.linalg.norm(_flat(pick, point) - _flat(pick, pick.point_mm))) <= pick.reach_mm * 1.5:
                self._held = k
                return True
        self.points.append(np.array(pick.point_mm))
        self._held = len(self.points) - 1
        self._say()
        self.on_change()
        if pick.double and len(self.points) > LEAST_POINTS:
            self.points.pop()
            self.finish()
            self.on_end()
        return True

    def drag(self, pick: Pick) -> None:
        """Move the held point."""
        if 0 <= self._held < len(self.points):
            held = self.points[self._held]
            normal = np.zeros(3) if pick.section is None else pick.section.normal_lps
            shift = pick.point_mm - held
            self.points[self._held] = held + shift - normal * float(shift @ normal)
            self.on_change()

    def release(self, pick: Pick) -> None:
        """Let the point go."""
        self._held = -1

    def hover(self, pick: Pick) -> str:
        """Show a cross in the axial view."""
        return "point" if pick.where == ViewKind.AXIAL.value else ""

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
        if curve is not None:
            marks.paint_curve(work, curve.curve_lps_mm, work.theme.arch, dashed=True, width=1.6)
        if self.points:
            marks.paint_handles(work, np.array(self.points), work.theme.arch)

    def back(self) -> None:
        """Take the last point off."""
        if self.points:
            self.points.pop()
            self._say()
            self.on_change()

    def finish(self) -> None:
        """Keep the arch."""
        curve = self.curve()
        if curve is None:
            raise PlannerError(
                f"The arch needs at least {LEAST_POINTS} points, not {len(self.points)}.", "Click along the ridge."
            )
        self.workspace.apply("Draw arch", edits.set_arch, curve)
        middle = curve.point_at(0.0)
        self.workspace.view.go_to(middle, 0.0)


def _flat(pick: Pick, point: FloatArray) -> FloatArray:
    normal = np.zeros(3) if pick.section is None else pick.section.normal_lps
    return np.asarray(point - normal * float(point @ normal))


def screen_points(strip: Any, points: list[FloatArray]) -> list[QPointF]:
    """Give where points of space stand on the strip's screen."""
    if not points:
        return []
    xy, _ = strip._place("tool", points, np.array(points))
    return [QPointF(x, y) for x, y in xy.tolist()]
