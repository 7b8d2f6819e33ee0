"""Edits of surface scans, pairs of points and the match."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from attrs import evolve
from numpy.typing import ArrayLike

from planner_core.case.edits.shared import check_points, drawn, present, without
from planner_core.case.plan import AdoptedMatch, Plan, SurfaceInput
from planner_core.errors import PlannerError
from planner_core.imaging.retention import SAME_BODY_MM, Retention, RetentionNote
from planner_core.registration.kept import PATIENT_FRAME, KeptMarker, PaintedRegion, SecondScan
from planner_core.registration.match import Match, PointPair


def add_surface(plan: Plan, surface: SurfaceInput) -> Plan:
    """Take a surface scan into the case, in place of one with the same id; what was painted on that one goes."""
    before = plan.surfaces.get(surface.surface_id)
    plan = evolve(plan, surfaces={**plan.surfaces, surface.surface_id: surface})
    if before is None or before.surface.content_hash == surface.surface.content_hash:
        return plan
    return _without_marks_of(plan, surface.surface_id, before.surface.frame)


def remove_surface(plan: Plan, surface_id: str) -> Plan:
    """Take a surface scan out of the case, with what was painted and found on it."""
    gone = present(plan.surfaces, surface_id, "surface scan")
    plan = evolve(plan, surfaces=without(plan.surfaces, surface_id))
    if plan.second_scan is not None and plan.second_scan.surface_id == surface_id:
        plan = evolve(plan, second_scan=None)
    return _without_marks_of(plan, surface_id, gone.surface.frame)


def _without_marks_of(plan: Plan, surface_id: str, frame: str) -> Plan:
    return evolve(plan, regions=without(plan.regions, surface_id), markers=without(plan.markers, frame))


def set_pairs(plan: Plan, pairs: tuple[PointPair, ...]) -> Plan:
    """Set all pairs of points for the match at once."""
    for pair in pairs:
        check_points(pair.surface_mm, (3,), f"the pair {pair.name!r}")
        check_points(pair.lps_mm, (3,), f"the pair {pair.name!r}")
    names = [pair.name for pair in pairs]
    doubled = sorted({name for name in names if names.count(name) > 1})
    if doubled:
        raise PlannerError(f"Two pairs are called {doubled[0]!r}.", "Give each pair its own name.")
    return drawn(evolve(plan, pairs=tuple(pairs)), "pairs")


def add_pair(plan: Plan, pair: PointPair) -> Plan:
    """Add one pair of points, in place of one with the same name."""
    others = tuple(p for p in plan.pairs if p.name != pair.name)
    return set_pairs(plan, (*others, pair))


def remove_pair(plan: Plan, name: str) -> Plan:
    """Take one pair of points away."""
    if all(pair.name != name for pair in plan.pairs):
        raise PlannerError(f"There is no pair called {name!r}.", "Choose one of the pairs in the list.")
    return evolve(plan, pairs=tuple(p for p in plan.pairs if p.name != name))


def set_markers(plan: Plan, frame: str, markers: tuple[KeptMarker, ...]) -> Plan:
    """Set all markers of one scan at once: "lps" for the patient's scan, else the frame of a surface scan."""
    known = {PATIENT_FRAME, *(s.surface.frame for s in plan.surfaces.values())}
    if frame not in known:
        raise PlannerError(f"There is no scan in the frame {frame!r}.", f"There are: {', '.join(sorted(known))}.")
    names = [marker.name for marker in markers]
    doubled = sorted({name for name in names if names.count(name) > 1})
    if doubled:
        raise PlannerError(f"Two markers are called {doubled[0]!r}.", "Give each marker its own name.")
    for marker in markers:
        check_points(marker.centre_mm, (3,), f"the marker {marker.name!r}")
    plan = evolve(plan, markers={**plan.markers, frame: tuple(markers)})
    return drawn(plan, "markers") if frame == PATIENT_FRAME else plan


def add_marker(plan: Plan, frame: str, marker: KeptMarker) -> Plan:
    """Add one marker to a scan, in place of one with the same name."""
    others = tuple(m for m in plan.markers.get(frame, ()) if m.name != marker.name)
    return set_markers(plan, frame, (*others, marker))


def cross_out_marker(plan: Plan, frame: str, name: str, crossed_out: bool = True) -> Plan:
    """Say that a marker is none, or take that back."""
    markers = plan.markers.get(frame, ())
    if all(marker.name != name for marker in markers):
        raise PlannerError(f"There is no marker called {name!r}.", "Choose one of the markers in the list.")
    changed = tuple(evolve(m, crossed_out=crossed_out) if m.name == name else m for m in markers)
    return evolve(plan, markers={**plan.markers, frame: changed})


def paint_region(plan: Plan, surface_id: str, region: PaintedRegion | None) -> Plan:
    """Say which part of a surface scan may carry the match; None lets all of it."""
    surface = present(plan.surfaces, surface_id, "surface scan")
    if region is None or region.is_empty:
        return evolve(plan, regions=without(plan.regions, surface_id))
    if region.states.shape != (len(surface.surface.points_mm),):
        raise PlannerError("The painted region does not fit this surface scan.", "Paint it again.")
    return evolve(plan, regions={**plan.regions, surface_id: region})


def set_second_scan(plan: Plan, second: SecondScan | None, surface: SurfaceInput | None = None) -> Plan:
    """Take the scan of the prosthesis alone, with the surface taken from it; None takes it out again."""
    if second is None:
        held = plan.second_scan
        if held is None:
            return plan
        if held.surface_id in plan.surfaces:
            return remove_surface(plan, held.surface_id)
        return evolve(plan, second_scan=None)
    held, markers = plan.second_scan, plan.markers
    if surface is not None:
        plan = add_surface(plan, surface)
    present(plan.surfaces, second.surface_id, "surface scan")
    plan = evolve(plan, second_scan=second)
    # Only another surface of the same scan: what was found in it stays.
    same = held is not None and held.volume.content_hash == second.volume.content_hash
    return evolve(plan, markers=markers) if same else plan


def note_retention(plan: Plan, place_lps_mm: ArrayLike, retention: Retention) -> Plan:
    """Note how the restoration at a place is held."""
    place = np.asarray(place_lps_mm, dtype=np.float64)
    check_points(place, (3,), "a restoration")
    others = tuple(n for n in plan.retention if float(np.linalg.norm(n.place_lps_mm - place)) > SAME_BODY_MM)
    kept = others if retention is Retention.UNKNOWN else (*others, RetentionNote(place, retention))
    return evolve(plan, retention=kept)


def adopt_match(
    plan: Plan, match: Match | None, surface_id: str = "", made_from: Mapping[str, str] | None = None
) -> Plan:
    """Use a match for the plan, with the fingerprints of what it was made from; None takes it back.

    `made_from` comes from `planner_core.case.fingerprints.match_inputs`; left out, today's are taken.
    """
    if match is None:
        return evolve(plan, match=None)
    if not surface_id:
        frame = match.lps_from_surface.source
        surface_id = next((k for k, s in plan.surfaces.items() if s.surface.frame == frame), frame)
    present(plan.surfaces, surface_id, "surface scan")
    if made_from is None:
        from planner_core.case.fingerprints import match_inputs

        made_from = match_inputs(plan, match.road, surface_id)
    return evolve(plan, match=AdoptedMatch(match, surface_id, made_from))
