"""Everything about the budget that takes longer than a step of a drag, worked out together for one plan."""

from __future__ import annotations

from collections.abc import Mapping

from attrs import evolve, frozen

from planner_core.case.derived.budget import (
    budgets_of,
    choice_inputs,
    choice_of,
    guide_inputs_of,
    places_of,
)
from planner_core.case.derived.clearance import ledger_of, obstacles_in
from planner_core.case.derived.marks import mouth_of
from planner_core.case.derived.matching import match_for
from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.findings import Finding
from planner_core.planning.calibration import PublishedCheck, published_checks
from planner_core.planning.catalogue import Catalogue, generic_catalogue
from planner_core.planning.choice import Choice
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.eligibility import refusals
from planner_core.planning.error_budget import budgets
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.monte_carlo import DrawnBudget, disagreements, monte_carlo
from planner_core.planning.pilot_drift import DriftComparison, pilot_drift
from planner_core.planning.sensitivity import Effect, sensitivity
from planner_core.planning.what_helps import Help, what_helps
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.match import Road

PILOT_DIAMETER_MM = 2.0
"""Diameter of a pilot drill where the drill list names none (common practice, no source)."""


@frozen(eq=False)
class Evaluation:
    """The budget for the record, and what follows from it.

    Parameters
    ----------
    choice : Choice
    drawn : DrawnBudget
        By random draws, fixed seed.
    differences : tuple of Finding
        Where first order and draws do not agree within 5 %; empty when they do.
    effects : tuple of Effect
        Every number of the model at its low and high end, for the guide as it is set.
    helps : mapping of site to tuple of Help
    drifts : mapping of site to DriftComparison
        Empty where the scan's grey values do not allow it.
    published : tuple of PublishedCheck
        The model in its reference configurations beside the published series; the same for every plan.
    """

    choice: Choice
    drawn: DrawnBudget
    differences: tuple[Finding, ...]
    effects: tuple[Effect, ...]
    helps: Mapping[str, tuple[Help, ...]]
    drifts: Mapping[str, DriftComparison]
    published: tuple[PublishedCheck, ...]


_evaluations: Memory[Evaluation] = Memory(4)


def evaluation_of(plan: Plan, progress: Progress = silent, catalogue: Catalogue | None = None) -> Evaluation:
    """Give the evaluation of a plan with fixtures; takes a second or more the first time.

    Parameters
    ----------
    catalogue : Catalogue or None
        Where shorter and narrower fixtures come from; the generic one by default.
    """
    parts = choice_inputs(plan)
    found = _evaluations.known(*parts)
    if found is None:
        found = _evaluate(plan, progress, catalogue or generic_catalogue())
        _evaluations.put(found, *parts)
    return found


def known_evaluation(plan: Plan) -> Evaluation | None:
    """Give the evaluation if it has been worked out already."""
    return _evaluations.known(*choice_inputs(plan))


def _evaluate(plan: Plan, progress: Progress, catalogue: Catalogue) -> Evaluation:
    guide, rows, check = guide_inputs_of(plan), ledger_of(plan).rows, known_scan_check(plan)
    match = match_for(plan, guide.support)
    obstacles = obstacles_in(plan)
    progress(0.0, "Comparing the guides")
    choice = choice_of(plan)
    progress(0.3, "Drawing at random")
    drawn = monte_carlo(plan.fixtures, obstacles, guide=guide, match=match, rows=rows, degradation=check)
    progress(0.5, "Trying the assumptions")
    effects = sensitivity(plan.fixtures, rows, guide=guide, match=match, degradation=check)
    helps = {}
    sites = list(plan.fixtures)
    matches = {support: match_for(plan, support) for support in (Support.TEETH, Support.MUCOSA)}
    for k, site in enumerate(sites):
        helps[site] = what_helps(
            site,
            plan.fixtures,
            obstacles,
            guide=guide,
            match=match,
            marker_count=_markers(plan),
            catalogue=catalogue,
            supports=_open_supports(plan, guide),
            places=places_of(plan),
            matches=matches,
            degradation=check,
            limits_margin_mm=plan.limits.margin_mm,
            progress=part_of(progress, 0.6 + 0.3 * k / len(sites), 0.6 + 0.3 * (k + 1) / len(sites)),
        )
    progress(0.9, "Looking at the bone round the bores")
    drifts = _drifts(plan, guide)
    progress(1.0)
    differences = disagreements(budgets_of(plan), drawn)
    return Evaluation(choice, drawn, differences, effects, helps, drifts, published_checks())


def _markers(plan: Plan) -> int | None:
    if plan.match is None or plan.match.match.road not in (Road.POINTS, Road.MARKERS):
        return None
    return len(plan.match.match.residuals_mm) or None


def _open_supports(plan: Plan, guide: GuideInputs) -> tuple[Support, ...]:
    return tuple(
        support
        for support in (Support.TEETH, Support.MUCOSA, Support.BONE)
        if not refusals(support, guide.guidance, mouth_of(plan), guide, plan.fixtures)
    )


def _drifts(plan: Plan, guide: GuideInputs) -> dict[str, DriftComparison]:
    """Compare the pilot alone by published differences and by density; nothing without usable grey values."""
    check = known_scan_check(plan)
    if plan.scan is None or check is None or not guide.guided:
        return {}
    found = {}
    drills = plan.guide.drill_list
    pilot = PILOT_DIAMETER_MM if drills is None else min(step.diameter_mm for step in drills.steps)
    try:
        for site, fixture in plan.fixtures.items():
            found[site] = pilot_drift(
                plan.scan.volume, fixture, pilot_diameter_mm=pilot, soft_grey=check.grey.soft_tissue,
                bone_grey=check.grey.bone,
            )  # fmt: skip
    except PlannerError:
        return {}
    published = evolve(guide, guidance=Guidance.PILOT, guidance_extra=None, pilot_drift={})
    dense = evolve(published, pilot_drift={site: drift.spread for site, drift in found.items()})
    rows, match = ledger_of(plan).rows, match_for(plan, guide.support)
    a, b = (
        budgets(plan.fixtures, guide=inputs, match=match, rows=rows, degradation=check)
        for inputs in (published, dense)
    )
    return {
        site: DriftComparison(
            drift, a[site].chance_of_harm, a[site].apex.p95_mm, b[site].chance_of_harm, b[site].apex.p95_mm
        )
        for site, drift in found.items()
    }
