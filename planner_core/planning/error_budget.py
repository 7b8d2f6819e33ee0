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
from planner_core.planning.error_sources import (
    Source,
    common_sources,
    guide_bearing,
    lps_from_local,
    movements,
    site_sources,
)
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import COUNTED_KINDS, Displacements, Harm, harms_of, lever
from planner_core.planning.ledger import LedgerRow, overshoot_mm
from planner_core.planning.magnitudes import mean_lengths, mixture_quantiles
from planner_core.planning.obstacles import ObstacleKind

ENVELOPE_POINTS = 9
"""Depths at which the envelope is given (our choice)."""


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


@frozen(eq=False)
class SiteSources:
    """The sources of one site, gathered about its platform centre in LPS."""

    fixture: PlacedFixture
    sources: tuple[Source, ...]
    covariances: FloatArray
    """Shape (k, 6, 6)."""
    means: FloatArray
    """Shape (k, 6)."""


def gather(
    fixtures: Mapping[str, PlacedFixture], guide: GuideInputs, match: PoseCovariance | None
) -> dict[str, SiteSources]:
    """Give every site's sources about its own platform centre, common ones included."""
    if not fixtures:
        return {}
    sites = list(fixtures)
    axes = np.array([f.pose.axis_lps for f in fixtures.values()])
    platforms = np.array([f.pose.platform_lps_mm for f in fixtures.values()])
    own = [site_sources(guide, site) for site in sites]
    to_lps = lps_from_local(axes)
    local = np.array([[source.covariance for source in sources] for sources in own])
    covariances = [to_lps[:, None] @ local @ np.swapaxes(to_lps, 1, 2)[:, None]]
    means = [np.einsum("sij,skj->ski", to_lps, np.array([[s.mean for s in sources] for sources in own]))]
    common: list[Source] = []
    if guide.guided:
        bearing = guide_bearing(guide, axes, platforms)
        common = common_sources(guide, match, bearing, axes, platforms)
        moved, moved_mean, about = movements(guide, bearing, sites, axes, platforms)
        shift = _shifts(platforms - about)
        k = next(k for k, source in enumerate(own[0]) if source.name == "movement")
        covariances[0][:, k] += shift @ moved @ np.swapaxes(shift, 1, 2)
        means[0][:, k] += np.einsum("sij,sj->si", shift, moved_mean)
        for source in reversed(common):
            shift = _shifts(platforms - np.asarray(source.about_lps_mm))
            covariances.insert(0, (shift @ source.covariance @ np.swapaxes(shift, 1, 2))[:, None])
            means.insert(0, (shift @ source.mean)[:, None])
    every, every_mean = np.concatenate(covariances, axis=1), np.concatenate(means, axis=1)
    return {
        site: SiteSources(fixtures[site], (*common, *own[k]), every[k], every_mean[k])
        for k, site in enumerate(sites)
    }


def _shifts(offsets_mm: FloatArray) -> FloatArray:
    """Give (s, 6, 6) matrices that rewrite a six-vector about points that lie `offsets_mm` further on."""
    out = np.zeros((len(offsets_mm), 6, 6))
    out[:, 3:, :] = lever(offsets_mm)
    out[:, 0, 0] = out[:, 1, 1] = out[:, 2, 2] = 1.0
    return out


def blunder_covariance(guide: GuideInputs, fixture: PlacedFixture) -> FloatArray:
    """Give the covariance that a blunder adds, about the platform centre in LPS, shape (6, 6)."""
    axis = fixture.pose.axis_lps
    across = np.eye(3) - np.outer(axis, axis)
    out = np.zeros((6, 6))
    out[:3, :3] = np.radians(guide.value("blunder_tilt_deg")) ** 2 * across
    out[3:, 3:] = guide.value("blunder_sigma_mm") ** 2 * np.eye(3)
    return out


HAND = frozenset({"execution", "guidance"})
"""Sources that differ with the operator."""


class _Sites:
    """All sites side by side for numpy, as a mixture of normal laws (`harm.Displacements`)."""

    def __init__(self, gathered: Mapping[str, SiteSources], guide: GuideInputs) -> None:
        members = list(gathered.values())
        self.moved = displacements(gathered, guide)
        self.weights, self.laws = self.moved.laws()
        self.axis, self.mean = self.moved.axes_lps, self.moved.mean
        self.length = np.array([m.fixture.shape.length_mm for m in members])
        over = overshoot_mm(guide.drills)
        self.depths = np.linspace(0.0, 1.0, ENVELOPE_POINTS) * (self.length + over)[:, None]

    def at_depths(self, depths_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give, for axis points at depths (s, k): covariances by law (c, s, k, 3, 3), overall, and means."""
        jacobian = lever(depths_mm[..., None] * self.axis[:, None, :])
        turned = np.swapaxes(jacobian, -1, -2)
        by_law = jacobian @ self.laws[:, :, None] @ turned
        overall = jacobian @ self.moved.covariance[:, None] @ turned
        return by_law, overall, np.einsum("skij,sj->ski", jacobian, self.mean)

    def tilts(self) -> tuple[FloatArray, FloatArray]:
        """Give covariances by law (c, s, 3, 3) and mean of the tilt (rad) across the axis."""
        across = np.eye(3) - np.einsum("si,sj->sij", self.axis, self.axis)
        return across @ self.laws[:, :, :3, :3] @ across, np.einsum("sij,sj->si", across, self.mean[:, :3])

    def mean_length(self, by_law: FloatArray, mean: FloatArray) -> FloatArray:
        """Give the mean length over the mixture."""
        return np.asarray(np.tensordot(self.weights, mean_lengths(by_law, mean), axes=1))

    def p95(self, by_law: FloatArray, mean: FloatArray) -> FloatArray:
        """Give the 95 % quantile of the length over the mixture."""
        return mixture_quantiles(by_law, mean, self.weights)


def displacements(gathered: Mapping[str, SiteSources], guide: GuideInputs) -> Displacements:
    """Give what all sources together do at each site."""
    members = list(gathered.values())
    hand = [[s.name in HAND for s in m.sources] for m in members]
    return Displacements(
        tuple(gathered),
        np.array([m.fixture.pose.axis_lps for m in members]),
        np.array([m.covariances.sum(axis=0) for m in members]),
        np.array([m.covariances[h].sum(axis=0) for m, h in zip(members, hand, strict=True)]),
        np.array([m.means.sum(axis=0) for m in members]),
        np.array([blunder_covariance(guide, m.fixture) for m in members]),
        guide.value("blunder_share"),
        guide.value("operator_spread"),
    )


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
    gathered = gather(fixtures, guide, match)
    if not gathered:
        return {}
    sites = _Sites(gathered, guide)
    # Apex, then the envelope, whose first point is the entry.
    depths = np.concatenate([sites.length[:, None], sites.depths], axis=1)
    by_law, overall, means = sites.at_depths(depths)
    mean_abs = sites.mean_length(by_law[:, :, :2], means[:, :2])
    p95 = sites.p95(by_law, means)
    tilt, tilt_mean = sites.tilts()
    angle, angle_p95 = sites.mean_length(tilt, tilt_mean), sites.p95(tilt, tilt_mean)
    along = np.einsum("si,csij,sj->cs", sites.axis, by_law[:, :, 0], sites.axis)[..., None, None]
    depth_mean = np.einsum("si,si->s", sites.axis, means[:, 0])
    depth_p95 = sites.p95(along, depth_mean[:, None])
    harms = harms_of(sites.moved, guide, tuple(rows), degradation)
    found = {}
    for k, (site, member) in enumerate(gathered.items()):
        entry, apex = (
            PointError(means[k, e], overall[k, e], float(mean_abs[k, e]), float(p95[k, e])) for e in (1, 0)
        )
        found[site] = SiteBudget(
            site,
            entry,
            apex,
            float(np.degrees(angle[k])),
            float(np.degrees(angle_p95[k])),
            float(depth_mean[k]),
            float(depth_p95[k]),
            _shares(member),
            harms[site],
            _union(harm.chance for harm in harms[site] if harm.kind in COUNTED_KINDS),
            Envelope(sites.depths[k], p95[k, 1:]),
            tuple(_findings(guide, match, site, harms[site])),
            (sites.moved.covariance[k], sites.mean[k], member.fixture.pose.platform_lps_mm),
            member.fixture.pose.axis_lps,
            _execution_tilt(member),
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


def _execution_tilt(member: SiteSources) -> float:
    k = next(k for k, source in enumerate(member.sources) if source.name == "execution")
    return float(np.trace(member.covariances[k][:3, :3]))


def _shares(member: SiteSources) -> tuple[SourceShare, ...]:
    jacobians = lever(np.stack([np.zeros(3), member.fixture.shape.length_mm * member.fixture.pose.axis_lps]))
    spread = np.einsum("eij,kjl,eil->ke", jacobians, member.covariances, jacobians)
    shifts = np.einsum("eij,kj->kei", jacobians, member.means)
    rms = np.sqrt(np.clip(spread, 0.0, None) + np.einsum("kei,kei->ke", shifts, shifts))
    total = max(float(spread[:, 1].sum()), 1e-18)
    return tuple(
        SourceShare(
            source.name,
            source.label,
            float(rms[k, 0]),
            float(rms[k, 1]),
            float(spread[k, 1]) / total,
            source.value_text,
            source.source_text,
            source.mark,
        )
        for k, source in enumerate(member.sources)
    )


def _union(chances: Iterable[float]) -> float:
    """Give the chance that any of several harms happens, taken as independent (first order)."""
    none = 1.0
    for chance in chances:
        none *= 1.0 - chance
    return 1.0 - none


def _findings(
    guide: GuideInputs, match: PoseCovariance | None, site: str, harms: Sequence[Harm]
) -> Iterable[Finding]:
    from planner_core.planning.drilling import Support

    if guide.guided and match is None and guide.support != Support.BONE:
        yield Finding(
            Severity.WARNING,
            "match-assumed",
            "No match is adopted: the budget takes the published error of a clean mouth, 0.30 mm.",
            site,
        )
    if guide.guided and not guide.contacts:
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
