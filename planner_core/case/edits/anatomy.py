"""Edits of arch, canals and bone."""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve

from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal, Side
from planner_core.case.edits.shared import check_points, drawn, present, without
from planner_core.case.plan import AdoptedBone, Plan
from planner_core.errors import PlannerError


def set_arch(plan: Plan, arch: ArchCurve | None) -> Plan:
    """Set the arch curve, or take it away with None."""
    if arch is None:
        return evolve(plan, arch=None, made_on=without(plan.made_on, "arch"))
    check_points(arch.control_lps_mm, (-1, 3), "the arch curve")
    if len(arch.control_lps_mm) < 3:
        raise PlannerError("The arch curve needs at least three points.", "Click one more point along the ridge.")
    return drawn(evolve(plan, arch=arch), "arch")


def set_canal(plan: Plan, canal: Canal) -> Plan:
    """Set the canal of its side."""
    side = canal.side.value
    check_points(canal.path_lps_mm, (-1, 3), f"the {side} canal")
    return drawn(evolve(plan, canals={**plan.canals, side: canal}), f"canal:{side}")


def remove_canal(plan: Plan, side: Side) -> Plan:
    """Take the canal of one side away."""
    key = Side(side).value
    present(plan.canals, key, "canal of the side")
    return evolve(plan, canals=without(plan.canals, key), made_on=without(plan.made_on, f"canal:{key}"))


def adopt_bone(plan: Plan, bone: BoneSurface | None, made_from: Mapping[str, str] | None = None) -> Plan:
    """Use a bone surface for the plan; None takes it back."""
    if bone is None:
        return evolve(plan, bone=None)
    if made_from is None:
        from planner_core.case.fingerprints import bone_inputs

        made_from = bone_inputs(plan)
    return evolve(plan, bone=AdoptedBone(bone, made_from))
