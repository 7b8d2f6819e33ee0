"""Mark the canal of one side by two to four clicks, or change it by dragging them; it is followed in the scan."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve, frozen

from app.sections import marks
from app.tools.points import FLAT_VIEWS, PointTool, paint_course_in_strip
from app.workspace import Workspace
from planner_core.anatomy.bone import Degradation
from planner_core.anatomy.canal import canal_from_clicks
from planner_core.anatomy.canal_trace import trace_canal
from planner_core.anatomy.foramen import anterior_loop, mental_foramen
from planner_core.anatomy.marked import Foramen
from planner_core.anatomy.structures import ArchCurve, Canal, Side
from planner_core.case import derived, edits
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.polyline import smooth_through
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.progress import Progress, part_of, silent

PREVIEW_STEP_MM = 0.5


@frozen(eq=False)
class TracedCanal:
    """A canal with the opening in front of it."""

    canal: Canal
    foramen: Foramen | None


def traced_canal(
    volume: Volume,
    side: Side,
    clicks: FloatArray,
    arch: ArchCurve | None,
    levels: GreyLevels | None,
    degradation: Degradation | None,
    progress: Progress = silent,
) -> TracedCanal:
    """Follow a canal and look for its mental foramen and the loop in front of it."""
    canal = trace_canal(volume, side, clicks, part_of(progress, 0.0, 0.8), levels, degradation)
    progress(0.85, "Looking for the mental foramen")
    foramen = mental_foramen(volume, canal, levels)
    if foramen is not None:
        foramen = evolve(foramen, loop=anterior_loop(canal, foramen, arch))
    return TracedCanal(canal, foramen)


def set_canal_with_foramen(plan: Plan, traced: TracedCanal) -> Plan:
    """Keep a canal and its mental foramen in one step."""
    side = traced.canal.side
    plan = edits.set_canal(plan, traced.canal)
    if traced.foramen is not None:
        return edits.mark_foramen(plan, side, traced.foramen)
    return edits.remove_foramen(plan, side) if side.value in plan.foramina else plan


class ClickCanal(PointTool):
    """Two clicks or more along the canal; its course between them is followed, or only joined up.

    With a diameter it is kept as a tube through the clicks; with None it is followed in the scan, as a job that
    starts at the second click, so that its course is seen while more clicks are made. Changing a canal, every drag
    is a step of its own.
    """

    views = FLAT_VIEWS | {"strip"}
    word = "canal point"

    def __init__(self, workspace: Workspace, side: Side, diameter_mm: float | None, change: bool = False) -> None:
        super().__init__(workspace)
        self.side, self.diameter_mm = side, diameter_mm
        self._change = self.keeps_at_once = change
        canal = workspace.plan.canal_of(side)
        if change and canal is not None:
            self.points = list(canal.control_lps_mm)
        self.title = f"{'Change' if change else 'Mark'} the {side.value} canal"
        self._found: TracedCanal | None = None
        self._over = False
        self.say()

    @property
    def colour(self) -> str:
        """Colour of the points."""
        return self.workspace.theme.canal

    def say(self) -> None:
        """Bring the hint up to date."""
        if self._change:
            self.hint = (
                "Drag a point of the canal in a section or the strip, or click for one more: it is followed anew. "
                "Enter: done."
            )
        elif len(self.points) < 2:
            self.hint = (
                f"Click the middle of the canal in a section or the strip: {2 - len(self.points)} more at least."
                " Arrow keys go along the arch. Esc: not now."
            )
        else:
            self.hint = (
                f"{len(self.points)} points. Look at the dashed course: more clicks or a drag correct it. "
                "Enter: keep. Backspace: last off. Esc: not now."
            )

    def added(self) -> None:
        """Follow the canal through the points so far."""
        self._again()

    def dragged(self) -> None:
        """Follow it through where the point is now."""
        self._again()

    def back(self) -> None:
        """Take the last point off."""
        super().back()
        self._again()

    def _again(self) -> None:
        self._found = None
        if len(self.points) < 2:
            return
        if self._change:
            self._then(self._keep)
        elif self.diameter_mm is None:
            self._then(self._show)

    def _show(self, found: TracedCanal) -> None:
        self._found = found
        if not self._over:
            self.on_redraw()

    # ------------------------------------------------------------ painting

    def _preview(self) -> FloatArray | None:
        if self._found is not None:
            return self._found.canal.path_lps_mm
        if len(self.points) < 2 or (self._change and not self._moved):
            return None
        return smooth_through(self._ordered(), PREVIEW_STEP_MM)

    def _ordered(self) -> FloatArray:
        points = np.array(self.points)
        return points[np.argsort(points[:, 1], kind="stable")]

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the clicks near the plane and the course so far."""
        course = self._preview()
        if course is not None and kind.value == "axial":
            marks.paint_curve(work, course, self.colour, dashed=True)
        elif course is not None:
            _paint_crossing(work, course, self.colour)
        super().paint(work, kind)

    def paint_strip(self, painter: Any, strip: Any) -> None:
        """Paint the clicks and the course so far."""
        course = self._preview()
        if course is not None:
            paint_course_in_strip(painter, strip, course[::3], self.colour)
        super().paint_strip(painter, strip)

    # ------------------------------------------------------------ keeping

    def finish(self) -> None:
        """Keep the canal; a changed one is kept already."""
        if len(self.points) < 2:
            raise PlannerError(
                f"A canal needs at least two points, not {len(self.points)}.", "Click another point on it."
            )
        self._over = True
        if self._change:
            return
        if self.diameter_mm is not None:
            volume = self._volume()
            clicks = np.array(self.points)
            self._keep(TracedCanal(canal_from_clicks(self.side, clicks, volume, self.diameter_mm), None))
        elif self._found is not None:
            self._keep(self._found)
        else:
            self._then(self._keep)

    def revert(self) -> None:
        """Leave the canal as it was."""
        self._over = True

    def _volume(self) -> Volume:
        scan = self.workspace.plan.scan
        assert scan is not None
        return scan.volume

    def _then(self, take: Any) -> None:
        """Follow the canal as a job, and do this with it unless the points have changed by then."""
        plan, workspace, volume = self.workspace.plan, self.workspace, self._volume()
        clicks = np.array(self.points)
        if self._change and self.diameter_mm is not None:
            take(TracedCanal(canal_from_clicks(self.side, clicks, volume, self.diameter_mm), None))
            return

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is volume

        check = derived.known_scan_check(plan)
        job = workspace.jobs.start(
            f"Following the {self.side.value} canal",
            traced_canal,
            volume,
            self.side,
            clicks,
            plan.arch,
            None if check is None else check.grey,
            check,
            key=f"canal {self.side.value}",
            is_wanted=wanted,
        )

        def taken(found: TracedCanal) -> None:
            if len(self.points) == len(clicks) and np.array_equal(np.array(self.points), clicks):
                workspace.when_free(lambda: take(found))

        # Functions of their own: Qt would forget a method of a tool that has been put away.
        job.succeeded.connect(taken)
        job.failed.connect(workspace.messages.report)

    def _keep(self, found: TracedCanal) -> None:
        verb = "Change" if self._change else "Mark"
        self._moved = False
        self.workspace.apply(f"{verb} {self.side.value} canal", set_canal_with_foramen, found)
        unseen = 1.0 - float(np.mean(found.canal.certain))
        if unseen > 0.0:
            self.workspace.messages.note(
                f"The {self.side.value} canal is marked; {100 * unseen:.0f} % of its course is joined up, "
                "not seen: it is drawn broken there. Look at it."
            )
        if not self._over:
            self.on_redraw()


def _paint_crossing(work: Any, course: FloatArray, colour: str) -> None:
    """Paint the places near the plane of a course that is not kept yet."""
    xy, depth = work.place(course)
    near = np.flatnonzero(np.abs(depth) < 0.6)
    work.painter.setPen(marks.pen(colour, 1.4))
    for x, y in xy[near].tolist():
        work.painter.drawEllipse(round(x) - 3, round(y) - 3, 6, 6)
