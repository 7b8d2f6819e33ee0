"""The chance that the drill reaches an obstacle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import field, frozen
from scipy.special import ndtr, ndtri

from planner_core.geometry.frames import FloatArray
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import LedgerRow
from planner_core.planning.magnitudes import chance_beyond, need_mm
from planner_core.planning.margins import DRILL
from planner_core.planning.obstacles import ObstacleKind

HARM_LIMITS: Mapping[ObstacleKind, float] = {
    ObstacleKind.CANAL: 0.01,
    ObstacleKind.FORAMEN: 0.01,
    ObstacleKind.DRAWN: 0.01,
    ObstacleKind.FLOOR_VESSEL: 0.01,
    ObstacleKind.LINGUAL_CONCAVITY: 0.01,
    ObstacleKind.LESION: 0.01,
    ObstacleKind.ROOT: 0.02,
    ObstacleKind.IMPACTED_TOOTH: 0.02,
    ObstacleKind.INCISIVE_CANAL: 0.02,
    ObstacleKind.SINUS_ARTERY: 0.05,
    ObstacleKind.BONE_SURFACE: 0.05,
    ObstacleKind.SINUS_FLOOR: 0.20,
    ObstacleKind.NASAL_FLOOR: 0.20,
}
"""Accepted chance of harm by kind (our choice). A sinus ranks below a nerve (Ragucci et al. 2019, S)."""

COUNTED_KINDS = frozenset(HARM_LIMITS) - {ObstacleKind.SINUS_FLOOR, ObstacleKind.NASAL_FLOOR}
"""Kinds whose harm counts in the chance of a site; the floors of sinus and nose are listed apart."""


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


def lever(offsets_mm: FloatArray) -> FloatArray:
    """Give the (..., 3, 6) matrices that take the six-vector to the displacement at offsets of shape (..., 3)."""
    out = np.zeros((*offsets_mm.shape[:-1], 3, 6))
    x, y, z = offsets_mm[..., 0], offsets_mm[..., 1], offsets_mm[..., 2]
    out[..., 0, 1], out[..., 0, 2] = z, -y
    out[..., 1, 0], out[..., 1, 2] = -z, x
    out[..., 2, 0], out[..., 2, 1] = y, -x
    out[..., 0, 3] = out[..., 1, 4] = out[..., 2, 5] = 1.0
    return out


def harm_limit_of(kind: ObstacleKind, guide: GuideInputs) -> float:
    """Give the accepted chance of harm for a kind; the user sets that of the canal and its like."""
    if HARM_LIMITS[kind] == HARM_LIMITS[ObstacleKind.CANAL]:
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


OPERATOR_NODES = ((-np.sqrt(3.0), 1.0 / 6.0), (0.0, 2.0 / 3.0), (np.sqrt(3.0), 1.0 / 6.0))
"""Places and weights of a three-point Gauss-Hermite rule for a standard normal variable (C)."""


@frozen(eq=False)
class Displacements:
    """What all sources together do at each site, about its platform centre in LPS: a mixture of normal laws.

    Operators differ in steadiness (the hand's part of the covariance is scaled, its mean square kept), and a share
    of cases are blunders.
    """

    sites: tuple[str, ...]
    axes_lps: FloatArray
    """Shape (s, 3)."""
    covariance: FloatArray
    """Shape (s, 6, 6), without blunders."""
    hand: FloatArray
    """The part of it that differs with the operator, shape (s, 6, 6)."""
    mean: FloatArray
    """Shape (s, 6)."""
    blunder: FloatArray
    """Covariance that a blunder adds, shape (s, 6, 6)."""
    blunder_share: float
    operator_spread: float

    def laws(self) -> tuple[FloatArray, FloatArray]:
        """Give the laws of the mixture: weights (c,) and covariances (c, s, 6, 6)."""
        spread = self.operator_spread
        nodes = OPERATOR_NODES if spread > 0.0 else ((0.0, 1.0),)
        scales = [float(np.exp(2.0 * (spread * z - spread**2))) for z, _ in nodes]
        weights = np.array([w for _, w in nodes])
        # The rule's own mean square, so that the mixture's covariance is exactly the stated one.
        scales = [v / float(weights @ scales) for v in scales]
        ordinary = [self.covariance + (v - 1.0) * self.hand for v in scales]
        share = self.blunder_share
        if share <= 0.0:
            return weights, np.array(ordinary)
        return (
            np.array([*((1.0 - share) * weights), share]),
            np.array([*ordinary, self.covariance + self.blunder]),
        )


_NODES, _NODE_WEIGHTS = np.polynomial.legendre.leggauss(6)


def _share_met(
    rows: Sequence[LedgerRow],
    moved: Displacements,
    owner: Any,
    jacobian: FloatArray,
    laws: FloatArray,
    blur: FloatArray,
    sigmas: FloatArray,
    gap: FloatArray,
    bias: FloatArray,
) -> FloatArray:
    """Give the share of too large errors that do meet the obstacle, by law and row.

    Below one for a tube under a drill: going too deep by p it meets a tube of radius r only within
    ``sqrt(r^2 - (r - p)^2)`` and its own half-width there; beside it, it passes. Mean over depths beyond the gap.
    """
    share = np.ones(sigmas.shape)
    under = [k for k, row in enumerate(rows) if row.passing is not None]
    if not under:
        return share
    passing = [rows[k].passing for k in under]
    axes = moved.axes_lps[owner[under]]
    across = np.cross(axes, np.array([p.along_lps for p in passing if p is not None]))
    length = np.linalg.norm(across, axis=1)
    across /= np.maximum(length, 1e-9)[:, None]
    pull = np.einsum("ri,rij->rj", across, jacobian[under])
    spread = np.sqrt(np.einsum("ri,crij,rj->cr", pull, laws[:, owner[under]], pull) + blur[under] ** 2)
    shift = np.einsum("ri,ri->r", pull, moved.mean[owner[under]])
    sigma, tail = sigmas[:, under], chance_beyond(gap[under], sigmas[:, under], bias[under])
    places = 0.5 * (_NODES + 1.0)
    deep = bias[under][:, None] - sigma[..., None] * ndtri(np.maximum(tail[..., None] * places, 1e-300))
    p = np.clip(deep - gap[under][:, None], 0.0, None)
    radius, end, slope, widest = (
        np.array([getattr(q, name) for q in passing])[:, None]
        for name in ("radius_mm", "end_radius_mm", "end_slope", "widest_mm")
    )
    inside = np.sqrt(np.clip(radius**2 - np.clip(radius - p, 0.0, None) ** 2, 0.0, None))
    reach = inside + np.minimum(end + slope * p, widest)
    spread, shift = np.maximum(spread, 1e-9)[..., None], shift[:, None]
    within = ndtr((reach - shift) / spread) - ndtr((-reach - shift) / spread)
    found = within @ _NODE_WEIGHTS / 2.0
    share[:, under] = np.where(length > 0.1, found, 1.0)
    return share


def harms_of(
    moved: Displacements, guide: GuideInputs, rows: Sequence[LedgerRow], degradation: Any
) -> dict[str, tuple[Harm, ...]]:
    """Give the chance of harm of every obstacle by site, on one side along the nearest direction.

    A bias counts either way; what it stands on (debris, standing proud) is listed among the assumptions.
    """
    index = {site: k for k, site in enumerate(moved.sites)}
    chosen = [row for row in harm_rows(rows) if row.site in index]
    found: dict[str, list[Harm]] = {site: [] for site in moved.sites}
    if not chosen:
        return dict.fromkeys(moved.sites, ())
    owner = np.array([index[row.site] for row in chosen])
    on_body = np.array([row.fixture_point_lps_mm for row in chosen])
    gap = np.array([row.distance_mm for row in chosen])
    toward = np.array([row.obstacle_point_lps_mm for row in chosen]) - on_body
    length = np.linalg.norm(toward, axis=1)
    depth = np.array([row.depth_mm for row in chosen])
    # Overlapping: the nearest point lies behind, the harm ahead.
    sign = np.where(gap >= 0.0, 1.0, -1.0)
    fallback = moved.axes_lps[owner]
    direction = np.where(
        (length > 1e-6)[:, None], sign[:, None] * toward / np.maximum(length, 1e-12)[:, None], fallback
    )
    offsets = depth[:, None] * moved.axes_lps[owner]
    jacobian = lever(offsets)
    pull = np.einsum("ri,rij->rj", direction, jacobian)
    weights, laws = moved.laws()
    spread = np.einsum("ri,crij,rj->cr", pull, laws[:, owner], pull)
    bias = np.einsum("ri,ri->r", pull, moved.mean[owner])
    blur = blurred_sigma_mm(chosen, guide, degradation)
    sigmas = np.sqrt(np.clip(spread, 0.0, None) + blur**2)
    plain = np.einsum("ri,rij,rj->r", pull, moved.covariance[owner], pull)
    sigma = np.sqrt(np.clip(plain, 0.0, None) + blur**2)
    met = _share_met(chosen, moved, owner, jacobian, laws, blur, sigmas, gap, bias)
    chance = np.einsum("c,cr,cr->r", weights, met, chance_beyond(gap, sigmas, bias))
    limits = np.array([harm_limit_of(row.kind, guide) for row in chosen])
    overall = np.einsum("c,cr->r", weights, met)
    need = need_mm(sigmas, np.minimum(limits / np.maximum(overall, 0.05), 0.5), bias, weights)
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
