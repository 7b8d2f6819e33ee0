"""What the marks of a plan make of its bone and of what was examined at the chair."""

from __future__ import annotations

from attrs import evolve

from planner_core.anatomy.bone_reduction import cut_surface
from planner_core.anatomy.extraction import bone_without
from planner_core.anatomy.marked import ToothState
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
    if plan.bone is None:
        return None
    bone, cut = plan.bone.bone, plan.bone_cut
    taken = tuple(tooth for tooth in plan.teeth.values() if not tooth.state.stays)
    left = _sockets.get(lambda: bone_without(bone, taken), bone, *taken) if taken else bone
    return left if cut is None else _bones.get(lambda: cut_surface(left, cut), left, cut)


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
