"""Edits of the guide, the limits and what was examined at the chair."""

from __future__ import annotations

import re

from attrs import evolve

from planner_core.case.edits.shared import present, without
from planner_core.case.plan import GuideSettings, Limits, Plan
from planner_core.errors import PlannerError
from planner_core.planning.drilling import DrillList, Guidance, Sleeve, Support
from planner_core.planning.eligibility import MouthFacts

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
