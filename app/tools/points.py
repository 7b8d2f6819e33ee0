"""What the tools share that work by points: set one by a click, drag it, take the last one back."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPolygonF

from app.picks import Pick
from app.sections import marks
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.geometry.frames import FloatArray

FLAT_VIEWS = frozenset({"across", "along", "axial"})
NEAR_MM = 1.5
"""A point can be dragged in a section that passes within this of it, mm (our choice: where its mark is drawn)."""


class PointTool(Tool):
    """Points in the patient, in the order of the clicks.

    A subclass says what they make (`finish`), from how many on (`least`), and what to read meanwhile (`say`).
    """

    views = FLAT_VIEWS
    least = 2
    word = "point"

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self.points: list[FloatArray] = []
        self._held = -1
        self._moved = False

    @property
    def colour(self) -> str:
        """Colour of the points."""
        return self.workspace.theme.mark

    def say(self) -> None:
        """Bring the hint up to date."""

    def added(self) -> None:
        """A point was set."""

    def dragged(self) -> None:
        """A point was let go somewhere else."""

    # ------------------------------------------------------------ gestures

    def press(self, pick: Pick) -> bool:
        """Take the point under the pointer, or set a new one; a double click ends."""
        if pick.where not in self.views or pick.frame_name != "lps":
            return False
        if pick.double and len(self.points) >= self.least:
            self.finish()
            self.on_end()
            return True
        self._held, self._moved = self._near(pick), False
        if self._held < 0:
            self.points.append(np.array(pick.point_mm))
            self.say()
            self.on_change()
            self.added()
        return True

    def drag(self, pick: Pick) -> None:
        """Move the held point in the plane that is shown."""
        if not 0 <= self._held < len(self.points):
            return
        held = self.points[self._held]
        self.points[self._held] = held + self._shift(pick, held)
        self._moved = True
        self.on_redraw()

    def release(self, pick: Pick) -> None:
        """Let the point go."""
        held, self._held = self._held, -1
        if held >= 0 and self._moved:
            self.say()
            self.on_change()
            self.dragged()

    def hover(self, pick: Pick) -> str:
        """Show what a press would do."""
        if pick.where not in self.views or pick.frame_name != "lps":
            return ""
        return "move" if self._near(pick) >= 0 else "point"

    def back(self) -> None:
        """Take the last point off."""
        if self.points:
            self.points.pop()
            self.say()
            self.on_change()

    def _near(self, pick: Pick) -> int:
        found = [(self._distance(pick, point), k) for k, point in enumerate(self.points)]
        near = [pair for pair in found if pair[0] <= pick.reach_mm]
        return min(near)[1] if near else -1

    def _distance(self, pick: Pick, point: FloatArray) -> float:
        arch = self.workspace.plan.arch
        if pick.section is not None:
            off = point - pick.point_mm
            depth = float(off @ pick.section.normal_lps)
            across = float(np.linalg.norm(off - depth * pick.section.normal_lps))
            return across if abs(depth) <= NEAR_MM or (pick.where == "axial" and self.sees_all) else float("inf")
        if arch is None:
            return float(np.linalg.norm(point - pick.point_mm))
        along = arch.station_of(point) - arch.station_of(pick.point_mm)
        return float(np.hypot(along, float((point - pick.point_mm) @ arch.up_lps)))

    sees_all = False
    """Whether the axial view shows the points however far from its plane they lie."""

    def _shift(self, pick: Pick, held: FloatArray) -> FloatArray:
        """Give the way to where the pointer is, at the depth that the point has already."""
        arch = self.workspace.plan.arch
        if pick.section is not None:
            shift = pick.point_mm - held
            return np.asarray(shift - pick.section.normal_lps * float(shift @ pick.section.normal_lps))
        if arch is None:
            return np.asarray(pick.point_mm - held)
        before, after = arch.station_of(held), arch.station_of(pick.point_mm)
        outward = float((held - arch.point_at(before)) @ arch.outward_at(before))
        return np.asarray(pick.point_mm + outward * arch.outward_at(after) - held)

    # ------------------------------------------------------------ painting

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the points near the plane."""
        for k, point in enumerate(self.points, start=1):
            marks.paint_pair(work, point, f"{self.word} {k}".strip(), self.colour)

    def paint_strip(self, painter: Any, strip: Any) -> None:
        """Paint the points over the strip, if it is one of the views."""
        if not self.points or "strip" not in self.views:
            return
        xy, _ = strip.place("tool", object(), np.array(self.points))
        painter.setPen(marks.pen(self.workspace.theme.picture, 1.0))
        painter.setBrush(QColor(self.colour))
        for x, y in xy.tolist():
            painter.drawRect(QRectF(x - 3.5, y - 3.5, 7, 7))
        painter.setBrush(Qt.BrushStyle.NoBrush)


def paint_course_in_strip(painter: Any, strip: Any, course: FloatArray, colour: str) -> None:
    """Paint a course that is not kept yet over the strip: dashed."""
    xy, _ = strip.place("tool course", object(), course)
    painter.setPen(marks.pen(colour, 1.6, Qt.PenStyle.DashLine))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPolyline(QPolygonF([QPointF(x, y) for x, y in xy.tolist()]))
