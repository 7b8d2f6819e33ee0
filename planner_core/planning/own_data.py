"""A clinic's own outcomes update the execution term, by a stated rule and with a visible weight.

Rule: the execution term's mean squares (entry, apex, angle) have a scaled inverse-chi-square prior worth
`PRIOR_CASES` independent cases, at the value fitted to the published series. Own outcomes, less what the other
sources explain for those guides, are worth their effective number of cases; the posterior is the weighted mean
(conjugate rule: Gelman et al., Bayesian Data Analysis, section 2.6; M). Bench figures are refused: clinical means
and in-house bench figures are never mixed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from attrs import evolve, frozen

from planner_core.errors import PlannerError
from planner_core.planning.calibration import reference_fixture
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.error_budget import SiteBudget, site_budget
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.own_outcomes import CLINICAL, OutcomeLine, OwnData
from planner_core.planning.published import EXECUTION, PoseSpread

PRIOR_CASES = 30.0
"""Independent cases that the published prior is worth (our choice: it gives way within a few dozen own cases)."""

WITHIN_GUIDE_CORRELATION = 0.5
"""How alike the errors of fixtures of one guide are (our choice; match and seating are common to them)."""


@frozen
class OwnOutcome:
    """One fixture, planned against achieved.

    Parameters
    ----------
    guide : str
        Which guide it belonged to; fixtures of one guide count less than fixtures of several.
    expected : SiteBudget
        The budget of that fixture as planned.
    kind : str
        "clinical" or "bench".
    """

    guide: str
    entry_mm: float
    apex_mm: float
    angle_deg: float
    length_mm: float
    expected: SiteBudget
    kind: str = CLINICAL


@frozen
class Update:
    """The updated execution term and how much of it is the clinic's own."""

    prior: PoseSpread
    posterior: PoseSpread
    fixtures: int
    guides: int
    effective_cases: float
    prior_cases: float
    own_share: float
    """Share of the posterior that the own data carry, 0..1."""
    text: str
    source: str = ""
    """The file that the outcomes came from, with the start of its hash."""


def effective_cases(outcomes: Iterable[OwnOutcome]) -> float:
    """Give the number of independent cases that clustered fixtures are worth (design effect, Kish 1965; M)."""
    counts: dict[str, int] = {}
    for outcome in outcomes:
        counts[outcome.guide] = counts.get(outcome.guide, 0) + 1
    return float(sum(n / (1.0 + (n - 1) * WITHIN_GUIDE_CORRELATION) for n in counts.values()))


def update_execution(
    outcomes: Sequence[OwnOutcome], prior: PoseSpread = EXECUTION, prior_cases: float = PRIOR_CASES
) -> Update:
    """Give the execution term after the clinic's own outcomes.

    Raises
    ------
    PlannerError
        If there are none, if bench figures are among them, or if a number cannot be an error.
    """
    if not outcomes:
        raise PlannerError("There are no own outcomes yet.", "Measure at least one fixture.")
    if any(o.kind != CLINICAL for o in outcomes):
        raise PlannerError(
            "Bench figures cannot update the clinical error.", "Leave them out; they are shown beside it."
        )
    numbers = np.array([(o.entry_mm, o.apex_mm, o.angle_deg, o.length_mm) for o in outcomes])
    if not np.isfinite(numbers).all() or (numbers < 0).any() or (numbers[:, 3] <= 0).any():
        raise PlannerError("An outcome has an error that is not a length or an angle.", "Correct it.")
    length = float(numbers[:, 3].mean())
    observed = np.array(
        [np.mean(numbers[:, 0] ** 2), np.mean(numbers[:, 1] ** 2), np.mean(np.radians(numbers[:, 2]) ** 2)]
    )
    explained = np.mean([_explained(o.expected) for o in outcomes], axis=0)
    own = np.clip(observed - explained, 0.0, None)
    weight = effective_cases(outcomes)
    share = weight / (weight + prior_cases)
    posterior = spread_of((1.0 - share) * moments_of(prior, length) + share * own, length)
    guides = len({o.guide for o in outcomes})
    text = (
        f"{len(outcomes)} fixtures of {guides} guides are worth {weight:.1f} independent cases against "
        f"{prior_cases:.0f} of the published figures: {100 * share:.0f} % of what is expected of the hands is "
        "their own."
    )
    if np.any(observed - explained < 0.0):
        text += " The other sources alone explain more than was measured: the remainder is taken as zero."
    return Update(prior, posterior, len(outcomes), guides, weight, prior_cases, share, text)


def update_from(data: OwnData) -> Update | None:
    """Give the execution term after a clinic's own outcomes; None where none of them is clinical.

    What the other sources explain is taken from the reference configuration of each fixture's support, guidance and
    length, since the plans of past cases are not at hand.
    """
    lines = data.of_kind(CLINICAL)
    if not lines:
        return None
    known: dict[tuple[Support, Guidance, float], SiteBudget] = {}
    outcomes = []
    for line in lines:
        key = (line.support, line.guidance, line.length_mm)
        if key not in known:
            guide = GuideInputs(support=line.support, guidance=line.guidance)
            known[key] = site_budget(reference_fixture(line.length_mm), guide=guide)
        outcomes.append(
            OwnOutcome(
                line.guide, line.entry_mm, line.apex_mm, line.angle_deg, line.length_mm, known[key], line.kind
            )
        )
    return evolve(update_execution(outcomes), source=f"{data.source} (SHA-256 {data.sha256[:12]})")


@frozen
class Summary:
    """Plain means of some outcomes, as they were measured."""

    fixtures: int
    guides: int
    entry_mean_mm: float
    apex_mean_mm: float
    angle_mean_deg: float
    apex_largest_mm: float


def summary_of(lines: Sequence[OutcomeLine]) -> Summary | None:
    """Give the means of outcomes of one kind; None where there are none."""
    if not lines:
        return None
    if len({line.kind for line in lines}) > 1:
        raise PlannerError("Clinical and bench figures have no common mean.", "Ask for one kind.")
    rows = np.array([(line.entry_mm, line.apex_mm, line.angle_deg) for line in lines])
    entry, apex, angle = (float(v) for v in rows.mean(axis=0))
    return Summary(len(lines), len({line.guide for line in lines}), entry, apex, angle, float(rows[:, 1].max()))


def moments_of(spread: PoseSpread, length_mm: float) -> np.ndarray:
    """Give mean squares (entry mm^2, apex mm^2, angle rad^2) of a spread for a fixture of this length."""
    shift, tilt = 3.0 * spread.shift_sigma_mm**2, 2.0 * np.radians(spread.tilt_sigma_deg) ** 2
    return np.array([shift + tilt * spread.pivot_mm**2, shift + tilt * (length_mm - spread.pivot_mm) ** 2, tilt])


def spread_of(moments: np.ndarray, length_mm: float) -> PoseSpread:
    """Give the spread with these mean squares (the inverse of `moments_of`); what cannot be is set to zero."""
    entry, apex, tilt = (float(m) for m in moments)
    pivot = 0.0
    if tilt > 1e-12:
        pivot = (length_mm**2 - (apex - entry) / tilt) / (2.0 * length_mm)
        pivot = float(np.clip(pivot, -length_mm, 2.0 * length_mm))
    shift = max(0.0, (entry - tilt * pivot**2) / 3.0)
    return PoseSpread(float(np.sqrt(shift)), float(np.degrees(np.sqrt(tilt / 2.0))), pivot)


def _explained(budget: SiteBudget) -> np.ndarray:
    """Give the mean squares that all sources but execution explain."""
    other = [s for s in budget.sources if s.name != "execution"]
    entry = sum(s.entry_rms_mm**2 for s in other)
    apex = sum(s.apex_rms_mm**2 for s in other)
    moved = budget.displacement
    total = 0.0
    if moved is not None:
        toward = budget.axis_lps
        across = np.eye(3) - np.outer(toward, toward)
        total = float(np.trace(across @ moved.covariance[:3, :3] @ across)) - budget.execution_tilt_rad2
    return np.array([entry, apex, max(total, 0.0)])
