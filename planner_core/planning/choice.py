"""The choice of guide: what carries it and how much of the drilling it leads.

Eligibility first, each refusal with its reason; then chance of harm against the limit, leeway against need, and the
burden on the patient. The least invasive option that passes is advised; "none passes" is an answer. Nothing is
forced: whatever wins, wins by the numbers, and the assumption that decides is named.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from enum import IntEnum
from typing import Any

from attrs import evolve, field, frozen

from planner_core.geometry.covariance import PoseCovariance
from planner_core.planning.carriers import carried
from planner_core.planning.catalogue import Catalogue
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.eligibility import MouthFacts, Refusal, refusals
from planner_core.planning.error_budget import SiteBudget, budgets
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import COUNTED_KINDS
from planner_core.planning.ledger import LedgerRow
from planner_core.planning.obstacles import Obstacle
from planner_core.planning.seating import BearingPlaces
from planner_core.planning.sensitivity import Effect, sensitivity, worst_ratio
from planner_core.planning.what_helps import Help, what_helps


class Burden(IntEnum):
    """What the patient has to bear, least first."""

    NO_FLAP = 0
    PUNCH = 1
    FLAP = 2

    @property
    def words(self) -> str:
        """The burden in words."""
        return ("no flap", "punch through the mucosa", "full flap")[self.value]


OPTIONS: tuple[tuple[Support, Guidance], ...] = (
    *(
        (support, guidance)
        for support in (Support.TEETH, Support.MUCOSA, Support.BONE)
        for guidance in (Guidance.FULL, Guidance.DRILLS, Guidance.PILOT)
    ),
    (Support.NONE, Guidance.FREE_HAND),
)
"""Rows of the table."""

WORTH_NAMING = 0.1
"""Changes that save less than this share of the chance of harm are not named in the advice (our choice)."""

LEAST_NAMED = 1e-4
"""Smaller chances are not told apart: the model's tails are assumptions (our choice)."""

LIMITS_OF_ADVICE = (
    "The figures are means of published series and assumptions named beside them; whether this mouth and this "
    "operator are like those, the clinician decides."
)


@frozen(eq=False)
class Option:
    """One row of the table.

    Parameters
    ----------
    worst_chance : float
        Largest chance of harm at a counted obstacle among the sites.
    ratio : float
        Largest chance over its limit; at most 1 passes.
    spare_mm : float
        Least leeway minus need among the sites; inf with nothing near.
    """

    support: Support
    guidance: Guidance
    refusals: tuple[Refusal, ...]
    burden: Burden
    worst_chance: float
    ratio: float
    spare_mm: float
    apex_p95_mm: float
    sites: Mapping[str, SiteBudget] = field(repr=False)

    @property
    def weighed(self) -> float:
        """Every counted chance of harm over its limit, summed: tells options apart that all pass."""
        return sum(h.chance / h.limit for b in self.sites.values() for h in b.harms if h.kind in COUNTED_KINDS)

    @property
    def eligible(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.refusals

    @property
    def passes(self) -> bool:
        """Whether it is open and within every limit."""
        return self.eligible and self.ratio <= 1.0


@frozen(eq=False)
class Choice:
    """The table, the advice and what it hangs on.

    `advised` is None when none passes; `instead` then lists what lowers the chance, worked out, and `then` what
    remains in words.
    """

    options: tuple[Option, ...]
    advised: Option | None
    reason: str
    decisive: Effect | None
    instead: tuple[Help, ...] = ()
    then: tuple[str, ...] = ()


def burden_of(support: Support, guidance: Guidance, facts: MouthFacts) -> Burden:
    """Give the burden of an option: bone support and drilling by eye need the bone laid open."""
    if facts.flap_needed or support in (Support.BONE, Support.NONE):
        return Burden.FLAP
    return Burden.PUNCH if support == Support.MUCOSA else Burden.NO_FLAP


def choose(
    fixtures: Mapping[str, PlacedFixture],
    obstacles: Sequence[Obstacle],
    rows: Iterable[LedgerRow],
    *,
    guide: GuideInputs,
    matches: Mapping[Support, PoseCovariance | None] | None = None,
    places: Mapping[Support, BearingPlaces] | None = None,
    facts: MouthFacts | None = None,
    catalogue: Catalogue | None = None,
    degradation: Any = None,
) -> Choice:
    """Give the choice of guide for a set of fixtures.

    Parameters
    ----------
    guide : GuideInputs
        Sleeves, drills, pins and numbers; its support and guidance are varied.
    matches : mapping of Support to PoseCovariance or None
        The match that each support would stand on (teeth: surface or markers; mucosa: dual scan).
    places : mapping of Support to BearingPlaces
        Where a guide of each support would bear; the typical guide where missing.
    facts : MouthFacts
    catalogue : Catalogue
        For shorter and narrower fixtures, when none passes.
    """
    known = facts or MouthFacts()
    members = tuple(rows)
    options = tuple(
        _option(support, guidance, fixtures, members, guide, matches or {}, places or {}, known, degradation)
        for support, guidance in OPTIONS
    )
    passing = [o for o in options if o.passes]
    advised = min(passing, key=lambda o: (o.burden, o.weighed), default=None)
    basis = advised or min((o for o in options if o.eligible), key=lambda o: o.ratio, default=None)
    decisive = None
    instead: tuple[Help, ...] = ()
    if basis is not None and fixtures:
        inputs = _inputs(basis.support, basis.guidance, fixtures, guide, places or {})
        match = (matches or {}).get(basis.support)
        effects = sensitivity(fixtures, members, guide=inputs, match=match, degradation=degradation)
        decisive = effects[0] if effects else None
        if advised is None:
            site = _worst_site(basis.sites)
            helps = what_helps(
                site, fixtures, obstacles, guide=inputs, match=match, catalogue=catalogue, degradation=degradation
            )
            instead = tuple(h for h in helps if h.saved > WORTH_NAMING * h.chance_before)
    return Choice(options, advised, _reason(options, advised, basis), decisive, instead, _then(advised, instead))


def _inputs(
    support: Support,
    guidance: Guidance,
    fixtures: Mapping[str, PlacedFixture],
    guide: GuideInputs,
    places: Mapping[Support, BearingPlaces],
) -> GuideInputs:
    return evolve(carried(guide, support, fixtures, places), guidance=guidance)


def _option(
    support: Support,
    guidance: Guidance,
    fixtures: Mapping[str, PlacedFixture],
    rows: Sequence[LedgerRow],
    guide: GuideInputs,
    matches: Mapping[Support, PoseCovariance | None],
    places: Mapping[Support, BearingPlaces],
    facts: MouthFacts,
    degradation: Any,
) -> Option:
    inputs = _inputs(support, guidance, fixtures, guide, places)
    found = budgets(fixtures, guide=inputs, match=matches.get(support), rows=rows, degradation=degradation)
    harms = [h for b in found.values() for h in b.harms if h.kind in COUNTED_KINDS]
    return Option(
        support,
        guidance,
        refusals(support, guidance, facts, inputs, fixtures),
        burden_of(support, guidance, facts),
        max((h.chance for h in harms), default=0.0),
        worst_ratio(found),
        min((h.leeway_mm - h.need_mm for h in harms), default=float("inf")),
        max((b.apex.p95_mm for b in found.values()), default=0.0),
        found,
    )


def _worst_site(sites: Mapping[str, SiteBudget]) -> str:
    return max(sites, key=lambda site: worst_ratio({site: sites[site]}))


def _name(option: Option) -> str:
    if option.support == Support.NONE:
        return "free hand"
    return f"a guide on {option.support.value}, {option.guidance.value}"


def _reason(options: Sequence[Option], advised: Option | None, basis: Option | None) -> str:
    passing = [o for o in options if o.passes]
    if basis is None:
        return "No option is open to this mouth."
    if advised is None:
        closed = sum(not o.eligible for o in options)
        start = (
            f"None passes: {closed} of {len(options)} are not open to this mouth, and" if closed else "None passes:"
        )
        return (
            f"{start} even {_name(basis)} has a chance of harm {basis.ratio:.1f} times its limit at the worst "
            f"structure."
        )
    alike = sum(o.burden == advised.burden for o in passing)
    why = f"{len(passing)} of {len(options)} ways pass"
    if alike > 1:
        why += f", {alike} of them with this least burden; this one has the least chances of harm for their limits"
    elif len(passing) > 1:
        why += ", and this one burdens the patient least"
    return (
        f"{_name(advised).capitalize()}: {_percent(advised.worst_chance)} chance of harm at the worst structure, "
        f"{advised.burden.words}. {why}."
    )


def _percent(chance: float) -> str:
    if chance < LEAST_NAMED:
        return f"under {100 * LEAST_NAMED:g} %"
    return f"{100 * chance:.2g} %"


def _then(advised: Option | None, instead: Sequence[Help]) -> tuple[str, ...]:
    if advised is not None:
        return ()
    worked_out = tuple(
        f"{h.label.capitalize()}: chance of harm there {_percent(h.chance_before)} now, "
        f"{_percent(h.chance_after)} then."
        for h in instead[:4]
    )
    return (
        *worked_out,
        "Another site.",
        "Bone graft first.",
        "Dynamic navigation (apex 1.0 mm, 4.1 degrees on average in clinical series: Schnutenhaus et al. 2021), by "
        "those trained in it; not worked out for this mouth.",
        "No fixture: another kind of replacement.",
    )
