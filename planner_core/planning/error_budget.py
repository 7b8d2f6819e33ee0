"""The error budget of a site: how far the drill may stray, what that is made of, and the chance of harm.

First order: all sources are small rigid displacements whose means and covariances add; harm is judged on one side,
along the nearest direction to each obstacle. `monte_carlo` evaluates the same sources without these two
simplifications.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from attrs import field, frozen

from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import FloatArray
from planner_core.planning.drilling import Support
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.gathered import Gathered, displacements, gathered
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import COUNTED_KINDS, Harm, harms_of, lever
from planner_core.planning.ledger import LedgerRow, overshoot_mm
from planner_core.planning.magnitudes import mean_lengths, mixture_quantiles
from planner_core.planning.obstacles import ObstacleKind

ENVELOPE_POINTS = 9
"""Depths at which the envelope is given (our choice)."""


NOT_HELD_MM = 4.5
"""A guide whose 95 % error at entry is larger is not held by its bearings, mm.

The largest entry error among 1,530 fixtures was 4.5 mm (Tahmaseb 2014, S)."""


@frozen(eq=False)
class PointError:
    """The error of one point of the drill's axis."""

    mean_mm: FloatArray
    """Signed mean in LPS, shape (3,)."""
    covariance_mm2: FloatArray
    """Shape (3, 3), LPS."""
    mean_abs_mm: float
    p95_mm: float


@frozen
class SourceShare:
    """How much one source contributes; `share` is its part of the variance at the apex, all shares add to 1."""

    name: str
    label: str
    entry_rms_mm: float
    apex_rms_mm: float
    share: float
    value_text: str
    source_text: str
    mark: str


@frozen(eq=False)
class Envelope:
    """How far each point of the drill's axis may stray, 95 %: distance in any direction, by depth."""

    depths_mm: FloatArray
    radius_p95_mm: FloatArray


@frozen(eq=False)
class SiteBudget:
    """The error budget of one site; lengths in mm, angles in degrees, depth + deeper than planned."""

    site: str
    entry: PointError
    apex: PointError
    angle_mean_deg: float
    angle_p95_deg: float
    depth_mean_mm: float
    depth_p95_mm: float
    """95th percentile of the absolute depth error."""
    sources: tuple[SourceShare, ...]
    harms: tuple[Harm, ...]
    chance_of_harm: float
    envelope: Envelope
    findings: tuple[Finding, ...] = ()
    total: tuple[FloatArray, FloatArray, FloatArray] | None = field(default=None, repr=False)
    """Covariance (6, 6), mean (6,) and platform centre (3,) of all sources together."""
    axis_lps: FloatArray = field(factory=lambda: np.array([0.0, 0.0, -1.0]))
    execution_tilt_rad2: float = 0.0
    """Part of the mean square tilt that is execution."""

    @property
    def displacement(self) -> PoseCovariance | None:
        """All sources together, about the platform centre, LPS; without blunders."""
        if self.total is None:
            return None
        covariance, mean, platform = self.total
        return PoseCovariance((covariance + covariance.T) / 2.0, platform, mean)

    @property
    def decisive(self) -> Harm | None:
        """The obstacle that decides, None when nothing is near."""
        return next((harm for harm in self.harms if harm.decisive), None)

    @property
    def within_limits(self) -> bool:
        """Whether every counted chance stays within its limit."""
        return all(h.chance <= h.limit for h in self.harms if h.kind in COUNTED_KINDS)


class _Sites:
    """All sites side by side for numpy, as a mixture of normal laws (`harm.Displacements`)."""

    def __init__(self, found: Gathered, guide: GuideInputs) -> None:
        self.moved = displacements(found, guide)
        self.weights, self.laws = self.moved.laws()
        self.axis, self.mean = self.moved.axes_lps, self.moved.mean
        self.length = found.lengths_mm
        over = overshoot_mm(guide.drills)
        self.depths = np.linspace(0.0, 1.0, ENVELOPE_POINTS) * (self.length + over)[:, None]

    def stacked(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give apex, envelope points, tilt and depth as vectors (s, k, 3): covariances by law, overall, means.

        Depth has only its part along the axis, tilt (rad) only that across it.
        """
        depths = np.concatenate([self.length[:, None], self.depths], axis=1)
        along = self.axis[:, :, None] * self.axis[:, None, :]
        take = np.zeros((len(self.axis), depths.shape[1] + 2, 3, 6))
        take[:, :-2] = lever(depths[..., None] * self.axis[:, None, :])
        take[:, -2, :, :3] = np.eye(3) - along
        take[:, -1] = along @ take[:, 0]
        turned = np.swapaxes(take, -1, -2)
        by_law = take @ self.laws[:, :, None] @ turned
        # The laws' weighted mean but for blunders is the stated covariance.
        overall = take[:, :2] @ self.moved.covariance[:, None] @ turned[:, :2]
        return by_law, overall, (take @ self.mean[:, None, :, None])[..., 0]


def budgets(
    fixtures: Mapping[str, PlacedFixture],
    *,
    guide: GuideInputs,
    match: PoseCovariance | None = None,
    rows: Iterable[LedgerRow] = (),
    degradation: Any = None,
) -> Mapping[str, SiteBudget]:
    """Give the first-order error budget of every fixture.

    Parameters
    ----------
    fixtures : mapping of site to PlacedFixture
        All fixtures of one guide: they share match and seating.
    guide : GuideInputs
    match : PoseCovariance or None
        Of the adopted match; None = the published error of a clean mouth, with a finding.
    rows : iterable of LedgerRow
        Clearances of these fixtures (`ledger`).
    degradation : object with ``level_at(points (n, 3)) -> (n,)`` in 0..1, optional
        The scan check; obstacles in degraded places are taken as less certain.
    """
    if not fixtures:
        return {}
    known = gathered(fixtures, guide, match)
    sites = _Sites(known, guide)
    by_law, overall, means = sites.stacked()
    picked = [0, 1, -2]
    mean_abs = np.tensordot(sites.weights, mean_lengths(by_law[:, :, picked], means[:, picked]), axes=1)
    p95 = mixture_quantiles(by_law, means, sites.weights)
    depth_mean = np.einsum("si,si->s", sites.axis, means[:, -1])
    harms = harms_of(sites.moved, guide, tuple(rows), degradation)
    shares = _shares(known)
    execution = known.covariances[:, known.index_of("execution"), :3, :3]
    found = {}
    for k, site in enumerate(known.sites):
        entry, apex = (
            PointError(means[k, e], overall[k, e], float(mean_abs[k, e]), float(p95[k, e])) for e in (1, 0)
        )
        found[site] = SiteBudget(
            site,
            entry,
            apex,
            float(np.degrees(mean_abs[k, 2])),
            float(np.degrees(p95[k, -2])),
            float(depth_mean[k]),
            float(p95[k, -1]),
            shares[k],
            harms[site],
            _union(harm.chance for harm in harms[site] if harm.kind in COUNTED_KINDS),
            Envelope(sites.depths[k], p95[k, 1:-2]),
            tuple(_findings(guide, match, site, harms[site], entry.p95_mm)),
            (sites.moved.covariance[k], sites.mean[k], known.platforms_lps_mm[k]),
            known.axes_lps[k],
            float(execution[k, 0, 0] + execution[k, 1, 1] + execution[k, 2, 2]),
        )
    return found


def site_budget(
    fixture: PlacedFixture,
    *,
    guide: GuideInputs,
    match: PoseCovariance | None = None,
    rows: Iterable[LedgerRow] = (),
    degradation: Any = None,
) -> SiteBudget:
    """Give the first-order error budget of one fixture on its own; see `budgets`."""
    own = [row for row in rows if row.site == fixture.site]
    return budgets({fixture.site: fixture}, guide=guide, match=match, rows=own, degradation=degradation)[
        fixture.site
    ]


def _shares(known: Gathered) -> list[tuple[SourceShare, ...]]:
    """Give every site's sources with what each does at entry and apex."""
    jacobian = lever(np.stack([np.zeros_like(known.axes_lps), known.lengths_mm[:, None] * known.axes_lps], axis=1))
    pulled = jacobian[:, :, None] @ known.covariances[:, None]
    spread = (pulled * jacobian[:, :, None]).sum(axis=(-1, -2))
    moved = (jacobian[:, :, None] @ known.means[:, None, :, :, None])[..., 0]
    rms = np.sqrt(np.maximum(spread, 0.0) + (moved * moved).sum(axis=-1))
    part = spread[:, 1] / np.maximum(spread[:, 1].sum(axis=1, keepdims=True), 1e-18)
    return [
        tuple(
            SourceShare(
                source.name, source.label, entry, apex, share, source.value_text, source.source_text, source.mark
            )
            for source, entry, apex, share in zip(sources, *columns, strict=True)
        )
        for sources, columns in zip(
            known.sources,
            zip(rms[:, 0].tolist(), rms[:, 1].tolist(), part.tolist(), strict=True),
            strict=True,
        )
    ]


def _union(chances: Iterable[float]) -> float:
    """Give the chance that any of several harms happens, taken as independent (first order)."""
    none = 1.0
    for chance in chances:
        none *= 1.0 - chance
    return 1.0 - none


_NO_MATCH = {
    Support.TEETH: "No match of the teeth is adopted: the published error of a clean mouth is taken, 0.30 mm rms.",
    Support.MUCOSA: (
        "No dual scan and no matched prosthesis places a guide on mucosa: the published error of a clean mouth is "
        "taken, 0.30 mm rms."
    ),
}


def _findings(
    guide: GuideInputs, match: PoseCovariance | None, site: str, harms: Sequence[Harm], entry_p95_mm: float
) -> Iterable[Finding]:
    if guide.guided and entry_p95_mm > NOT_HELD_MM:
        yield Finding(
            Severity.BLOCKER,
            "guide-not-held",
            "What carries the guide does not hold it here: the places lie on one line, close together, or the site "
            "far beyond them. The numbers are only there to show that.",
            site,
        )
    if guide.guided and match is None and guide.support != Support.BONE:
        yield Finding(
            Severity.WARNING,
            "match-assumed",
            _NO_MATCH[guide.support],
            site,
        )
    if guide.guided and not guide.bearings_known:
        yield Finding(
            Severity.NOTE,
            "contacts-assumed",
            "The places that carry the guide are not given: a typical full-arch guide is assumed.",
            site,
        )
    unknown_tip = guide.drills is None or guide.drills.tip_overshoot_mm is None
    if unknown_tip and any(h.kind in (ObstacleKind.CANAL, ObstacleKind.FORAMEN) for h in harms):
        yield Finding(
            Severity.BLOCKER,
            "tip-unknown",
            "The drill tip's overshoot is not known: 2.0 mm are taken, and no final sheet is made above a canal.",
            site,
        )
