"""Measure a distance, a polyline, an angle or an area in any section; kept in the case."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.picks import Pick
from app.sections.anatomy_paint import paint_measurement
from app.tools.points import FLAT_VIEWS, PointTool
from app.workspace import Workspace
from planner_core.anatomy.measure import NEEDED, MeasureKind, measure
from planner_core.case import edits
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray

CLOSED = {MeasureKind.DISTANCE: 2, MeasureKind.ANGLE: 3}
"""Kinds that are complete with this many points; the others end with a double click or Enter."""


class TakeMeasure(PointTool):
    """Clicks in a section; what is measured is true in the patient, never along a curved picture."""

    word = ""

    def __init__(self, workspace: Workspace, kind: MeasureKind) -> None:
        super().__init__(workspace)
        self.kind = kind
        self.least = NEEDED[kind]
        self.keeps_at_once = kind in CLOSED
        self.title = f"Measure: {kind.value}"
        self._pointer: FloatArray | None = None
        self.say()

    def say(self) -> None:
        """Bring the hint up to date."""
        left = self.least - len(self.points)
        self.hint = (
            {
                MeasureKind.DISTANCE: "Click both ends in a section.",
                MeasureKind.ANGLE: "Click a point on one leg, the corner, and a point on the other leg.",
                MeasureKind.POLYLINE: "Click along the line; a double click or Enter ends it.",
                MeasureKind.AREA: "Click round the area; a double click or Enter closes it.",
            }[self.kind]
            + (f" {left} more." if 0 < left < self.least else "")
            + " Esc: done."
        )

    def press(self, pick: Pick) -> bool:
        """Set a point; a complete measurement is kept at once and the next can begin."""
        if pick.double and self.kind in CLOSED:
            return pick.where in FLAT_VIEWS
        if pick.double and len(self.points) >= self.least:
            self._keep()
            return True
        if pick.double:
            return pick.where in FLAT_VIEWS
        return super().press(pick)

    def added(self) -> None:
        """Keep it as soon as it is complete."""
        if len(self.points) == CLOSED.get(self.kind):
            self._keep()

    def hover(self, pick: Pick) -> str:
        """Follow the pointer with the line that is being measured."""
        shape = super().hover(pick)
        if self.points and pick.section is not None:
            self._pointer = np.array(pick.point_mm)
            self.on_redraw()
        return shape

    def _keep(self) -> None:
        workspace = self.workspace
        scan = workspace.plan.scan
        assert scan is not None
        points, self.points, self._pointer = np.array(self.points), [], None
        found = measure(self.kind, points, scan.volume)
        self.say()
        self.on_change()
        workspace.apply(f"Measure {self.kind.value}", edits.keep_measurement, found)
        workspace.messages.note(f"{self.kind.value.capitalize()}: {found.text}, 95 % of points set by hand.")

    def finish(self) -> None:
        """Keep what is complete; Enter with nothing begun puts the tool away."""
        if not self.points:
            return
        if len(self.points) < self.least:
            raise PlannerError(
                f"A measured {self.kind.value} needs {self.least} points, not {len(self.points)}.", "Click more."
            )
        self._keep()

    def paint(self, work: Any, kind: Any) -> None:
        """Paint what is being measured, with its value so far."""
        points = list(self.points)
        if points and self._pointer is not None:
            points.append(self._pointer)
        if len(points) < 2:
            super().paint(work, kind)
            return
        shown = np.array(points)
        words = ""
        if len(points) >= self.least:
            try:
                words = measure(self.kind, shown, None).text
            except PlannerError:
                words = ""
        paint_measurement(work, self.kind, shown, words or f"{len(self.points)} points")
