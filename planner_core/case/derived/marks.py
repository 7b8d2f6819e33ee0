"""What the marks of a plan make of its bone and of what was examined at the chair."""

from __future__ import annotations

from attrs import evolve

from planner_core.anatomy.bone_reduction import cut_surface
from planner_core.anatomy.extraction import bone_without
from planner_core.anatomy.marked import MarkedTooth, ToothState
from planner_core.anatomy.structures import BoneSurface
from planner_core.case.derived.memory import Memory
from planner_core.case.plan import Plan
from planner_core.planning.eligibility import CarrierTooth, MouthFacts

_bones: Memory[BoneSurface] = Memory(4)
_sockets: Memory[BoneSurface] = Memory(4)
_mouths: Memory[MouthFacts] = Memory(4)


def bone_in_use(plan: Plan) -> BoneSurface | None:
    """Give the bone that the fixtures stand in.

    That is the adopted surface with the sockets of marked teeth that are to be extracted, after a planned bone
    reduction.
    """
    left, cut = bone_with_sockets(plan), plan.bone_cut
    if left is None or cut is None:
        return left
    return _bones.get(lambda: cut_surface(left, cut), left, cut)


def bone_with_sockets(plan: Plan) -> BoneSurface | None:
    """Give the adopted bone with the sockets of teeth to be extracted, before a planned bone reduction."""
    if plan.bone is None:
        return None
    bone, taken = plan.bone.bone, _to_extract(plan)
    return _sockets.get(lambda: bone_without(bone, taken), bone, *taken) if taken else bone


def what_shapes_bone(plan: Plan) -> tuple[object, ...]:
    """Give the values that `bone_in_use` is made from: while they are the same objects, so is the bone."""
    return plan.bone, plan.bone_cut, *_to_extract(plan)


def _to_extract(plan: Plan) -> tuple[MarkedTooth, ...]:
    return tuple(tooth for tooth in plan.teeth.values() if not tooth.state.stays)


def mouth_of(plan: Plan) -> MouthFacts:
    """Give what is known of the mouth, with the states of the marked teeth: the worse of the two counts."""
    return _mouths.get(lambda: _with_states(plan), plan.mouth, plan.teeth, plan.jaw, plan.bone_cut)


def _with_states(plan: Plan) -> MouthFacts:
    own = "12" if plan.jaw.value == "upper" else "34"
    marked = {site: tooth.state for site, tooth in plan.teeth.items() if site[0] in own}
    facts = plan.mouth
    if plan.bone_cut is not None and not facts.flap_needed:
        # Bone is only taken off under a raised flap (common practice, no source).
        facts = evolve(facts, flap_needed=True)
    if facts.teeth is None or not marked:
        return facts
    teeth = {tooth.number: tooth for tooth in facts.teeth}
    for site, state in marked.items():
        known = teeth.get(site)
        if known is None and state.carries_guide:
            continue
        known = known or CarrierTooth(site)
        teeth[site] = evolve(
            known,
            mobile=known.mobile or not (state.carries_guide or state is ToothState.TO_EXTRACT),
            to_extract=known.to_extract or state is ToothState.TO_EXTRACT,
        )
    return evolve(facts, teeth=tuple(teeth.values()))
