"""Edits of surface scans, pairs of points and the match."""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve

from planner_core.case.edits.shared import check_points, drawn, present, without
from planner_core.case.plan import AdoptedMatch, Plan, SurfaceInput
from planner_core.errors import PlannerError
from planner_core.registration.match import Match, PointPair


def add_surface(plan: Plan, surface: SurfaceInput) -> Plan:
    """Take a surface scan into the case, in place of one with the same id."""
    return evolve(plan, surfaces={**plan.surfaces, surface.surface_id: surface})


def remove_surface(plan: Plan, surface_id: str) -> Plan:
    """Take a surface scan out of the case."""
    present(plan.surfaces, surface_id, "surface scan")
    return evolve(plan, surfaces=without(plan.surfaces, surface_id))


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
