"""Edits of the guide, the limits and what was examined at the chair."""

from __future__ import annotations

import re

from attrs import evolve

from planner_core.case.edits.shared import check_points, present, without
from planner_core.case.plan import GuideSettings, Limits, Plan
from planner_core.errors import PlannerError
from planner_core.planning.carriers import BearingArea
from planner_core.planning.drilling import DrillList, Guidance, Sleeve, Support
from planner_core.planning.eligibility import MouthFacts
from planner_core.planning.own_outcomes import OwnData
from planner_core.planning.seating import Pin

SHORTEST_AREA_MM = 2.0
"""Shorter stretches carry nothing, mm (our choice: less than a tooth)."""

WALL_MM = (1.0, 8.0)
"""Thinnest and thickest wall accepted, mm (our choice)."""

LARGEST_MARGIN_MM = 20.0
"""Largest margin accepted, mm (our choice: about the height of a jaw, more is a slip of the keyboard)."""


def set_guide(
    plan: Plan, support: Support | None = None, guidance: Guidance | None = None, code: str | None = None
) -> Plan:
    """Say what carries the guide, how far it leads and its engraved code; None leaves a value as it is."""
    guide = plan.guide
    return evolve(
        plan,
        guide=evolve(
            guide,
            support=guide.support if support is None else Support(support),
            guidance=guide.guidance if guidance is None else Guidance(guidance),
            code=guide.code if code is None else code.strip(),
        ),
    )


def set_guide_settings(plan: Plan, guide: GuideSettings) -> Plan:
    """Set all settings of the guide at once."""
    for site in guide.sleeves:
        present(plan.fixtures, site, "fixture at")
    return evolve(plan, guide=guide)


def set_sleeve(plan: Plan, site: str, sleeve: Sleeve | None) -> Plan:
    """Give a site its sleeve, or none."""
    present(plan.fixtures, site, "fixture at")
    sleeves = without(plan.guide.sleeves, site)
    if sleeve is not None:
        sleeves[site] = sleeve
    return evolve(plan, guide=evolve(plan.guide, sleeves=dict(sorted(sleeves.items()))))


def set_drill_list(plan: Plan, drill_list: DrillList | None) -> Plan:
    """Set the list of drills."""
    if drill_list is not None and not drill_list.steps:
        raise PlannerError(f"The drill list {drill_list.label!r} has no drills.", "Choose a list with steps.")
    return evolve(plan, guide=evolve(plan.guide, drill_list=drill_list))


def set_bearing_areas(plan: Plan, areas: tuple[BearingArea, ...]) -> Plan:
    """Say which stretches of mucosa or bone carry the guide, in place of those before."""
    if areas and plan.arch is None:
        raise PlannerError("Stretches lie along the arch, and no arch is drawn.", "Draw the arch first.")
    for area in areas:
        if abs(area.to_station_mm - area.from_station_mm) < SHORTEST_AREA_MM:
            raise PlannerError(
                f"A stretch from {area.from_station_mm:g} to {area.to_station_mm:g} mm carries nothing.",
                f"Make it at least {SHORTEST_AREA_MM:g} mm long.",
            )
    return evolve(plan, guide=evolve(plan.guide, bearing_areas=tuple(areas)))


def set_pins(plan: Plan, pins: tuple[Pin, ...]) -> Plan:
    """Set the pins that hold the guide, in place of those before."""
    for pin in pins:
        check_points(pin.point_lps_mm, (3,), "a pin")
        check_points(pin.axis_lps, (3,), "a pin")
    return evolve(plan, guide=evolve(plan.guide, pins=tuple(pins)))


def set_wall(plan: Plan, wall_mm: float) -> Plan:
    """Set the thickness of the guide's wall, mm."""
    low, high = WALL_MM
    if not low <= wall_mm <= high:
        raise PlannerError(
            f"A wall of {wall_mm:g} mm cannot be used.", f"Give a thickness from {low:g} to {high:g} mm."
        )
    return evolve(plan, guide=evolve(plan.guide, wall_mm=float(wall_mm)))


def set_own_data(plan: Plan, own_data: OwnData | None) -> Plan:
    """Take the clinic's own measured outcomes into the case, or out of it again."""
    if own_data is not None and not own_data.lines:
        raise PlannerError(f"{own_data.source} has no outcomes.", "Read another file.")
    return evolve(plan, own_data=own_data)


def set_margin(plan: Plan, kind: str, margin_mm: float | None) -> Plan:
    """Set the margin to one kind of obstacle (mm); None goes back to the sourced default."""
    margins = without(plan.limits.margin_mm, kind)
    if margin_mm is not None:
        if not 0.0 <= margin_mm <= LARGEST_MARGIN_MM:
            raise PlannerError(
                f"A margin of {margin_mm} mm to {kind} cannot be used.",
                f"Give a value from 0 to {LARGEST_MARGIN_MM:g} mm.",
            )
        margins[kind] = float(margin_mm)
    return evolve(plan, limits=evolve(plan.limits, margin_mm=margins))


def set_harm_limit(plan: Plan, harm_chance: float | None) -> Plan:
    """Set the accepted chance of harm per site (0 to 1); None goes back to the default."""
    if harm_chance is not None and not 0.0 < harm_chance < 1.0:
        raise PlannerError(f"A chance of harm of {harm_chance} cannot be used.", "Give a value between 0 and 1.")
    return evolve(plan, limits=evolve(plan.limits, harm_chance=harm_chance))


def set_mouth(plan: Plan, mouth: MouthFacts) -> Plan:
    """Record what was examined at the chair: carrier teeth, mucosa, keratinised band, mouth opening."""
    for tooth in mouth.teeth or ():
        if not re.fullmatch(r"[1-4][1-8]", tooth.number):
            raise PlannerError(f"{tooth.number!r} is not a permanent tooth.", "Use ISO 3950 numbers from 11 to 48.")
    return evolve(plan, mouth=mouth)


def set_limits(plan: Plan, limits: Limits) -> Plan:
    """Set all limits at once."""
    return evolve(plan, limits=limits)
