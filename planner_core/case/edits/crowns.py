"""Edits of planned teeth, abutments and the design of a full arch."""

from __future__ import annotations

from collections.abc import Sequence

from attrs import evolve

from planner_core.case.edits.shared import check_points, check_site, drawn, present, without
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.planning.abutments import ChosenAbutment
from planner_core.planning.arch_design import ArchDesign
from planner_core.planning.crowns import PlannedTooth
from planner_core.planning.full_arch import SPACE_NEEDED_MM

LARGEST_LIP_MM = 40.0
"""Furthest lip line accepted, mm from the occlusal plane (our choice: more is a slip of the keyboard)."""


def set_crown(plan: Plan, crown: PlannedTooth) -> Plan:
    """Plan a tooth at its site, in place of the one planned there before."""
    check_site(crown.site, plan.jaw)
    check_points(crown.cervical_lps_mm, (3,), f"planned tooth {crown.site}")
    crowns = {**plan.crowns, crown.site: crown}
    return drawn(evolve(plan, crowns=dict(sorted(crowns.items()))), f"crown:{crown.site}")


def set_crowns(plan: Plan, crowns: Sequence[PlannedTooth]) -> Plan:
    """Plan several teeth at once."""
    for crown in crowns:
        plan = set_crown(plan, crown)
    return plan


def remove_crown(plan: Plan, site: str) -> Plan:
    """Take a planned tooth away."""
    present(plan.crowns, site, "planned tooth at")
    return evolve(plan, crowns=without(plan.crowns, site), made_on=without(plan.made_on, f"crown:{site}"))


def set_abutment(plan: Plan, site: str, chosen: ChosenAbutment | None) -> Plan:
    """Put an abutment on a fixture in one of its rotational positions, or none."""
    present(plan.fixtures, site, "fixture at")
    abutments = without(plan.abutments, site)
    if chosen is not None:
        count = max(1, chosen.abutment.rotational_positions)
        if not 0 <= chosen.position < count:
            raise PlannerError(
                f"Position {chosen.position + 1} is none of the {count} positions of {chosen.abutment.label}.",
                "Choose one of them.",
            )
        abutments[site] = chosen
    return evolve(plan, abutments=dict(sorted(abutments.items())))


def set_design(plan: Plan, design: ArchDesign) -> Plan:
    """Say what the whole arch is planned for."""
    if design.prosthesis and design.prosthesis not in SPACE_NEEDED_MM:
        raise PlannerError(f"No space is known for {design.prosthesis!r}.", f"Known: {', '.join(SPACE_NEEDED_MM)}.")
    if design.lip_height_mm is not None and not abs(design.lip_height_mm) <= LARGEST_LIP_MM:
        raise PlannerError(
            f"A lip line {design.lip_height_mm} mm from the occlusal plane cannot be used.",
            f"Give a value up to {LARGEST_LIP_MM:g} mm.",
        )
    check_points(design.lip_lps_mm, (-1, 3), "the lip line")
    return evolve(plan, design=design)
