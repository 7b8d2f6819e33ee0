"""Commands that advise: propose a fixture for a site, choose how the guide is carried."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from app.cli_budget import budget_json
from app.cli_shared import (
    Arguments,
    Commands,
    add_command,
    findings_json,
    findings_lines,
    open_case,
    progress_of,
    tell,
)
from planner_core.case import edits
from planner_core.case.derived import choice_of, proposal_of, scan_check_of
from planner_core.case.edits.shared import check_site
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.planning.choice import Option
from planner_core.planning.proposal import Suggestion
from planner_core.progress import part_of
from planner_core.protocol.sites import site_name


def register(commands: Commands) -> None:
    """Add the commands."""
    wish = add_command(commands, "propose", "propose fixtures for a site, each with what it gives up", _propose)
    wish.add_argument("case", type=Path)
    wish.add_argument("--site", required=True, metavar="36", help="ISO 3950 number of the tooth to be replaced")
    wish.add_argument("--adopt", action="store_true", help="place the first suggestion, in place of what is there")
    choice = add_command(
        commands, "choose", "which guide the bone can tolerate: support and guidance compared", _choose
    )
    choice.add_argument("case", type=Path)


def _propose(arguments: Arguments) -> None:
    progress = progress_of(arguments)
    with open_case(arguments.case, read_only=not arguments.adopt) as store:
        session = Session(store=store)
        plan = session.plan
        store.bring_into_memory()
        check_site(arguments.site, plan.jaw)
        if plan.arch is None and arguments.site not in plan.crowns:
            raise PlannerError("There is no arch curve to place a tooth on.", "Draw the arch curve first.")
        check = None if plan.scan is None else scan_check_of(plan, part_of(progress, 0.0, 0.3), store)
        proposal = proposal_of(plan, arguments.site, degradation=check, progress=part_of(progress, 0.3, 1.0))
        if arguments.adopt:
            session.apply(f"Place proposed fixture {arguments.site}", lambda p: _placed(p, proposal.best))
        revision = session.revision_number if arguments.adopt else None
    result = {
        "site": arguments.site,
        "site_words": str(site_name(arguments.site)),
        "tooth": "planned" if arguments.site in plan.crowns else "average on the arch",
        "suggestions": [suggestion_json(s) for s in proposal.suggestions],
        "findings": findings_json(proposal.findings),
        "adopted_revision": revision,
    }
    lines = [line for s in proposal.suggestions for line in _suggestion_lines(s)]
    tell(arguments, result, [*lines, *findings_lines(proposal.findings)])


def _placed(plan: Plan, best: Suggestion) -> Plan:
    site = best.fixture.site
    sleeve = plan.guide.sleeves.get(site)
    if site in plan.fixtures:
        plan = edits.delete_fixture(plan, site)
    plan = edits.place_fixture(plan, site, best.fixture.shape, best.fixture.pose)
    return plan if sleeve is None else edits.set_sleeve(plan, site, sleeve)


def suggestion_json(suggestion: Suggestion) -> dict[str, Any]:
    """Give one suggestion for the JSON output."""
    fixture = suggestion.fixture
    return {
        "label": suggestion.label,
        "shape": fixture.shape.shape_id,
        "platform_lps_mm": fixture.pose.platform_lps_mm,
        "axis_lps": fixture.pose.axis_lps,
        "leeway_over_need": suggestion.leeway_over_need,
        "slack_mm": suggestion.slack_mm,
        "keeps_margins": suggestion.keeps_margins,
        "broken": suggestion.broken,
        "gives_up": suggestion.gives_up,
        "screw_exit": suggestion.exit_text,
        "budget": budget_json(suggestion.budget),
    }


def _suggestion_lines(suggestion: Suggestion) -> list[str]:
    shape = suggestion.fixture.shape
    kept = "keeps every margin" if suggestion.keeps_margins else f"breaks: {', '.join(suggestion.broken)}"
    lines = [f"{shape.label}: {kept}; chance of harm {100 * suggestion.budget.chance_of_harm:.2f} %"]
    if suggestion.gives_up:
        lines.append(f"    {suggestion.gives_up}")
    return lines


def _choose(arguments: Arguments) -> None:
    with open_case(arguments.case, read_only=True) as store:
        plan = store.plan()
        store.bring_into_memory()
        if not plan.fixtures:
            raise PlannerError("No fixture is planned.", "Place the fixtures first.")
        if plan.scan is not None:
            scan_check_of(plan, progress_of(arguments), store)
    choice = choice_of(plan)
    result = {
        "advised": None if choice.advised is None else _option_json(choice.advised),
        "reason": choice.reason,
        "options": [_option_json(option) for option in choice.options],
        "instead": [
            {"label": h.label, "chance_before": h.chance_before, "chance_after": h.chance_after}
            for h in choice.instead
        ],
        "then": choice.then,
    }
    lines = [choice.reason]
    for option in choice.options:
        verdict = (
            "passes" if option.passes else (option.refusals[0].reason if option.refusals else "above the limit")
        )
        name = f"{option.support.value}, {option.guidance.value}"
        lines.append(f"  {name:32} harm {100 * option.worst_chance:5.1f} %  {option.burden.words}  {verdict}")
    tell(arguments, result, [*lines, *choice.then])


def _option_json(option: Option) -> dict[str, Any]:
    return {
        "support": option.support.value,
        "guidance": option.guidance.value,
        "passes": option.passes,
        "eligible": option.eligible,
        "refusals": [r.reason for r in option.refusals],
        "burden": option.burden.words,
        "worst_chance_of_harm": option.worst_chance,
        "ratio_to_limit": option.ratio,
        "spare_mm": option.spare_mm,
        "apex_error_p95_mm": option.apex_p95_mm,
    }
