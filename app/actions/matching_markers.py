"""The markers road: found in both scans, gone over by hand, asked about where they fit in several ways."""

from __future__ import annotations

from typing import Any

from attrs import evolve

from app.actions.matching_base import RoadActions
from app.tools.pick_marker import PickMarker
from planner_core.case import edits
from planner_core.case.derived.match_inputs import levels_of, marker_candidates, sites_of
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan, SurfaceInput
from planner_core.errors import PlannerError
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.kept import PATIENT_FRAME, KeptMarker
from planner_core.registration.marker_sets import MarkerSets, find_sets, match_sets, match_way
from planner_core.registration.match import Match

NOT_CONFIRMED = "Not confirmed: the markers fit in several ways. Look at the outline in the sections, then confirm."


def found_sets(plan: Plan, chosen: SurfaceInput, progress: Progress = silent) -> MarkerSets:
    """Find the markers of scan and surface scan and match by them."""
    assert plan.scan is not None
    check = known_scan_check(plan)
    return find_sets(
        plan.scan.volume,
        chosen.surface,
        frame=chosen.surface.frame,
        levels=levels_of(plan),
        degradation=None if check is None else check.level_at,
        sites_lps_mm=sites_of(plan),
        candidates=marker_candidates(plan, part_of(progress, 0.0, 0.7)),
        progress=part_of(progress, 0.7, 1.0),
    )


def matched_again(plan: Plan, chosen: SurfaceInput, progress: Progress = silent) -> MarkerSets:
    """Match by the markers as the user left them."""
    assert plan.scan is not None
    progress(0.1, "Pairing the markers")
    check = known_scan_check(plan)
    frame = chosen.surface.frame
    return match_sets(
        plan.markers.get(PATIENT_FRAME, ()),
        plan.markers.get(frame, ()),
        plan.scan.volume,
        chosen.surface,
        frame=frame,
        degradation=None if check is None else check.level_at,
        sites_lps_mm=sites_of(plan),
    )


class MarkerActions(RoadActions):
    """Markers of scan and surface scan."""

    sets: MarkerSets | None = None
    """The last result, for as long as its markers are those of the plan."""
    way = 0

    @property
    def ways(self) -> tuple[Any, ...]:
        """The ways in which the markers fit, while the user is to choose one."""
        sets = self.sets
        if sets is None or self.plan.markers.get(PATIENT_FRAME) is not sets.fixed:
            return ()
        return sets.ways

    def find(self) -> None:
        """Find the markers by the program and match by them."""
        chosen = self.teeth()
        self._need_scan()
        self._start(
            "Finding markers", found_sets, self.plan, chosen, key="match",
            take=lambda sets: self._take("Find markers and match by them", chosen, sets),
        )  # fmt: skip

    def match(self) -> None:
        """Match by the markers as they stand."""
        chosen = self.teeth()
        self._need_scan()
        self._start(
            "Matching by markers", matched_again, self.plan, chosen, key="match",
            take=lambda sets: self._take("Match by markers", chosen, sets),
        )  # fmt: skip

    def _need_scan(self) -> None:
        if self.plan.scan is None:
            raise PlannerError("There is no scan to find markers in.", "Open a scan first.")

    def _take(self, label: str, chosen: SurfaceInput, sets: MarkerSets) -> None:
        self.sets, self.way = sets, 0

        def both(plan: Plan) -> Plan:
            plan = edits.set_markers(plan, PATIENT_FRAME, sets.fixed)
            plan = edits.set_markers(plan, chosen.surface.frame, sets.moving)
            if sets.found is None:
                return plan
            return edits.adopt_match(plan, sets.found.match, chosen.surface_id)

        self.apply(label, both)
        if sets.found is None:
            self.workspace.messages.warn(sets.refusal)
        elif sets.ways:
            self.workspace.messages.warn(f"The markers fit in {len(sets.ways)} ways: choose one in the panel.")

    def look_at_way(self, number: int) -> None:
        """Lay the surface as one of the ways has it, to look at; it counts only when it is confirmed."""
        match = self._way(number)
        doubted = evolve(match, trusted=False, reasons=(NOT_CONFIRMED, *match.reasons))
        self.way = number
        self.apply(f"Look at way {number + 1} of the markers", edits.adopt_match, doubted, self.teeth().surface_id)

    def confirm_way(self) -> None:
        """Take the way that is looked at."""
        match = self._way(self.way)
        sets = self.sets
        assert sets is not None
        self.sets = evolve(sets, ways=())
        self.apply(f"Confirm way {self.way + 1} of the markers", edits.adopt_match, match, self.teeth().surface_id)

    def _way(self, number: int) -> Match:
        ways, sets = self.ways, self.sets
        if sets is None or sets.found is None or number >= len(ways):
            raise PlannerError("The markers have changed since.", "Match by them again.")
        found = match_way(
            sets.found, ways[number], len(ways), frame=self.teeth().surface.frame, sites_lps_mm=sites_of(self.plan)
        )
        return found.match

    def cross_out(self, name: str, crossed_out: bool = True) -> None:
        """Say that a marker is none, wherever it was seen, or take that back."""
        plan, frames = self.plan, (PATIENT_FRAME, self._frame())
        there = [f for f in frames if any(m.name == name for m in plan.markers.get(f, ()))]

        def all_of(plan: Plan) -> Plan:
            for frame in there:
                plan = edits.cross_out_marker(plan, frame, name, crossed_out)
            return plan

        verb = "Cross out" if crossed_out else "Use again"
        self.apply(f"{verb} marker {name}", all_of)

    def _frame(self) -> str:
        from app import drawn

        chosen = drawn.first_surface(self.workspace)
        return "" if chosen is None else str(chosen.surface.frame)

    def pick(self) -> None:
        """Take the tool in hand that adds markers which the program missed."""
        self._need_scan()
        self.toolbox.take(PickMarker(self.workspace))

    def kept(self) -> tuple[tuple[KeptMarker, ...], tuple[KeptMarker, ...]]:
        """Give the markers of the scan and of the surface in hand."""
        markers = self.plan.markers
        return markers.get(PATIENT_FRAME, ()), markers.get(self._frame(), ())
