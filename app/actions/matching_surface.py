"""The surface road and its combination with markers: start by itself or by three clicks, regions painted."""

from __future__ import annotations

from collections.abc import Sequence

from app.actions.matching_base import RoadActions
from app.actions.matching_markers import found_sets, matched_again
from app.tools.paint_region import PaintRegion
from app.tools.three_clicks import ThreeClicks
from planner_core.case import edits
from planner_core.case.derived.match_inputs import jaw_up, levels_of, sites_of
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan, SurfaceInput
from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.combine import combine_matches
from planner_core.registration.fiducials import match_points
from planner_core.registration.kept import PATIENT_FRAME
from planner_core.registration.marker_sets import MarkerSets
from planner_core.registration.match import Match, PointPair
from planner_core.registration.surface_match import match_surface


def surface_match(
    plan: Plan, chosen: SurfaceInput, start: RigidTransform | None = None, progress: Progress = silent
) -> Match:
    """Match by the surface, within what is painted."""
    assert plan.scan is not None
    check, region = known_scan_check(plan), plan.regions.get(chosen.surface_id)
    found = match_surface(
        plan.scan.volume,
        chosen.surface,
        start=start,
        jaw_up=jaw_up(plan),
        sites_lps_mm=sites_of(plan),
        region=None if region is None else region.usable,
        degradation=None if check is None else check.level_at,
        levels=levels_of(plan),
        progress=progress,
    )
    return found.match


def combined_match(plan: Plan, chosen: SurfaceInput, progress: Progress = silent) -> tuple[Match, MarkerSets]:
    """Match by markers, by the surface from there, and give both in one weighted estimate."""
    there = plan.markers.get(PATIENT_FRAME) and plan.markers.get(chosen.surface.frame)
    ahead = part_of(progress, 0.0, 0.4)
    sets = matched_again(plan, chosen, ahead) if there else found_sets(plan, chosen, ahead)
    if sets.found is None:
        raise PlannerError(sets.refusal or "The markers give no match.", "Click the markers, or match by surface.")
    if sets.ways:
        raise PlannerError("The markers fit in several ways.", "Choose the way on the road by markers first.")
    by_markers = sets.found.match
    by_surface = surface_match(plan, chosen, by_markers.lps_from_surface, part_of(progress, 0.4, 1.0))
    return combine_matches(by_markers, by_surface, sites_of(plan)), sets


class SurfaceActions(RoadActions):
    """The surface scan laid onto the scan's own edges."""

    def match(self) -> None:
        """Match by the surface; the rough start is searched for."""
        chosen = self._ready()
        self._start(
            "Matching by surface", surface_match, self.plan, chosen, key="match",
            take=lambda match: self._take("Match by surface", chosen, match),
        )  # fmt: skip

    def start_by_clicks(self) -> None:
        """Take the tool in hand that gives the rough start by three clicks in both scans."""
        self._ready()
        self.toolbox.take(ThreeClicks(self.workspace, self._match_from))

    def _match_from(self, pairs: Sequence[PointPair]) -> None:
        chosen = self._ready()
        start = match_points(tuple(pairs), chosen.surface.frame).lps_from_surface
        self._start(
            "Matching by surface", surface_match, self.plan, chosen, start, key="match",
            take=lambda match: self._take("Match by surface from three clicks", chosen, match),
        )  # fmt: skip

    def combine(self) -> None:
        """Match by markers and surface together."""
        chosen = self._ready()

        def take(found: tuple[Match, MarkerSets]) -> None:
            match, sets = found

            def both(plan: Plan) -> Plan:
                plan = edits.set_markers(plan, PATIENT_FRAME, sets.fixed)
                plan = edits.set_markers(plan, chosen.surface.frame, sets.moving)
                return edits.adopt_match(plan, match, chosen.surface_id)

            self.apply("Match by markers and surface", both)

        self._start("Matching by markers and surface", combined_match, self.plan, chosen, key="match", take=take)

    def paint(self, inside: bool) -> None:
        """Take the brush in hand: paint in what may carry the match, or out what may not."""
        self.toolbox.take(PaintRegion(self.workspace, self.teeth().surface_id, inside))

    def clear_paint(self) -> None:
        """Let the whole surface carry the match again."""
        chosen = self.teeth()
        if chosen.surface_id in self.plan.regions:
            self.apply("Clear the painted region", edits.paint_region, chosen.surface_id, None)

    def _ready(self) -> SurfaceInput:
        if self.plan.scan is None:
            raise PlannerError("There is no scan to match to.", "Open a scan first.")
        return self.teeth()

    def _take(self, label: str, chosen: SurfaceInput, match: Match) -> None:
        self.apply(label, edits.adopt_match, match, chosen.surface_id)
