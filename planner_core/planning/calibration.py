"""Fits the execution and guidance terms to published series, and checks the model on others.

Fitted: Tahmaseb 2018 (execution), Tattan 2020 and Gargallo-Albiol 2020 (guidance). Checked, never fitted: Zhou
2018, the tooth-supported means, the order by support of Ozan 2009, Chen 2019, Gargallo-Albiol's free hand. A check
on a fitted series proves nothing and is listed as fitted.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache

import numpy as np
from attrs import evolve, frozen
from scipy.optimize import least_squares

from planner_core.planning import published
from planner_core.planning.catalogue import parametric_profile
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.error_budget import SiteBudget, site_budget
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.published import PoseSpread, Series

SUPPORTS = (Support.TEETH, Support.MUCOSA, Support.BONE)
"""The reference mixture: equal thirds (our choice; the series mix supports in shares that were not seen)."""

PLAUSIBILITY_MM = 0.3
"""How far hypot(entry, L sin angle) of the means may lie from the apex mean (FACTS.md section 0 row 10)."""


@frozen
class Means:
    """Mean entry and apex error (mm) and angle (deg)."""

    entry_mm: float
    apex_mm: float
    angle_deg: float

    def minus(self, other: Means) -> Means:
        """Give the differences."""
        return Means(self.entry_mm - other.entry_mm, self.apex_mm - other.apex_mm, self.angle_deg - other.angle_deg)


@frozen
class PublishedCheck:
    """One published number beside the model's."""

    series: str
    what: str
    published: float
    low: float | None
    high: float | None
    ours: float
    fitted: bool
    source: str
    mark: str

    @property
    def reproduced(self) -> bool | None:
        """Whether ours lies within the published limits; None where the series gives none."""
        if self.low is None or self.high is None:
            return None
        return bool(self.low <= self.ours <= self.high)


def reference_fixture(length_mm: float = published.REFERENCE_LENGTH_MM) -> PlacedFixture:
    """Give the fixture of the reference configurations, standing upright."""
    shape = FixtureShape("reference", "reference", 4.0, length_mm, 4.0, parametric_profile(4.0, length_mm))
    return PlacedFixture("36", shape, FixturePose([0.0, 0.0, 0.0], [0.0, 0.0, -1.0]))


def reference_budget(
    support: Support,
    guidance: Guidance,
    execution: PoseSpread | None = None,
    extra: PoseSpread | None = None,
    values: Mapping[str, float] | None = None,
) -> SiteBudget:
    """Give the budget of a reference configuration; `extra` replaces the guidance term."""
    guide = GuideInputs(
        support=support, guidance=guidance, execution=execution, values=values or {},
        guidance_extra=extra,
    )  # fmt: skip
    return site_budget(reference_fixture(), guide=guide)


def mean_of(found: Iterable[SiteBudget]) -> Means:
    """Give the mean over several reference configurations of equal share."""
    rows = np.array([(b.entry.mean_abs_mm, b.apex.mean_abs_mm, b.angle_mean_deg) for b in found])
    entry, apex, angle = rows.mean(axis=0)
    return Means(float(entry), float(apex), float(angle))


def mixture(
    guidance: Guidance,
    execution: PoseSpread | None = None,
    extra: PoseSpread | None = None,
    values: Mapping[str, float] | None = None,
) -> Means:
    """Give the means of the reference mixture of supports; free hand has no support."""
    supports = (Support.NONE,) if guidance == Guidance.FREE_HAND else SUPPORTS
    return mean_of(reference_budget(s, guidance, execution, extra, values) for s in supports)


def _spread(x: Iterable[float]) -> PoseSpread:
    shift, tilt, pivot = (float(v) for v in x)
    return PoseSpread(shift, tilt, pivot)


def fit_execution(
    series: Series = published.TAHMASEB_2018, values: Mapping[str, float] | None = None
) -> tuple[PoseSpread, bool]:
    """Give the execution term with which the reference mixture has the series' means, and whether any was left.

    The second value is False where the other terms alone are already larger than the series: then the term is zero
    in that part and the model says so.
    """
    target = np.array([series.entry_mm, series.apex_mm, series.angle_deg], dtype=np.float64)

    def miss(x: np.ndarray) -> np.ndarray:
        m = mixture(Guidance.FULL, _spread(x), values=values)
        return np.array([m.entry_mm, m.apex_mm, m.angle_deg]) - target

    bounds = ([0.0, 0.0, -20.0], [3.0, 12.0, 20.0])
    solved = least_squares(miss, [0.6, 2.3, 0.5], bounds=bounds, xtol=1e-12, ftol=1e-12, diff_step=1e-4)
    return _spread(solved.x), bool(np.abs(solved.fun).max() < 0.01)


def fit_guidance(guidance: Guidance, execution: PoseSpread | None = None) -> PoseSpread:
    """Give the guidance term with which the published differences to full guidance come out."""
    full = mixture(Guidance.FULL, execution)
    if guidance == Guidance.DRILLS:
        aim = published.TATTAN_2020_PARTIAL_ANGLE[0]

        def turn(x: np.ndarray) -> np.ndarray:
            m = mixture(guidance, execution, PoseSpread(0.0, float(x[0]))).minus(full)
            return np.array([m.angle_deg - aim])

        return PoseSpread(0.0, float(least_squares(turn, [3.0], bounds=([0.0], [12.0]), diff_step=1e-4).x[0]))
    series = published.GARGALLO_2020_HALF if guidance == Guidance.PILOT else published.TATTAN_2020_FREE_HAND
    target = np.array([series.entry_mm, series.apex_mm, series.angle_deg], dtype=np.float64)

    def miss(x: np.ndarray) -> np.ndarray:
        m = mixture(guidance, execution, _spread(x)).minus(full)
        return np.array([m.entry_mm, m.apex_mm, m.angle_deg]) - target

    solved = least_squares(
        miss, [1.0, 5.0, 0.0], bounds=([0.0, 0.0, -20.0], [4.0, 15.0, 20.0]), xtol=1e-12, diff_step=1e-4
    )
    return _spread(solved.x)


def _checks(series: Series, means: Means, fitted: bool) -> list[PublishedCheck]:
    found = []
    for what, value, limits, ours in (
        ("entry, mm", series.entry_mm, series.entry_limits_mm, means.entry_mm),
        ("apex, mm", series.apex_mm, series.apex_limits_mm, means.apex_mm),
        ("angle, degrees", series.angle_deg, series.angle_limits_deg, means.angle_deg),
    ):
        if value is not None:
            low, high = limits if limits else (None, None)
            found.append(
                PublishedCheck(series.name, what, value, low, high, ours, fitted, series.source, series.mark)
            )
    return found


@cache
def published_checks() -> tuple[PublishedCheck, ...]:
    """Give every published number beside the model's, fitted ones marked as such."""
    full, free, pilot = (mixture(g) for g in (Guidance.FULL, Guidance.FREE_HAND, Guidance.PILOT))
    drills = mixture(Guidance.DRILLS)
    found = _checks(published.TAHMASEB_2018, full, fitted=True)
    found += _checks(published.ZHOU_2018, full, fitted=False)
    teeth = mean_of([reference_budget(Support.TEETH, Guidance.FULL)])
    found += _checks(published.TOOTH_SUPPORTED, teeth, fitted=False)
    found += _checks(published.TATTAN_2020_FREE_HAND, free.minus(full), fitted=True)
    found += _checks(published.GARGALLO_2020_HALF, pilot.minus(full), fitted=True)
    found += _checks(published.CHEN_2019_FREE_HAND, free.minus(full), fitted=False)
    value, low, high = published.TATTAN_2020_PARTIAL_ANGLE
    found.append(
        PublishedCheck(
            "Tattan 2020, partially minus fully guided", "angle, degrees", value, low, high,
            drills.minus(full).angle_deg, True, published.TATTAN_2020_FREE_HAND.source, "S",
        )
    )  # fmt: skip
    found.append(
        PublishedCheck(
            "Gargallo-Albiol 2020, free hand minus fully guided", "entry, mm",
            published.GARGALLO_2020_FREE_HAND_ENTRY_MM, None, None, free.minus(full).entry_mm, False,
            published.GARGALLO_2020_HALF.source, "S",
        )
    )  # fmt: skip
    for support in SUPPORTS:
        angle = reference_budget(support, Guidance.FULL).angle_mean_deg
        found.append(
            PublishedCheck(
                f"Ozan 2009, {support.value}", "angle, degrees", published.OZAN_2009[support.value], None, None,
                angle, False, "Ozan et al. 2009, J Oral Maxillofac Surg 67:394 (only the order is a check)", "S",
            )
        )  # fmt: skip
    return tuple(found)


def apex_plausible_mm(budget: SiteBudget, length_mm: float) -> float:
    """Give hypot(mean entry, L sin mean angle) minus the mean apex error, mm; within 0.3 mm in the series."""
    angle = np.radians(budget.angle_mean_deg)
    return float(np.hypot(budget.entry.mean_abs_mm, length_mm * np.sin(angle)) - budget.apex.mean_abs_mm)


def with_execution(guide: GuideInputs, execution: PoseSpread, source: str) -> GuideInputs:
    """Give the inputs with another execution term and where it came from."""
    return evolve(guide, execution=execution, execution_source=source)
