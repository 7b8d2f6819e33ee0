"""What stands against a final sheet, and what is to be weighed before surgery (design, section 10)."""

from __future__ import annotations

import re
from collections.abc import Iterator

from planner_core.case.derived import (
    budgets_of,
    guide_inputs_of,
    known_choice,
    known_scan_check,
    ledger_of,
    match_for,
    match_state,
)
from planner_core.case.derived.site_readings import site_readings, unreadable
from planner_core.case.plan import Plan
from planner_core.case.staleness import stale_parts
from planner_core.findings import Finding, Severity
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.eligibility import refusals
from planner_core.planning.ledger import LedgerState
from planner_core.planning.obstacles import ObstacleKind
from planner_core.protocol.sites import side_of

FIRST_SITE_OVER_CANAL = 4
"""From this tooth of a lower quadrant on a site can lie above the canal or its loop: the first premolar.

The foramen lies near the second premolar and loops reach 2.4 mm in the mean, 6 mm at most, in front of it (FACTS.md
section 3: systematic review of 63 studies, S).
"""

_TOUCH_BLOCKS = frozenset(
    set(ObstacleKind) - {ObstacleKind.BONE_SURFACE, ObstacleKind.SINUS_FLOOR, ObstacleKind.NASAL_FLOOR}
)
"""Kinds that nothing in a final plan touches (our choice: bone surface, sinus and nasal floor are weighed)."""


def blockers_of(plan: Plan) -> tuple[Finding, ...]:
    """Give everything that keeps the sheet a draft."""
    return tuple(f for f in findings_of(plan) if f.severity is Severity.BLOCKER)


def findings_of(plan: Plan) -> tuple[Finding, ...]:
    """Give everything open in a plan, blockers first: from import to budget."""
    found = [
        *_scan(plan),
        *_patient(plan),
        *_stale(plan),
        *_match(plan),
        *_anatomy(plan),
        *_fixtures(plan),
        *_guide(plan),
        *_choice(plan),
        *_clearances(plan),
        *_budget(plan),
    ]
    order = {Severity.BLOCKER: 0, Severity.WARNING: 1, Severity.NOTE: 2}
    return tuple(sorted(dict.fromkeys(found), key=lambda finding: order[finding.severity]))


def guided(plan: Plan) -> bool:
    """Tell whether any guide is used."""
    return plan.guide.support is not Support.NONE and plan.guide.guidance is not Guidance.FREE_HAND


def needs_match(plan: Plan) -> bool:
    """Tell whether the guide comes from a matched surface (teeth, mucosa) and not from the bone in the scan."""
    return guided(plan) and plan.guide.support is not Support.BONE


def _block(code: str, text: str, where: str = "") -> Finding:
    return Finding(Severity.BLOCKER, code, text, where)


def _scan(plan: Plan) -> Iterator[Finding]:
    if plan.scan is None:
        yield _block("no-scan", "There is no scan.")
        return
    yield from plan.scan.findings
    check = known_scan_check(plan)
    if check is not None:
        yield from check.findings
        for site, parts in site_readings(plan, check).items():
            for part in unreadable(parts):
                text = f"The scan at {site} cannot be trusted for {part.part}: {part.why}"
                yield Finding(Severity.WARNING, "site-unreadable", text, site)
    if plan.reading is None:
        text = "The whole volume is not signed as read by a qualified person (name, date, findings)."
        yield _block("not-read", text)


def _patient(plan: Plan) -> Iterator[Finding]:
    """Compare the case's patient with the one that the scan names, in what both of them say."""
    if plan.scan is None:
        return
    source, patient = plan.scan.source, plan.patient
    pairs = (
        ("number", patient.patient_id.strip(), source.patient_id.strip()),
        ("name", _name_parts(patient.name), _name_parts(source.patient_name)),
        ("birth date", patient.birth_date.strip(), source.patient_birth_date.strip()),
    )
    different = [what for what, ours, theirs in pairs if ours and theirs and ours != theirs]
    if different:
        text = f"The scan names another patient than the case: the {' and the '.join(different)} differ."
        if len(different) == 1:
            text = f"The scan names another patient than the case: the {different[0]} differs."
        yield _block("patient-differs", text)


def _name_parts(name: str) -> frozenset[str]:
    """Give the parts of a name in no order: "Doe, Jane" and "DOE^JANE" are the same."""
    return frozenset(re.split(r"[\s,^=]+", name.casefold().strip())) - {""}


def _stale(plan: Plan) -> Iterator[Finding]:
    for part in stale_parts(plan):
        yield _block("stale", f"{part.text} {part.remedy}", part.part.partition(":")[2])


_WRONG_MATCH = {
    Support.MUCOSA: (
        "The guide is carried by mucosa, and the match is one of the teeth. Only a dual scan or a matched "
        "prosthesis places a guide on mucosa."
    ),
    Support.TEETH: (
        "The guide is carried by teeth, and the match is one of a prosthesis. Match the surface scan of the teeth."
    ),
}


def _match(plan: Plan) -> Iterator[Finding]:
    if not needs_match(plan):
        return
    state = match_state(plan)
    if state == "none":
        text = f"The guide is carried by {plan.guide.support.value}, and no surface scan is matched to the scan."
        yield _block("no-match", text)
    elif plan.match is not None:
        if state == "in use" and match_for(plan, plan.guide.support) is None:
            yield _block("match-of-another-surface", _WRONG_MATCH[plan.guide.support])
        if state == "not trusted":
            why = " ".join(plan.match.match.reasons)
            yield _block("match-not-trusted", f"The match must not carry a plan. {why}".strip())
        yield from (f for f in plan.match.match.findings if f.severity is not Severity.BLOCKER)
    for surface in plan.surfaces.values():
        yield from surface.findings


def _anatomy(plan: Plan) -> Iterator[Finding]:
    if plan.bone is None and plan.fixtures:
        text = "No bone surface is drawn: the bone left and the depth from the crest are not known."
        yield Finding(Severity.WARNING, "no-bone", text)
    for site in plan.fixtures:
        if site[0] in "34" and int(site[1]) >= FIRST_SITE_OVER_CANAL and side_of(site) not in plan.canals:
            yield _block("canal-not-marked", f"The {side_of(site)} canal is not marked.", site)


def _fixtures(plan: Plan) -> Iterator[Finding]:
    if not plan.fixtures:
        yield _block("no-fixture", "No fixture is planned.")
    for site, fixture in plan.fixtures.items():
        if fixture.shape.generic:
            text = f"Fixture {site} has a generic shape; choose the one to be placed."
            yield _block("generic-fixture", text, site)


def _guide(plan: Plan) -> Iterator[Finding]:
    drills = plan.guide.drill_list
    if drills is None:
        yield _block("no-drill-list", "No drill list is chosen.")
    elif drills.generic:
        yield _block("generic-drills", "The drill steps are from a generic list; the clinic's own list is needed.")
    if not guided(plan):
        yield Finding(Severity.WARNING, "free-hand", "No guide: drilling free hand, with its larger errors.")
        return
    without = [site for site in plan.fixtures if site not in plan.guide.sleeves]
    if without:
        yield _block("no-sleeve", f"No sleeve is chosen for {', '.join(without)}.")
    if not plan.guide.code:
        yield _block("no-guide-code", "The guide has no code to compare aloud at the chair.")


def _choice(plan: Plan) -> Iterator[Finding]:
    """Give what speaks against the guide that was chosen, and whether any guide would do."""
    for tooth in plan.mouth.teeth or ():
        if plan.guide.support is Support.TEETH and guided(plan) and tooth.to_extract:
            text = f"Tooth {tooth.number} is to be extracted and is named as a carrier of the guide."
            yield _block("carrier-to-extract", text, tooth.number)
    for refusal in refusals(
        plan.guide.support, plan.guide.guidance, plan.mouth, guide_inputs_of(plan), plan.fixtures
    ):
        yield Finding(Severity.WARNING, "guide-not-open", f"Against this guide: {refusal.reason}")
    choice = known_choice(plan)
    if choice is not None and choice.advised is None and plan.fixtures:
        yield _block("no-option-passes", f"No option of guide passes. {choice.reason}")


def _clearances(plan: Plan) -> Iterator[Finding]:
    for row in ledger_of(plan).rows:
        if row.state is LedgerState.CLEAR:
            continue
        body = "The drill" if row.body == "drill" else "The fixture"
        if row.state is LedgerState.TOUCHES:
            touching = f"{body} at {row.site} reaches the {_named(row.obstacle)} ({row.distance_mm:.1f} mm)."
            if row.kind is ObstacleKind.BONE_SURFACE:
                touching = f"{body} at {row.site} comes out of the bone ({row.distance_mm:.1f} mm)."
            severity = Severity.BLOCKER if row.kind in _TOUCH_BLOCKS else Severity.WARNING
            yield Finding(severity, "touches", touching, row.site)
        else:
            left = f"{row.distance_mm:.1f} mm, less than the margin of {row.margin_mm:.1f} mm"
            text = f"{body} at {row.site} is near the {_named(row.obstacle)}: {left}."
            if row.kind is ObstacleKind.BONE_SURFACE:
                text = f"Bone beside {body.lower()} at {row.site}: {left}."
            yield Finding(Severity.WARNING, "inside-margin", text, row.site)


def _named(obstacle: str) -> str:
    name, _, side = obstacle.partition(", ")
    return f"{side} {name}" if side else name


def _budget(plan: Plan) -> Iterator[Finding]:
    for site, budget in budgets_of(plan).items():
        yield from budget.findings
        for harm in budget.harms:
            if harm.chance > harm.limit:
                kind_blocks = harm.kind in _TOUCH_BLOCKS
                what = f"harms the {_named(harm.obstacle)}"
                if harm.kind is ObstacleKind.BONE_SURFACE:
                    what = "comes out of the bone"
                text = (
                    f"The chance that the drill at {site} {what} is "
                    f"{100 * harm.chance:.1f} %, above the limit of {100 * harm.limit:g} %."
                )
                yield Finding(Severity.BLOCKER if kind_blocks else Severity.WARNING, "harm-above-limit", text, site)
