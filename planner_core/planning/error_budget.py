"""The error budget of a site: how far the drill may stray, what that is made of, and the chance of harm.

First order: all sources are small rigid displacements whose means and covariances add; harm is judged on one side,
along the nearest direction to each obstacle. `monte_carlo` evaluates the same sources without these two
simplifications.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from attrs import field, frozen
from scipy.special import ndtri

from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import FloatArray
from planner_core.planning.error_sources import Source, common_sources, guide_contacts, local_axes, site_sources
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import LedgerRow, overshoot_mm
from planner_core.planning.magnitudes import chance_beyond, length_quantiles, mean_lengths
from planner_core.planning.margins import DRILL
from planner_core.planning.obstacles import ObstacleKind

ENVELOPE_POINTS = 9
"""Depths at which the envelope is given (our choice)."""

HARM_LIMITS: Mapping[ObstacleKind, float] = {
    ObstacleKind.CANAL: 0.01,
    ObstacleKind.FORAMEN: 0.01,
    ObstacleKind.DRAWN: 0.01,
    ObstacleKind.ROOT: 0.02,
    ObstacleKind.BONE_SURFACE: 0.05,
    ObstacleKind.SINUS_FLOOR: 0.20,
    ObstacleKind.NASAL_FLOOR: 0.20,
}
"""Accepted chance of harm by kind (our choice). A sinus ranks below a nerve (Ragucci et al. 2019, S)."""

COUNTED_KINDS = frozenset(
    {
        ObstacleKind.CANAL,
        ObstacleKind.FORAMEN,
        ObstacleKind.DRAWN,
        ObstacleKind.ROOT,
        ObstacleKind.BONE_SURFACE,
    }
)
"""Kinds whose harm counts in the chance of a site; the floors of sinus and nose are listed apart."""


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
class Harm:
    """The chance of reaching one obstacle.

    Parameters
    ----------
    leeway_mm : float
        The largest error in the nearest direction that does not yet reach the obstacle.
    sigma_mm : float
        Standard deviation along the nearest direction: drill and obstacle localisation together.
    need_mm : float
        The leeway at which the chance would equal the limit.
    decisive : bool
        The obstacle that decides about the site.
    """

    kind: ObstacleKind
    obstacle: str
    distance_mm: float
    leeway_mm: float
    sigma_mm: float
    chance: float
    limit: float
    decisive: bool = False
    need_mm: float = 0.0
    body: str = DRILL
    localisation_mm: float = 0.0
    direction_lps: FloatArray = field(factory=lambda: np.zeros(3))


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
    displacement: PoseCovariance | None = None
    """All sources together, about the platform centre, LPS."""

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
    common = common_sources(guide, match, fixtures)
    contacts = guide_contacts(guide, fixtures) if guide.guided else ()
    found = {}
    for site, fixture in fixtures.items():
        own = site_sources(guide, site, fixture, contacts)
        covariances, means = [], []
        for source in common:
            shift = np.eye(6)
            x, y, z = fixture.pose.platform_lps_mm - np.asarray(source.about_lps_mm)
            shift[3:, :3] = [[0.0, z, -y], [-z, 0.0, x], [y, -x, 0.0]]
            covariances.append(shift @ source.covariance @ shift.T)
            means.append(shift @ source.mean)
        to_lps = np.zeros((6, 6))
        to_lps[:3, :3] = to_lps[3:, 3:] = local_axes(fixture).T
        local = np.array([source.covariance for source in own])
        covariances += list(to_lps @ local @ to_lps.T)
        means += [to_lps @ source.mean for source in own]
        found[site] = SiteSources(fixture, (*common, *own), np.array(covariances), np.array(means))
    return found


def lever(offsets_mm: FloatArray) -> FloatArray:
    """Give the (..., 3, 6) matrices that take the six-vector to the displacement at offsets of shape (..., 3)."""
    out = np.zeros((*offsets_mm.shape[:-1], 3, 6))
    x, y, z = offsets_mm[..., 0], offsets_mm[..., 1], offsets_mm[..., 2]
    out[..., 0, 1], out[..., 0, 2] = z, -y
    out[..., 1, 0], out[..., 1, 2] = -z, x
    out[..., 2, 0], out[..., 2, 1] = y, -x
    out[..., 0, 3] = out[..., 1, 4] = out[..., 2, 5] = 1.0
    return out


def blunder_covariance(guide: GuideInputs, fixture: PlacedFixture) -> FloatArray:
    """Give the covariance that a blunder adds, about the platform centre in LPS, shape (6, 6)."""
    axis = fixture.pose.axis_lps
    across = np.eye(3) - np.outer(axis, axis)
    out = np.zeros((6, 6))
    out[:3, :3] = np.radians(guide.value("blunder_tilt_deg")) ** 2 * across
    out[3:, 3:] = guide.value("blunder_sigma_mm") ** 2 * np.eye(3)
    return out


class _Sites:
    """All sites side by side, so that numpy works on them at once."""

    def __init__(self, gathered: Mapping[str, SiteSources], guide: GuideInputs) -> None:
        self.names = list(gathered)
        members = list(gathered.values())
        self.total = np.array([m.covariances.sum(axis=0) for m in members])
        self.mean = np.array([m.means.sum(axis=0) for m in members])
        self.axis = np.array([m.fixture.pose.axis_lps for m in members])
        self.length = np.array([m.fixture.shape.length_mm for m in members])
        self.blunder = np.array([blunder_covariance(guide, m.fixture) for m in members])
        self.share = guide.value("blunder_share")
        over = overshoot_mm(guide.drills)
        self.depths = np.linspace(0.0, 1.0, ENVELOPE_POINTS) * (self.length + over)[:, None]

    def at_depths(self, depths_mm: FloatArray, extra: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
        """Give covariance and mean of the axis points at depths of shape (s, k)."""
        jacobian = lever(depths_mm[..., None] * self.axis[:, None, :])
        total = (self.total + extra)[:, None]
        covariance = jacobian @ total @ np.swapaxes(jacobian, -1, -2)
        return covariance, np.einsum("skij,sj->ski", jacobian, self.mean)

    def tilts(self, extra: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray]:
        """Give covariance and mean of the tilt (rad) across the axis."""
        across = np.eye(3) - np.einsum("si,sj->sij", self.axis, self.axis)
        rotation = (self.total + extra)[:, :3, :3]
        return across @ rotation @ across, np.einsum("sij,sj->si", across, self.mean[:, :3])

    def mixed_mean(self, normal: FloatArray, blunder: FloatArray) -> FloatArray:
        """Give the mean of the mixture of ordinary cases and blunders."""
        return (1.0 - self.share) * normal + self.share * blunder

    def mixed_quantile(self, parts: Callable[[FloatArray | float], tuple[FloatArray, FloatArray]]) -> FloatArray:
        """Give the 95 % quantile of the mixture: ordinary cases at the level that leaves 5 % in all."""
        covariance, mean = parts(0.0)
        # A blunder nearly always lies beyond the ordinary 95 %; 0.8 of them do at the defaults (Monte Carlo).
        tail = max(0.05 - 0.8 * self.share, 0.002) / (1.0 - self.share)
        return length_quantiles(covariance, mean, 1.0 - tail)


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
    depths = np.stack([np.zeros_like(sites.length), sites.length], axis=1)
    ends, end_means = sites.at_depths(depths)
    end_blunders, _ = sites.at_depths(depths, sites.blunder)
    mean_abs = sites.mixed_mean(mean_lengths(ends, end_means), mean_lengths(end_blunders, end_means))
    end_p95 = sites.mixed_quantile(lambda extra: sites.at_depths(depths, extra))
    radius = sites.mixed_quantile(lambda extra: sites.at_depths(sites.depths, extra))
    tilt, tilt_mean = sites.tilts()
    tilt_blunder, _ = sites.tilts(sites.blunder)
    angle = sites.mixed_mean(mean_lengths(tilt, tilt_mean), mean_lengths(tilt_blunder, tilt_mean))
    angle_p95 = sites.mixed_quantile(sites.tilts)
    depth_var = np.einsum("si,sij,sj->s", sites.axis, ends[:, 1], sites.axis)
    depth_mean = np.einsum("si,si->s", sites.axis, end_means[:, 1])
    depth_p95 = sites.mixed_quantile(lambda extra: (depth_var[:, None, None], depth_mean[:, None]))
    harms = _harms(sites, guide, tuple(rows), degradation)
    found = {}
    for k, (site, member) in enumerate(gathered.items()):
        entry, apex = (
            PointError(end_means[k, e], ends[k, e], float(mean_abs[k, e]), float(end_p95[k, e])) for e in (0, 1)
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
            Envelope(sites.depths[k], radius[k]),
            tuple(_findings(guide, match, site, harms[site])),
            PoseCovariance(
                (sites.total[k] + sites.total[k].T) / 2.0, member.fixture.pose.platform_lps_mm, sites.mean[k]
            ),
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


def harm_limit_of(kind: ObstacleKind, guide: GuideInputs) -> float:
    """Give the accepted chance of harm for a kind; the canal's is the user's to set."""
    if kind in (ObstacleKind.CANAL, ObstacleKind.FORAMEN, ObstacleKind.DRAWN):
        return guide.harm_limit
    return HARM_LIMITS[kind]


def harm_rows(rows: Sequence[LedgerRow]) -> list[LedgerRow]:
    """Give the rows that harm is judged on: the drill's, which reaches furthest, and not those between fixtures."""
    return [row for row in rows if row.body == DRILL and row.kind in HARM_LIMITS]


def blurred_sigma_mm(rows: Sequence[LedgerRow], guide: GuideInputs, degradation: Any) -> FloatArray:
    """Give how well each row's obstacle is known there (mm, per axis), worse where the scan is degraded."""
    sigma = np.array([row.sigma_mm for row in rows])
    if degradation is None or not rows:
        return sigma
    levels = np.asarray(degradation.level_at(np.array([row.obstacle_point_lps_mm for row in rows])))
    return np.asarray(np.hypot(sigma, np.nan_to_num(levels) * guide.value("streak_sigma_mm")))


def _harms(
    sites: _Sites, guide: GuideInputs, rows: Sequence[LedgerRow], degradation: Any
) -> dict[str, tuple[Harm, ...]]:
    index = {site: k for k, site in enumerate(sites.names)}
    chosen = [row for row in harm_rows(rows) if row.site in index]
    found: dict[str, list[Harm]] = {site: [] for site in sites.names}
    if not chosen:
        return dict.fromkeys(sites.names, ())
    owner = np.array([index[row.site] for row in chosen])
    on_body = np.array([row.fixture_point_lps_mm for row in chosen])
    gap = np.array([row.distance_mm for row in chosen])
    toward = np.array([row.obstacle_point_lps_mm for row in chosen]) - on_body
    length = np.linalg.norm(toward, axis=1)
    depth = np.array([row.depth_mm for row in chosen])
    # Overlapping: the nearest point lies behind, the harm ahead.
    sign = np.where(gap >= 0.0, 1.0, -1.0)
    fallback = sites.axis[owner]
    direction = np.where(
        (length > 1e-6)[:, None], sign[:, None] * toward / np.maximum(length, 1e-12)[:, None], fallback
    )
    offsets = depth[:, None] * sites.axis[owner]
    jacobian = lever(offsets)
    pull = np.einsum("ri,rij->rj", direction, jacobian)
    moved = np.einsum("ri,rij,rj->r", pull, sites.total[owner], pull)
    blundered = np.einsum("ri,rij,rj->r", pull, sites.blunder[owner], pull)
    bias = np.clip(np.einsum("ri,ri->r", pull, sites.mean[owner]), 0.0, None)
    blur = blurred_sigma_mm(chosen, guide, degradation)
    sigma = np.sqrt(moved + blur**2)
    wide = np.sqrt(sigma**2 + blundered)
    chance = (1.0 - sites.share) * chance_beyond(gap, sigma, bias) + sites.share * chance_beyond(gap, wide, bias)
    limits = np.array([harm_limit_of(row.kind, guide) for row in chosen])
    # Blunders take their part of the limit, as far as they reach the obstacle at all.
    room = np.clip(limits - sites.share * chance_beyond(gap, wide, bias), 1e-6, None)
    need = sigma * -ndtri(np.minimum(room, 0.5)) + bias
    worst: dict[str, int] = {}
    for r, row in enumerate(chosen):
        if row.kind in COUNTED_KINDS and (
            row.site not in worst or chance[r] / limits[r] > chance[worst[row.site]] / limits[worst[row.site]]
        ):
            worst[row.site] = r
    for r, row in enumerate(chosen):
        found[row.site].append(
            Harm(
                row.kind,
                row.obstacle,
                float(gap[r]),
                float(gap[r]),
                float(sigma[r]),
                float(chance[r]),
                float(limits[r]),
                worst.get(row.site) == r,
                float(need[r]),
                row.body,
                float(blur[r]),
                direction[r],
            )
        )
    return {site: tuple(sorted(harms, key=lambda h: -h.chance / h.limit)) for site, harms in found.items()}


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
