"""The full arch: abutments for a common path, the cut of the bone, the lip line."""

from __future__ import annotations

from collections.abc import Callable

from attrs import frozen

from app.actions.base import Actions
from app.actions.parts import Parts
from app.tools.draw_lip import DrawLip
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.anatomy.marked import BoneCut
from planner_core.case import derived, edits
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.planning.abutments import correct
from planner_core.planning.arch_design import ArchDesign
from planner_core.planning.bone_taken import Reduction, Remaining, reduce_bone, remaining
from planner_core.planning.full_arch import common_path
from planner_core.progress import Progress, silent

BEYOND_MM = 5.0
"""Bone is levelled this far beyond the last planned tooth or fixture, mm (our choice: half a tooth)."""


@frozen(eq=False)
class Taken:
    """What a planned cut takes off and leaves."""

    reduction: Reduction
    remaining: tuple[Remaining, ...]


def measured_cut(plan: Plan, progress: Progress = silent) -> Taken:
    """Measure the planned cut of a plan; takes a second or two."""
    bone = derived.bone_with_sockets(plan)
    if bone is None or plan.bone_cut is None or plan.arch is None:
        raise PlannerError("There is no cut to measure.", "Draw arch and bone, then plan the cut.")
    cut = plan.bone_cut
    found = reduce_bone(
        bone.surface,
        plan.arch,
        cut.point_lps_mm,
        cut.normal_lps,
        between_mm=_prosthesis_range(plan),
        progress=progress,
    )
    return Taken(found, remaining(found, plan.arch, plan.canals.values(), plan.cavities.values()))


def _prosthesis_range(plan: Plan) -> tuple[float, float] | None:
    """Give the stations that the prosthesis spans; None where nothing is planned yet."""
    assert plan.arch is not None
    places = [crown.cervical_lps_mm for crown in plan.crowns.values()]
    places += [fixture.pose.platform_lps_mm for fixture in plan.fixtures.values()]
    if not places:
        return None
    stations = [plan.arch.station_of(place) for place in places]
    return min(stations) - BEYOND_MM, max(stations) + BEYOND_MM


class ArchActions(Actions):
    """What concerns all fixtures together."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox, parts: Parts) -> None:
        super().__init__(workspace, toolbox)
        self.parts = parts
        self._taken: tuple[tuple[object, ...], Taken] | None = None
        self._asked: tuple[object, ...] = ()

    def set_design(self, design: ArchDesign) -> None:
        """Say what the arch is planned for."""
        self.apply("Design of the arch", edits.set_design, design)

    def take_abutments(self) -> None:
        """Put on every fixture the abutment that brings it nearest to the common path."""
        fixtures = self.plan.fixtures
        found = correct(fixtures, common_path(fixtures), list(self.parts.catalogue.abutments.values()))

        def put(plan: Plan) -> Plan:
            for correction in found:
                plan = edits.set_abutment(plan, correction.site, correction.chosen)
            return plan

        self.apply("Take abutments for a common path", put)

    def plan_cut(self, away_mm: float) -> None:
        """Plan to take the bone off down to a level this far from the occlusal plane."""
        plane = derived.occlusal_plane_of(self.plan)
        if plane is None or self.plan.arch is None:
            raise PlannerError("There is no arch to level the bone along.", "Draw the arch first.")
        point = plane.point_lps_mm - away_mm * plane.normal_lps
        self.apply(
            f"Plan bone reduction at {away_mm:.1f} mm", edits.plan_bone_cut, BoneCut(point, plane.normal_lps)
        )

    def drop_cut(self) -> None:
        """Take the planned cut back."""
        self.apply("Take the bone reduction back", edits.plan_bone_cut, None)

    def taken_of(self, plan: Plan) -> Taken | None:
        """Give what the planned cut takes off, if it has been measured."""
        key = _cut_inputs(plan)
        if plan.bone_cut is None or self._taken is None:
            return None
        same = all(a is b for a, b in zip(self._taken[0], key, strict=True))
        return self._taken[1] if same else None

    def measure(self, then: Callable[[], None]) -> None:
        """Measure the planned cut, as a job."""
        plan, workspace = self.plan, self.workspace
        key = _cut_inputs(plan)
        if len(self._asked) == len(key) and all(a is b for a, b in zip(self._asked, key, strict=True)):
            return
        self._asked = key
        job = workspace.jobs.start(
            "Measuring the bone to be taken off",
            measured_cut,
            plan,
            key="cut",
            is_wanted=lambda: (
                workspace.is_open and all(a is b for a, b in zip(_cut_inputs(workspace.plan), key, strict=True))
            ),
        )

        def done(taken: Taken) -> None:
            self._taken = (key, taken)
            then()

        job.succeeded.connect(done)
        job.failed.connect(workspace.messages.report)

    def draw_lip(self) -> None:
        """Take the tool for the lip line in hand."""
        if self.plan.scan is None:
            raise PlannerError("There is no scan to draw in.", "Open a scan first.")
        self.workspace.view.select("")
        self.toolbox.take(DrawLip(self.workspace))


def _cut_inputs(plan: Plan) -> tuple[object, ...]:
    return plan.bone, plan.bone_cut, plan.teeth, plan.arch, plan.canals, plan.cavities, plan.crowns
