"""Error budget and choice of guide of a plan."""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve

from planner_core.anatomy.marked import ToothState
from planner_core.case.derived.clearance import ledger_of, obstacles_in
from planner_core.case.derived.marks import mouth_of
from planner_core.case.derived.matching import match_for, match_in_use
from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan
from planner_core.planning.carriers import carried, places_along, places_on_teeth
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.choice import Choice, choose
from planner_core.planning.drilling import Support
from planner_core.planning.error_budget import SiteBudget, budgets
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT, GuideInputs
from planner_core.planning.own_data import Update, update_from
from planner_core.planning.seating import BearingPlaces

_places: Memory[Mapping[Support, BearingPlaces]] = Memory()
_updates: Memory[Update | None] = Memory(4)
_guides: Memory[GuideInputs] = Memory()
_budgets: Memory[Mapping[str, SiteBudget]] = Memory()
_choices: Memory[Choice] = Memory(4)

FREE_END_STEP_MM = 0.1
"""Free ends are rounded to this, mm, so that a drag does not make the whole guide anew (our choice)."""


def places_of(plan: Plan) -> Mapping[Support, BearingPlaces]:
    """Give where a guide of each support would bear, as far as the plan says; a missing support is not known."""
    return _places.get(
        lambda: _bearing_places(plan), plan.arch, mouth_of(plan), plan.teeth, plan.guide.bearing_areas
    )


def _bearing_places(plan: Plan) -> Mapping[Support, BearingPlaces]:
    arch, mouth = plan.arch, mouth_of(plan)
    found: dict[Support, BearingPlaces] = {}
    if arch is None:
        return found
    if any(tooth.usable for tooth in mouth.teeth or ()):
        marked = {site: (tooth.tip_lps_mm + tooth.neck_lps_mm) / 2.0 for site, tooth in plan.teeth.items()}
        found[Support.TEETH] = places_on_teeth(arch, mouth.teeth or (), marked)
    for support in (Support.MUCOSA, Support.BONE):
        if any(area.support is support for area in plan.guide.bearing_areas):
            found[support] = places_along(arch, support, plan.guide.bearing_areas)
    return found


def update_of(plan: Plan) -> Update | None:
    """Give what the clinic's own clinical outcomes make of the execution term; None without any."""
    data = plan.own_data
    return None if data is None else _updates.get(lambda: update_from(data), data)


def sockets_in(plan: Plan) -> frozenset[str]:
    """Give the sites whose tooth is to be extracted: the fixture goes into its socket."""
    out = {site for site, tooth in plan.teeth.items() if tooth.state is ToothState.TO_EXTRACT}
    out |= {tooth.number for tooth in plan.mouth.teeth or () if tooth.to_extract}
    return frozenset(out & set(plan.fixtures))


def guide_inputs_of(plan: Plan) -> GuideInputs:
    """Give the guide's settings as the error model takes them, with its real bearings and free ends."""
    guide, limits, places, update = plan.guide, plan.limits, places_of(plan), update_of(plan)
    base = _guides.get(
        lambda: GuideInputs(
            support=guide.support,
            guidance=guide.guidance,
            sleeves=guide.sleeves,
            drills=guide.drill_list,
            pins=guide.pins,
            wall_mm=guide.wall_mm,
            execution=None if update is None else update.posterior,
            execution_source="" if update is None else f"{update.source}: {update.text}",
            harm_limit=DEFAULT_HARM_LIMIT if limits.harm_chance is None else limits.harm_chance,
        ),
        guide,
        limits,
        update,
    )
    # The same settings give the same object, so that what is remembered about a guide lasts through a drag.
    sockets = sockets_in(plan)
    if not sockets and guide.support not in places:
        return base
    now = carried(base, guide.support, plan.fixtures, places)
    ends = {site: round(mm / FREE_END_STEP_MM) * FREE_END_STEP_MM for site, mm in now.free_end_mm.items()}
    key = ("carried", id(now.places), tuple(ends.items()), sockets)
    if key not in base.remembered:
        base.remembered[key] = evolve(now, free_end_mm=ends, sockets=sockets)
    known: GuideInputs = base.remembered[key]
    return known


def budgets_of(plan: Plan) -> Mapping[str, SiteBudget]:
    """Give the first-order error budget of every site; the scan check counts as soon as it has been made."""
    guide, rows, check = guide_inputs_of(plan), ledger_of(plan), known_scan_check(plan)
    match = match_for(plan, guide.support)
    return _budgets.get(
        lambda: budgets(plan.fixtures, guide=guide, match=match, rows=rows.rows, degradation=check),
        plan.fixtures,
        guide,
        match,
        rows,
        check,
    )


def choice_of(plan: Plan) -> Choice:
    """Give the choice of guide over every support and guidance; takes a good part of a second the first time."""
    return _choices.get(
        lambda: choose(
            plan.fixtures,
            obstacles_in(plan),
            ledger_of(plan).rows,
            guide=guide_inputs_of(plan),
            matches={support: match_for(plan, support) for support in (Support.TEETH, Support.MUCOSA)},
            places=places_of(plan),
            facts=mouth_of(plan),
            catalogue=generic_catalogue(),
            degradation=known_scan_check(plan),
        ),
        *choice_inputs(plan),
    )


def known_choice(plan: Plan) -> Choice | None:
    """Give the choice of guide if it has been worked out already."""
    return _choices.known(*choice_inputs(plan))


def choice_inputs(plan: Plan) -> tuple[object, ...]:
    """Give the objects that the choice of guide depends on."""
    return (
        plan.fixtures,
        guide_inputs_of(plan),
        match_in_use(plan),
        ledger_of(plan),
        mouth_of(plan),
        places_of(plan),
        known_scan_check(plan),
    )
