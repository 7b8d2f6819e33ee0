"""Error budget and choice of guide of a plan."""

from __future__ import annotations

from collections.abc import Mapping

from planner_core.case.derived.clearance import ledger_of, obstacles_in
from planner_core.case.derived.marks import mouth_of
from planner_core.case.derived.matching import match_in_use
from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan
from planner_core.planning.choice import Choice, choose
from planner_core.planning.drilling import Support
from planner_core.planning.error_budget import SiteBudget, budgets
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT, GuideInputs

_guides: Memory[GuideInputs] = Memory()
_budgets: Memory[Mapping[str, SiteBudget]] = Memory()
_choices: Memory[Choice] = Memory(4)


def guide_inputs_of(plan: Plan) -> GuideInputs:
    """Give the guide's settings as the error model takes them."""
    guide, limits = plan.guide, plan.limits
    return _guides.get(
        lambda: GuideInputs(
            support=guide.support,
            guidance=guide.guidance,
            sleeves=guide.sleeves,
            drills=guide.drill_list,
            harm_limit=DEFAULT_HARM_LIMIT if limits.harm_chance is None else limits.harm_chance,
        ),
        guide,
        limits,
    )


def budgets_of(plan: Plan) -> Mapping[str, SiteBudget]:
    """Give the first-order error budget of every site; the scan check counts as soon as it has been made."""
    guide, match, rows, check = guide_inputs_of(plan), match_in_use(plan), ledger_of(plan), known_scan_check(plan)
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
    parts = _choice_inputs(plan)
    match = match_in_use(plan)
    # A matched surface of the teeth carries guides on teeth; on mucosa only a dual scan or prosthesis would do.
    matches = {Support.TEETH: match, Support.MUCOSA: match}
    return _choices.get(
        lambda: choose(
            plan.fixtures,
            obstacles_in(plan),
            ledger_of(plan).rows,
            guide=guide_inputs_of(plan),
            matches=matches,
            facts=mouth_of(plan),
            degradation=known_scan_check(plan),
        ),
        *parts,
    )


def known_choice(plan: Plan) -> Choice | None:
    """Give the choice of guide if it has been worked out already."""
    return _choices.known(*_choice_inputs(plan))


def _choice_inputs(plan: Plan) -> tuple[object, ...]:
    return (
        plan.fixtures,
        guide_inputs_of(plan),
        match_in_use(plan),
        ledger_of(plan),
        mouth_of(plan),
        known_scan_check(plan),
    )
