"""Draw what the scan shows and no tool finds: a tube by clicks, a wall by outlines in two or more sections."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF
from PySide6.QtGui import QPolygonF

from app.picks import Pick
from app.sections import marks
from app.sections.anatomy_paint import DRAWN
from app.tools.points import FLAT_VIEWS, PointTool, paint_course_in_strip
from app.workspace import Workspace
from planner_core.anatomy.canal_trace import trace_canal
from planner_core.anatomy.drawing import structure_from_outlines, tube_from_clicks, tube_of_canal
from planner_core.anatomy.marked import DrawnKind, DrawnStructure
from planner_core.anatomy.structures import Side
from planner_core.case import derived, edits
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume


class _Structure(PointTool):
    """What both ways of drawing share."""

    def __init__(self, workspace: Workspace, kind: DrawnKind, name: str) -> None:
        super().__init__(workspace)
        self.kind, self.name = kind, name
        self.title = f"Draw: {name}"
        self.say()

    @property
    def colour(self) -> str:
        """Colour of the points."""
        return self.workspace.theme.canal if self.kind is DrawnKind.INCISIVE_CANAL else DRAWN

    @property
    def volume(self) -> Volume:
        """The scan that is drawn in."""
        scan = self.workspace.plan.scan
        assert scan is not None
        return scan.volume

    def keep(self, structure: DrawnStructure) -> None:
        """Make it one step."""
        self.workspace.apply(f"Draw {structure.name}", edits.draw_structure, structure)

    def job(self, title: str, work: Any, *args: Any, take: Any, **kwargs: Any) -> None:
        """Do the work as a job on the scan that is open."""
        workspace, volume = self.workspace, self.volume

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is volume

        job = workspace.jobs.start(title, work, *args, key=f"draw {self.name}", is_wanted=wanted, **kwargs)
        job.succeeded.connect(lambda value: workspace.when_free(lambda: take(value)))
        job.failed.connect(workspace.messages.report)


class DrawTube(_Structure):
    """Two clicks or more along its course; an incisive canal is followed between them."""

    views = FLAT_VIEWS | {"strip"}

    def __init__(self, workspace: Workspace, kind: DrawnKind, name: str, diameter_mm: float) -> None:
        self.diameter_mm = diameter_mm
        super().__init__(workspace, kind, name)

    def say(self) -> None:
        """Bring the hint up to date."""
        if self.kind is DrawnKind.EXISTING_FIXTURE:
            where = "Click the middle of its platform, then of its apex. Enter: keep. Esc: not now."
        elif len(self.points) < 2:
            where = f"Click along its course in the sections: {2 - len(self.points)} more at least. Esc: not now."
        else:
            where = f"{len(self.points)} points. Enter: keep. Backspace: last off. Esc: not now."
        self.hint = where

    def paint_strip(self, painter: Any, strip: Any) -> None:
        """Paint the clicks and the line that joins them."""
        if len(self.points) >= 2:
            paint_course_in_strip(painter, strip, np.array(self.points), self.colour)
        super().paint_strip(painter, strip)

    def finish(self) -> None:
        """Keep the tube."""
        if len(self.points) < self.least:
            raise PlannerError(f"{self.name!r} needs two points at least.", "Click another point on it.")
        clicks = np.array(self.points)
        if self.kind is not DrawnKind.INCISIVE_CANAL:
            self.keep(tube_from_clicks(self.name, self.kind, clicks, self.volume, self.diameter_mm))
            return
        check = derived.known_scan_check(self.workspace.plan)
        self.job(
            f"Following the {self.name}",
            trace_canal,
            self.volume,
            Side.LEFT,
            clicks,
            levels=None if check is None else check.grey,
            degradation=check,
            take=lambda canal: self.keep(tube_of_canal(self.name, self.kind, canal)),
        )


class DrawOutlines(_Structure):
    """Outlines in two sections or more; a double click closes one, Enter keeps the wall through all."""

    least = 3

    def __init__(self, workspace: Workspace, kind: DrawnKind, name: str) -> None:
        self.outlines: list[FloatArray] = []
        self._where = ""
        super().__init__(workspace, kind, name)

    def say(self) -> None:
        """Bring the hint up to date."""
        done = len(self.outlines)
        if self.points:
            self.hint = (
                "Click round it; a double click closes the outline. Backspace: last point off. Esc: not now."
            )
        elif done < 2:
            self.hint = (
                f"{done} outlines. Click round it in {'a' if not done else 'another'} section; "
                "wheel: next section. Two at least. Esc: not now."
            )
        else:
            self.hint = f"{done} outlines. Enter: keep the wall through them, or outline it in one more section."

    def press(self, pick: Pick) -> bool:
        """Set a point of the outline; a double click closes it."""
        if pick.where not in FLAT_VIEWS:
            return False
        if pick.double:
            self.close_outline()
            return True
        if self.points and pick.where != self._where:
            raise PlannerError("The outline belongs to another view.", "Close it with a double click first.")
        self._where = pick.where
        return super().press(pick)

    def close_outline(self) -> None:
        """Take the points so far as one outline."""
        if len(self.points) < self.least:
            raise PlannerError(
                f"An outline needs three points, not {len(self.points)}.", "Click more points round it."
            )
        self.outlines.append(np.array(self.points))
        self.points = []
        self.say()
        self.on_change()

    def back(self) -> None:
        """Take the last point off, or open the last outline again."""
        if not self.points and self.outlines:
            self.points = list(self.outlines.pop())
            self.say()
            self.on_change()
        else:
            super().back()

    def finish(self) -> None:
        """Keep the wall."""
        if len(self.points) >= self.least:
            self.close_outline()
        if len(self.outlines) < 2:
            raise PlannerError(
                f"A wall needs outlines in two sections, not {len(self.outlines)}.",
                "Go some sections on with the wheel and outline it there too.",
            )
        self.job(
            f"Drawing {self.name}",
            structure_from_outlines,
            self.name,
            self.kind,
            tuple(self.outlines),
            self.volume,
            take=self.keep,
        )

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the outlines: the one in progress, and those kept so far where they lie near the plane."""
        work.painter.setPen(marks.pen(self.colour, 1.4))
        for outline in (*self.outlines, np.array(self.points).reshape(-1, 3)):
            if not len(outline):
                continue
            xy, depth = work.place(outline)
            if float(np.abs(depth).max()) < marks.NEAR_PLANE_MM:
                spots = QPolygonF([QPointF(x, y) for x, y in xy.tolist()])
                if outline is self.points or len(outline) == len(self.points):
                    work.painter.drawPolyline(spots)
                else:
                    work.painter.drawPolygon(spots)
        if self.points:
            marks.paint_handles(work, np.array(self.points), self.colour)
