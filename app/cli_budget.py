"""The command budget: the error budget of a case, first order and by random draws, and the choice of guide."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from attrs import asdict

from app.cli_shared import (
    Arguments,
    Commands,
    add_command,
    checked_plan,
    findings_json,
    findings_lines,
    progress_of,
    tell,
)
from planner_core.case.derived import (
    Evaluation,
    budgets_of,
    evaluation_of,
    guide_inputs_of,
    update_of,
)
from planner_core.case.plan import Plan
from planner_core.planning.assumptions import TRADE_FACTS, assumptions
from planner_core.planning.calibration import published_checks
from planner_core.planning.choice import Choice, Option
from planner_core.planning.error_budget import SiteBudget
from planner_core.planning.monte_carlo import DrawnBudget
from planner_core.planning.own_data import summary_of
from planner_core.planning.own_outcomes import BENCH, CLINICAL
from planner_core.progress import part_of


def register(commands: Commands) -> None:
    """Add the command."""
    budget = add_command(
        commands, "budget", "what error is to be expected, what the bone forgives, which guide passes", _budget
    )
    budget.add_argument("case", type=Path)
    budget.add_argument("--quick", action="store_true", help="first order alone, without draws and choice of guide")


def _budget(arguments: Arguments) -> None:
    progress = progress_of(arguments)
    plan = checked_plan(arguments.case, part_of(progress, 0.0, 0.7))
    found = budgets_of(plan)
    result: dict[str, Any] = {"sites": {site: budget_json(budget) for site, budget in found.items()}}
    lines: list[str] = []
    if found and not arguments.quick:
        evaluation = evaluation_of(plan, part_of(progress, 0.7, 1.0))
        result |= evaluation_json(plan, evaluation)
        lines += _choice_lines(evaluation)
    for site, budget in found.items():
        lines += _site_lines(site, budget)
    tell(arguments, result, lines or ["No fixture is planned."])


def _site_lines(site: str, budget: SiteBudget) -> list[str]:
    return [
        f"{site}: 95 of 100 are expected below entry {budget.entry.p95_mm:.2f}, apex {budget.apex.p95_mm:.2f} mm, "
        f"angle {budget.angle_p95_deg:.1f} deg, depth {budget.depth_p95_mm:.2f} mm; "
        f"chance of harm {100 * budget.chance_of_harm:.2f} %",
        *(f"    {s.label}: {100 * s.share:.0f} % ({s.value_text}; {s.source_text})" for s in budget.sources),
        *(
            f"    {h.obstacle}: leeway {h.leeway_mm:.2f} mm, {h.need_mm:.2f} mm needed; chance "
            f"{100 * h.chance:.2f} % (limit {100 * h.limit:g} %)"
            for h in budget.harms
        ),
        *(f"    {line}" for line in findings_lines(budget.findings)),
    ]


def _choice_lines(evaluation: Evaluation) -> list[str]:
    choice, case = evaluation.choice, evaluation.drawn.case_chance
    lines = [choice.reason, *choice.then]
    if choice.decisive is not None and choice.decisive.decides:
        lines.append(f"The answer hangs on an assumption: {choice.decisive.label}.")
    lines.append(
        f"Chance of harm anywhere in this case: {100 * case.value:.2f} % (95 % limits {100 * case.low:.2f} to "
        f"{100 * case.high:.2f} %, {case.draws:,} draws)."
    )
    lines += [f"{f.where}: {f.text}" for f in evaluation.differences] or [
        "Formula and random draws agree within 5 % (chances: within 5 % of their limits)."
    ]
    return lines


def evaluation_json(plan: Plan, evaluation: Evaluation) -> dict[str, Any]:
    """Give what goes beyond the first order for the JSON output."""
    return {
        "choice": choice_json(evaluation.choice),
        "draws": drawn_json(evaluation.drawn),
        "evaluations_agree": not evaluation.differences,
        "evaluations_differ": findings_json(evaluation.differences),
        "would_help": {
            site: [{**asdict(h), "saved": h.saved} for h in helps] for site, helps in evaluation.helps.items()
        },
        "sensitivity": [{**asdict(e), "swing": e.swing} for e in evaluation.effects],
        "pilot_only": {
            site: {
                "drift_entry_lps_mm": c.drift.entry_lps_mm,
                "drift_apex_lps_mm": c.drift.apex_lps_mm,
                "drift_tilt_deg": c.drift.tilt_deg,
                "chance_by_published_differences": c.published_chance,
                "chance_by_density": c.density_chance,
                "apex_p95_by_published_differences_mm": c.published_apex_p95_mm,
                "apex_p95_by_density_mm": c.density_apex_p95_mm,
                "note": c.drift.text,
            }
            for site, c in evaluation.drifts.items()
        },
        "published": [{**asdict(check), "reproduced": check.reproduced} for check in published_checks()],
        "in_house_sayings": [asdict(fact) for fact in TRADE_FACTS],
        "own_data": own_data_json(plan),
        "assumptions": [{**asdict(a), "unsourced": a.unsourced} for a in assumptions(guide_inputs_of(plan))],
    }


def own_data_json(plan: Plan) -> dict[str, Any] | None:
    """Give the clinic's own outcomes and what they changed; None without any."""
    data, update = plan.own_data, update_of(plan)
    if data is None:
        return None
    clinical, bench = (summary_of(data.of_kind(kind)) for kind in (CLINICAL, BENCH))
    return {
        "source": data.source,
        "sha256": data.sha256,
        "read_on": data.read_on,
        "lines_left_out": list(data.left_out),
        "clinical": None if clinical is None else asdict(clinical),
        "bench_never_mixed_in": None if bench is None else asdict(bench),
        "update": None
        if update is None
        else {
            "effective_cases": update.effective_cases,
            "prior_cases": update.prior_cases,
            "own_share": update.own_share,
            "prior": asdict(update.prior),
            "posterior": asdict(update.posterior),
            "text": update.text,
        },
    }


def choice_json(choice: Choice) -> dict[str, Any]:
    """Give the table of guides and the advice for the JSON output."""
    advised = choice.advised
    return {
        "advised": None
        if advised is None
        else {"support": advised.support.value, "guidance": advised.guidance.value},
        "reason": choice.reason,
        "then": list(choice.then),
        "hangs_on": choice.decisive.name if choice.decisive is not None and choice.decisive.decides else None,
        "options": [_option_json(option) for option in choice.options],
    }


def _option_json(option: Option) -> dict[str, Any]:
    return {
        "support": option.support.value,
        "guidance": option.guidance.value,
        "eligible": option.eligible,
        "refusals": [asdict(r) for r in option.refusals],
        "burden": option.burden.words,
        "worst_chance_of_harm": option.worst_chance,
        "chance_over_limit": option.ratio,
        "leeway_minus_need_mm": option.spare_mm,
        "apex_error_p95_mm": option.apex_p95_mm,
        "passes": option.passes,
    }


def drawn_json(drawn: DrawnBudget) -> dict[str, Any]:
    """Give the budget by random draws for the JSON output."""
    return {
        "draws": drawn.draws,
        "seed": drawn.seed,
        "case_chance_of_harm": asdict(drawn.case_chance),
        "sites": {
            site: {
                "entry_error_mean_mm": s.entry_mean_mm,
                "entry_error_p95_mm": s.entry_p95_mm,
                "apex_error_mean_mm": s.apex_mean_mm,
                "apex_error_p95_mm": s.apex_p95_mm,
                "angle_error_mean_deg": s.angle_mean_deg,
                "angle_error_p95_deg": s.angle_p95_deg,
                "depth_error_mean_mm": s.depth_mean_mm,
                "depth_error_p95_mm": s.depth_p95_mm,
                "chance_of_harm": asdict(s.chance_of_harm),
                "chances": {name: asdict(chance) for name, chance in s.chances.items()},
            }
            for site, s in drawn.sites.items()
        },
    }


def budget_json(budget: SiteBudget) -> dict[str, Any]:
    """Give a site's first-order budget for the JSON output."""
    return {
        "entry_error_mean_mm": budget.entry.mean_abs_mm,
        "entry_error_p95_mm": budget.entry.p95_mm,
        "apex_error_mean_mm": budget.apex.mean_abs_mm,
        "apex_error_p95_mm": budget.apex.p95_mm,
        "angle_error_mean_deg": budget.angle_mean_deg,
        "angle_error_p95_deg": budget.angle_p95_deg,
        "depth_error_mean_mm": budget.depth_mean_mm,
        "depth_error_p95_mm": budget.depth_p95_mm,
        "chance_of_harm": budget.chance_of_harm,
        "within_limits": budget.within_limits,
        "sources": [
            {
                "name": s.name,
                "label": s.label,
                "share_of_apex_variance": s.share,
                "entry_rms_mm": s.entry_rms_mm,
                "apex_rms_mm": s.apex_rms_mm,
                "value": s.value_text,
                "source": s.source_text,
                "mark": s.mark,
            }
            for s in budget.sources
        ],
        "harms": [
            {
                "obstacle": h.obstacle,
                "kind": h.kind.value,
                "distance_mm": h.distance_mm,
                "leeway_mm": h.leeway_mm,
                "need_mm": h.need_mm,
                "sigma_mm": h.sigma_mm,
                "localisation_mm": h.localisation_mm,
                "bias_towards_mm": h.bias_mm,
                "chance": h.chance,
                "limit": h.limit,
                "decisive": bool(h.decisive),
            }
            for h in budget.harms
        ],
        "envelope": {"depths_mm": budget.envelope.depths_mm, "radius_p95_mm": budget.envelope.radius_p95_mm},
        "findings": findings_json(budget.findings),
    }
