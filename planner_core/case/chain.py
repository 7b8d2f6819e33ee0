"""The chain: eight questions from scan to outcome, each with its computed answer, per site where that matters.

An answer that rests on something stale vanishes, and so do all answers behind it, until they are computed again.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from attrs import evolve, field, frozen

from planner_core.case.blockers import blockers_of, guided, needs_match
from planner_core.case.derived import budgets_of, known_scan_check, ledger_of, match_for, match_state
from planner_core.case.derived.site_readings import site_readings, site_word, unreadable
from planner_core.case.plan import Plan, frozen_mapping
from planner_core.case.staleness import StalePart, stale_parts
from planner_core.planning.ledger import LedgerState

QUESTIONS = (
    ("scan", "Can this scan be trusted?"),
    ("match", "Do the scans agree?"),
    ("anatomy", "What is in the way?"),
    ("fixtures", "Where do they go?"),
    ("budget", "What error does the bone forgive?"),
    ("guide", "What carries the drill?"),
    ("sheet", "What goes to the chair?"),
    ("outcome", "Did it land?"),
)
"""Keys and questions, in their order (design, section 7)."""


class LinkState(StrEnum):
    """Where a question stands."""

    ANSWERED = "answered"
    OPEN = "open"
    """Something is to be done by the user."""
    STALE = "stale"
    """An input has changed since; the answer is gone."""
    WAITING = "waiting"
    """An earlier link, or work in progress, comes first."""


@frozen
class Link:
    """One question of the chain.

    Parameters
    ----------
    answer : str
        Computed, in a few words; for an open link what is missing.
    per_site : mapping of site to str
        The answer at each site, where that is what matters.
    why : str
        A sentence for a stale or open link; for the scan what cannot be read at which site, and why.
    """

    key: str
    question: str
    answer: str
    state: LinkState
    per_site: Mapping[str, str] = field(converter=frozen_mapping, factory=dict)
    why: str = ""


def chain_of(plan: Plan) -> tuple[Link, ...]:
    """Give the eight links. Nothing slow is computed: a scan check not yet made leaves its link waiting."""
    makers = (_scan, _match, _anatomy, _fixtures, _budget, _guide, _sheet, _outcome)
    links = [
        evolve(make(plan), key=key, question=question)
        for (key, question), make in zip(QUESTIONS, makers, strict=True)
    ]
    return tuple(_broken(links, plan))


def _link(answer: str, state: LinkState, per_site: Mapping[str, str] | None = None, why: str = "") -> Link:
    return Link("", "", answer, state, per_site or {}, why)


def _broken(links: list[Link], plan: Plan) -> list[Link]:
    """Break the link of each stale part and take back the answers behind the first of them."""
    place = {key: number for number, (key, _) in enumerate(QUESTIONS)}
    first = len(links)
    for part in stale_parts(plan):
        number = place[_link_of(part)]
        links[number] = evolve(links[number], answer="", state=LinkState.STALE, per_site={}, why=part.text)
        # A reading that is not of today blocks the sheet, but no number rests on it.
        first = min(first, number if part.part != "reading" else place["sheet"] - 1)
    for number in range(first + 1, len(links)):
        if links[number].state is LinkState.ANSWERED:
            why = f"Waits for: {links[first].question}"
            links[number] = evolve(links[number], answer="", state=LinkState.WAITING, per_site={}, why=why)
    return links


def _link_of(part: StalePart) -> str:
    kind = part.part.partition(":")[0]
    return {"match": "match", "pairs": "match", "markers": "match", "fixture": "fixtures", "reading": "sheet"}.get(
        kind, "anatomy"
    )


def _listed(per_site: Mapping[str, str], limit: int = 4) -> str:
    shown = [f"{site} {text}" for site, text in list(per_site.items())[:limit]]
    more = len(per_site) - limit
    return ", ".join(shown) + (f" and {more} more" if more > 0 else "")


def _scan(plan: Plan) -> Link:
    if plan.scan is None:
        return _link("No scan yet", LinkState.OPEN, why="Import the scan.")
    check = known_scan_check(plan)
    if check is None:
        return _link("Being checked", LinkState.WAITING)
    if plan.fixtures:
        readings = site_readings(plan, check)
        per_site = {site: site_word(parts) for site, parts in readings.items()}
        why = [f"{site}, {part.part}: {part.why}" for site, parts in readings.items() for part in unreadable(parts)]
        return _link(_listed(per_site), LinkState.ANSWERED, per_site, " ".join(why))
    if not check.degraded_slices:
        return _link("Yes", LinkState.ANSWERED)
    ranges = ", ".join(f"{a + 1}–{b + 1}" for a, b in check.degraded_slices[:3])
    return _link(f"Not in slices {ranges}", LinkState.ANSWERED)


def _match(plan: Plan) -> Link:
    if plan.scan is None:
        return _link("", LinkState.WAITING)
    if plan.match is None:
        if not needs_match(plan):
            return _link("Not needed for this guide", LinkState.ANSWERED)
        if not plan.surfaces:
            return _link("No surface scan yet", LinkState.OPEN, why="Bring in the surface scan of the teeth.")
        return _link("Not matched yet", LinkState.OPEN, why="Match the surface scan to the volume.")
    match = plan.match.match
    if match_state(plan) == "not trusted":
        return _link("No", LinkState.OPEN, why=" ".join(match.reasons))
    per_site = {
        site: f"{max(match.expected_p95_mm(f.pose.platform_lps_mm), 0.1):.1f} mm"
        for site, f in plan.fixtures.items()
    }
    if not per_site:
        return _link(f"Matched by {match.road.value}", LinkState.ANSWERED)
    return _link(f"within {_listed(per_site)}", LinkState.ANSWERED, per_site)


def _counted(count: int, one: str, more: str = "") -> str:
    return f"{count} {one if count == 1 else more or one + 's'}"


def _anatomy(plan: Plan) -> Link:
    if plan.scan is None:
        return _link("", LinkState.WAITING)
    missing = ["arch curve"] if plan.arch is None else []
    if plan.jaw.value == "lower":
        missing += [f"{side} canal" for side in ("right", "left") if side not in plan.canals]
    missing += ["bone surface"] if plan.bone is None else []
    there = [_counted(len(plan.canals), "canal")] if plan.canals else []
    there += ["bone surface"] if plan.bone is not None else []
    there += [_counted(len(plan.teeth), "tooth", "teeth")] if plan.teeth else []
    there += [_counted(len(plan.cavities), "air space")] if plan.cavities else []
    there += [f"{len(plan.drawn)} drawn"] if plan.drawn else []
    if plan.arch is None:
        return _link("Arch curve not drawn", LinkState.OPEN, why=f"Still to do: {', '.join(missing)}.")
    if missing:
        return _link(f"{missing[0]} missing", LinkState.OPEN, why=f"Still to do: {', '.join(missing)}.")
    return _link(", ".join(there) or "arch curve", LinkState.ANSWERED)


_WORST = {LedgerState.TOUCHES: 2, LedgerState.INSIDE_MARGIN: 1, LedgerState.CLEAR: 0}


def _fixtures(plan: Plan) -> Link:
    if plan.scan is None:
        return _link("", LinkState.WAITING)
    if not plan.fixtures:
        return _link("None placed yet", LinkState.OPEN, why="Place a fixture.")
    ledger = ledger_of(plan)
    per_site = {}
    for site in plan.fixtures:
        worst = max(ledger.of(site), key=lambda row: _WORST[row.state], default=None)
        per_site[site] = "nothing marked near" if worst is None else worst.state.value
        if worst is not None and worst.state is not LedgerState.CLEAR:
            per_site[site] += f" ({worst.obstacle.partition(',')[0]})"
    return _link(_listed(per_site), LinkState.ANSWERED, per_site)


def _budget(plan: Plan) -> Link:
    if not plan.fixtures or plan.scan is None:
        return _link("", LinkState.WAITING)
    if needs_match(plan) and match_for(plan, plan.guide.support) is None:
        return _link("Waits for the match", LinkState.WAITING)
    per_site = {}
    for site, budget in budgets_of(plan).items():
        decisive = budget.decisive
        if decisive is None:
            per_site[site] = f"apex {budget.apex.p95_mm:.1f} mm"
        else:
            word = "enough" if decisive.chance <= decisive.limit else "too little"
            per_site[site] = f"{word} ({max(decisive.leeway_mm, 0.0):.1f} mm)"
    return _link(_listed(per_site), LinkState.ANSWERED, per_site)


def _guide(plan: Plan) -> Link:
    if not plan.fixtures:
        return _link("", LinkState.WAITING)
    if not guided(plan):
        return _link("Nothing: free hand", LinkState.ANSWERED)
    without = [site for site in plan.fixtures if site not in plan.guide.sleeves]
    said = f"{plan.guide.support.value[0].upper()}{plan.guide.support.value[1:]}, {plan.guide.guidance.value}"
    if without:
        return _link(said, LinkState.OPEN, why=f"No sleeve is chosen for {', '.join(without)}.")
    return _link(said, LinkState.ANSWERED)


def _sheet(plan: Plan) -> Link:
    if not plan.fixtures:
        return _link("", LinkState.WAITING)
    count = len({blocker.text for blocker in blockers_of(plan)})
    if count:
        return _link(f"Draft, {count} open", LinkState.OPEN, why="What is open stands on the sheet's cover.")
    return _link("Final sheet", LinkState.ANSWERED)


def _outcome(plan: Plan) -> Link:
    return _link("Not measured yet", LinkState.OPEN if plan.fixtures else LinkState.WAITING)
