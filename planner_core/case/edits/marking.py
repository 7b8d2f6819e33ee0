"""Edits of what is marked besides arch and canal: teeth, air spaces, drawings, measurements, bone reduction."""

from __future__ import annotations

import re

from attrs import evolve

from planner_core.anatomy.marked import BoneCut, Cavity, DrawnStructure, Foramen, MarkedTooth, ToothState
from planner_core.anatomy.measure import Measurement
from planner_core.anatomy.structures import Side
from planner_core.case.edits.shared import check_points, drawn, present, without
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError


def mark_tooth(plan: Plan, tooth: MarkedTooth) -> Plan:
    """Mark a tooth, in place of the one with its number."""
    if not re.fullmatch(r"[1-4][1-8]", tooth.site):
        raise PlannerError(f"{tooth.site!r} is not a permanent tooth.", "Use ISO 3950 numbers from 11 to 48.")
    teeth = {**plan.teeth, tooth.site: tooth}
    return drawn(evolve(plan, teeth=dict(sorted(teeth.items()))), f"tooth:{tooth.site}")


def remove_tooth(plan: Plan, site: str) -> Plan:
    """Take a marked tooth away."""
    present(plan.teeth, site, "marked tooth")
    return evolve(plan, teeth=without(plan.teeth, site), made_on=without(plan.made_on, f"tooth:{site}"))


def set_tooth_state(plan: Plan, site: str, state: ToothState) -> Plan:
    """Say what is to become of a marked tooth; where it was marked stays as it is."""
    tooth = present(plan.teeth, site, "marked tooth")
    return evolve(plan, teeth={**plan.teeth, site: evolve(tooth, state=ToothState(state))})


def mark_foramen(plan: Plan, side: Side, foramen: Foramen) -> Plan:
    """Mark the mental foramen of a side, with the loop in front of it if that was traced."""
    key = Side(side).value
    check_points(foramen.point_lps_mm, (3,), f"the {key} mental foramen")
    return drawn(evolve(plan, foramina={**plan.foramina, key: foramen}), f"foramen:{key}")


def remove_foramen(plan: Plan, side: Side) -> Plan:
    """Take the mental foramen of a side away."""
    key = Side(side).value
    present(plan.foramina, key, "mental foramen of the side")
    return evolve(plan, foramina=without(plan.foramina, key), made_on=without(plan.made_on, f"foramen:{key}"))


def mark_cavity(plan: Plan, cavity: Cavity) -> Plan:
    """Mark an air space, in place of the one of its kind and side."""
    return drawn(evolve(plan, cavities={**plan.cavities, cavity.key: cavity}), f"cavity:{cavity.key}")


def remove_cavity(plan: Plan, key: str) -> Plan:
    """Take an air space away."""
    present(plan.cavities, key, "air space")
    return evolve(plan, cavities=without(plan.cavities, key), made_on=without(plan.made_on, f"cavity:{key}"))


def draw_structure(plan: Plan, structure: DrawnStructure) -> Plan:
    """Keep a drawn structure, in place of the one with its name."""
    name = structure.name.strip()
    if not name:
        raise PlannerError("A drawn structure needs a name.", "Give it one.")
    drawings = {**plan.drawn, name: evolve(structure, name=name)}
    return drawn(evolve(plan, drawn=drawings), f"drawn:{name}")


def remove_structure(plan: Plan, name: str) -> Plan:
    """Take a drawn structure away."""
    present(plan.drawn, name, "drawn structure")
    return evolve(plan, drawn=without(plan.drawn, name), made_on=without(plan.made_on, f"drawn:{name}"))


def keep_measurement(plan: Plan, measurement: Measurement, key: str = "") -> Plan:
    """Keep a measurement under a key, or under the next free number."""
    check_points(measurement.points_lps_mm, (-1, 3), "the measurement")
    key = key.strip() or str(1 + max((int(k) for k in plan.measurements if k.isdigit()), default=0))
    return drawn(evolve(plan, measurements={**plan.measurements, key: measurement}), f"measurement:{key}")


def change_measurement(plan: Plan, key: str, label: str | None = None, on_sheet: bool | None = None) -> Plan:
    """Name a measurement or list it on the sheet; None leaves a value as it is."""
    kept = present(plan.measurements, key, "measurement")
    changed = evolve(
        kept,
        label=kept.label if label is None else label.strip(),
        on_sheet=kept.on_sheet if on_sheet is None else on_sheet,
    )
    return evolve(plan, measurements={**plan.measurements, key: changed})


def remove_measurement(plan: Plan, key: str) -> Plan:
    """Take a measurement away."""
    present(plan.measurements, key, "measurement")
    return evolve(
        plan,
        measurements=without(plan.measurements, key),
        made_on=without(plan.made_on, f"measurement:{key}"),
    )


def plan_bone_cut(plan: Plan, cut: BoneCut | None) -> Plan:
    """Plan a bone reduction; None takes it back. Widths, plates and distances are then those after the cut."""
    if cut is None:
        return evolve(plan, bone_cut=None, made_on=without(plan.made_on, "bone cut"))
    check_points(cut.point_lps_mm, (3,), "the bone reduction")
    return drawn(evolve(plan, bone_cut=cut), "bone cut")
