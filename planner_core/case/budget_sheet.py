"""From a plan to the page of its error budget."""

from __future__ import annotations

import math

from planner_core.case.derived import Evaluation, budgets_of, evaluation_of, guide_inputs_of, update_of
from planner_core.case.plan import Plan
from planner_core.planning.assumptions import TRADE_FACTS, assumptions
from planner_core.planning.calibration import PublishedCheck
from planner_core.planning.choice import LIMITS_OF_ADVICE, Option
from planner_core.planning.error_budget import SiteBudget
from planner_core.planning.own_data import summary_of
from planner_core.planning.own_outcomes import BENCH
from planner_core.progress import Progress, silent
from planner_core.protocol.budget_page import BudgetPage, FigureRow, GuideRow, SiteRow
from planner_core.protocol.sites import site_name

MOST_HELPS = 3
"""Changes printed for a site (our choice; the screen has all)."""


def budget_page_of(plan: Plan, progress: Progress = silent) -> BudgetPage | None:
    """Give the page of the budget; None without fixtures."""
    if not plan.fixtures:
        return None
    evaluation = evaluation_of(plan, progress)
    choice, case = evaluation.choice, evaluation.drawn.case_chance
    decisive = choice.decisive
    return BudgetPage(
        guide=f"{plan.guide.support.value}, {plan.guide.guidance.value}",
        advice=choice.reason,
        passes=choice.advised is not None,
        then=choice.then,
        hangs_on=decisive.label if decisive is not None and decisive.decides else "",
        case_chance=(case.value, case.low, case.high, case.draws),
        agreement=tuple(f"{f.where}: {f.text}" for f in evaluation.differences),
        sites=tuple(_site(evaluation, site, budget) for site, budget in budgets_of(plan).items()),
        guides=tuple(_guide(option) for option in choice.options),
        own_data=own_words(plan),
        published=tuple(_figure(check) for check in evaluation.published),
        sayings=tuple(f"{fact.text} ({fact.source})" for fact in TRADE_FACTS),
        assumed=tuple((a.label, a.value, a.mark) for a in assumptions(guide_inputs_of(plan)) if a.unsourced),
        limits=LIMITS_OF_ADVICE,
    )


def _site(evaluation: Evaluation, site: str, budget: SiteBudget) -> SiteRow:
    harm, drawn = budget.decisive, evaluation.drawn.sites[site].chance_of_harm
    helps = [h for h in evaluation.helps.get(site, ()) if h.saved > 0.0]
    return SiteRow(
        site_name(site),
        "" if harm is None else harm.obstacle,
        None if harm is None else harm.chance,
        None if harm is None else harm.limit,
        None if harm is None else harm.leeway_mm,
        None if harm is None else harm.need_mm,
        budget.within_limits,
        budget.chance_of_harm,
        (drawn.value, drawn.low, drawn.high),
        budget.entry.p95_mm,
        budget.apex.p95_mm,
        budget.angle_p95_deg,
        budget.depth_p95_mm,
        tuple((s.label, s.share) for s in sorted(budget.sources, key=lambda s: -s.share)),
        tuple((h.label, h.chance_after) for h in helps[:MOST_HELPS]),
    )


def _guide(option: Option) -> GuideRow:
    name = "free hand" if option.support.value == "none" else f"{option.support.value}, {option.guidance.value}"
    verdict = "not open" if not option.eligible else ("passes" if option.passes else "over a limit")
    return GuideRow(
        name,
        verdict,
        option.worst_chance,
        option.spare_mm if math.isfinite(option.spare_mm) else None,
        option.burden.words,
        " ".join(refusal.reason for refusal in option.refusals),
    )


def _figure(check: PublishedCheck) -> FigureRow:
    limits = "" if check.low is None else f" ({check.low:g} to {check.high:g})"
    verdict = (
        "fitted" if check.fitted
        else "no limits" if check.reproduced is None
        else "reproduced" if check.reproduced
        else "missed"
    )  # fmt: skip
    return FigureRow(f"{check.series}: {check.what}", f"{check.published:g}{limits}", f"{check.ours:.2f}", verdict)


def own_words(plan: Plan) -> str:
    """Give in a sentence or two what the clinic's own outcomes did."""
    data, update = plan.own_data, update_of(plan)
    if data is None:
        return "None are in this case: what is expected of the hands comes from published series alone."
    parts = [f"From {data.source}, SHA-256 {data.sha256[:16]}."]
    parts.append("No clinical line: nothing was updated." if update is None else update.text)
    bench = summary_of(data.of_kind(BENCH))
    if bench is not None:
        parts.append(
            f"Bench figures, kept apart and not used: apex {bench.apex_mean_mm:.2f} mm on average of "
            f"{bench.fixtures} fixtures."
        )
    return " ".join(parts)
