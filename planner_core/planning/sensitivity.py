"""Which assumption decides the answer: the budget with each number of the model at its low and high end."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from attrs import frozen

from planner_core.geometry.covariance import PoseCovariance
from planner_core.planning.defaults import DEFAULTS
from planner_core.planning.error_budget import SiteBudget, budgets
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import COUNTED_KINDS
from planner_core.planning.ledger import LedgerRow


@frozen
class Effect:
    """What one number does between its low and its high end.

    Parameters
    ----------
    ratio_low, ratio_high : float
        Largest chance of harm over its limit among all sites, at the low and the high end; above 1 fails.
    decides : bool
        Whether the answer (within limits or not) differs from today's at one of the ends.
    """

    name: str
    label: str
    unit: str
    low: float
    value: float
    high: float
    ratio_low: float
    ratio: float
    ratio_high: float
    apex_p95_low_mm: float
    apex_p95_high_mm: float
    decides: bool
    source: str
    mark: str

    @property
    def swing(self) -> float:
        """How much the ratio of chance to limit moves."""
        return abs(self.ratio_high - self.ratio_low)


def worst_ratio(found: Mapping[str, SiteBudget]) -> float:
    """Give the largest chance of harm over its limit among all sites and obstacles that count; 0 with none."""
    return max(
        (h.chance / h.limit for b in found.values() for h in b.harms if h.kind in COUNTED_KINDS), default=0.0
    )


def sensitivity(
    fixtures: Mapping[str, PlacedFixture],
    rows: Iterable[LedgerRow],
    *,
    guide: GuideInputs,
    match: PoseCovariance | None = None,
    degradation: Any = None,
) -> tuple[Effect, ...]:
    """Give the effect of every number of the model, the one that decides most first."""
    members = tuple(rows)

    def at(inputs: GuideInputs) -> tuple[float, float]:
        found = budgets(fixtures, guide=inputs, match=match, rows=members, degradation=degradation)
        return worst_ratio(found), max((b.apex.p95_mm for b in found.values()), default=0.0)

    now, _ = at(guide)
    effects = []
    for name, quantity in DEFAULTS.items():
        low, low_p95 = at(guide.changed(**{name: quantity.low}))
        high, high_p95 = at(guide.changed(**{name: quantity.high}))
        if low == high and low_p95 == high_p95:
            continue
        effects.append(
            Effect(
                name,
                quantity.label,
                quantity.unit,
                quantity.low,
                guide.value(name),
                quantity.high,
                low,
                now,
                high,
                low_p95,
                high_p95,
                (low > 1.0) != (now > 1.0) or (high > 1.0) != (now > 1.0),
                quantity.source,
                quantity.mark,
            )
        )
    return tuple(
        sorted(effects, key=lambda e: (not e.decides, -e.swing, -abs(e.apex_p95_high_mm - e.apex_p95_low_mm)))
    )
