"""The chance that the drill reaches an obstacle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import evolve, field, frozen
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


CREDITED_BIAS_MM = 0.25
"""A bias away from an obstacle counts up to this, mm.

The weak end of the published vertical bias of -0.25 to -0.57 mm in 8 papers; 4 others have -0.08 to +1.13 mm
(consensus 2018, S). That no more is credited is our choice. A bias towards an obstacle counts in full.
"""

LEAST_SHARE_OF_LIMIT = 0.1
"""What is left of the limit for the nearer wall where the other one takes nearly all (our choice)."""


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
    localisation_mm : float
        The part of `sigma_mm` that is how well the obstacle is known there.
    bias_mm : float
        Mean movement of the drill towards it (negative: away); see `CREDITED_BIAS_MM`.
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
    bias_mm: float = 0.0


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
    _laws: list[tuple[FloatArray, FloatArray]] = field(factory=list, init=False, repr=False)

    def laws(self) -> tuple[FloatArray, FloatArray]:
        """Give the laws of the mixture: weights (c,) and covariances (c, s, 6, 6)."""
        if not self._laws:
            self._laws.append(self._mixture())
        return self._laws[0]

    def along(self, axes_lps: FloatArray) -> Displacements:
        """Give the displacements of one site's fixture as if it stood along each of `axes_lps`, shape (n, 3)."""
        count = len(axes_lps)
        weights, laws = self.laws()
        found = evolve(
            self,
            sites=self.sites * count,
            axes_lps=axes_lps,
            covariance=np.repeat(self.covariance, count, axis=0),
            hand=np.repeat(self.hand, count, axis=0),
            mean=np.repeat(self.mean, count, axis=0),
            blunder=np.repeat(self.blunder, count, axis=0),
        )
        found._laws.append((weights, np.repeat(laws, count, axis=1)))
        return found

    def _mixture(self) -> tuple[FloatArray, FloatArray]:
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
    run = np.array([p.along_lps for p in passing if p is not None])
    across = np.stack([axes[:, (i + 1) % 3] * run[:, (i + 2) % 3] - axes[:, (i + 2) % 3] * run[:, (i + 1) % 3]
                       for i in range(3)], axis=1)  # fmt: skip
    length = np.linalg.norm(across, axis=1)
    across /= np.maximum(length, 1e-9)[:, None]
    pull = np.einsum("ri,rij->rj", across, jacobian[under])
    turned = (pull[:, None] @ laws[:, owner[under]])[:, :, 0]
    spread = np.sqrt((turned * pull).sum(axis=-1) + blur[under] ** 2)
    shift = (pull * moved.mean[owner[under]]).sum(axis=1)
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


def counted_bias_mm(bias_mm: FloatArray) -> FloatArray:
    """Give the part of a bias towards an obstacle that counts: all of it, away from it only what is published."""
    return np.asarray(np.maximum(bias_mm, -CREDITED_BIAS_MM))


@frozen(eq=False)
class Reaches:
    """How the drill may reach obstacles, one row each: place, direction and lever of what it would have to do."""

    rows: Sequence[LedgerRow]
    owner: Any
    """Index of each row's site."""
    gap_mm: FloatArray
    direction_lps: FloatArray
    jacobian: FloatArray
    """Shape (r, 3, 6): what the six-vector does at the row's depth."""


def reaches_of(rows: Sequence[LedgerRow], owner: Any, axes_lps: FloatArray) -> Reaches:
    """Give the nearest way to each row's obstacle; overlapping, that point lies behind and the harm ahead."""
    on_body = np.array([row.fixture_point_lps_mm for row in rows])
    gap = np.array([row.distance_mm for row in rows])
    toward = np.array([row.obstacle_point_lps_mm for row in rows]) - on_body
    length = np.sqrt((toward * toward).sum(axis=1))
    sign = np.where(gap >= 0.0, 1.0, -1.0) / np.maximum(length, 1e-12)
    direction = np.where((length > 1e-6)[:, None], sign[:, None] * toward, axes_lps[owner])
    depth = np.array([row.depth_mm for row in rows])
    return Reaches(rows, owner, gap, direction, lever(depth[:, None] * axes_lps[owner]))


def taken_away_mm(moved: Displacements, rows: Sequence[LedgerRow]) -> FloatArray:
    """Give by which vector each row's obstacle is moved so that a bias away from it counts only as far as credited.

    Shape (r, 3), LPS; for the evaluation by random draws, which displaces the drill by its full mean.
    """
    if not rows:
        return np.zeros((0, 3))
    index = {site: k for k, site in enumerate(moved.sites)}
    ways = reaches_of(rows, np.array([index[row.site] for row in rows]), moved.axes_lps)
    _, _, bias = _along(ways, moved, np.zeros(len(rows)))
    return np.asarray((bias - counted_bias_mm(bias))[:, None] * ways.direction_lps)


def _other_walls(rows: Sequence[LedgerRow], owner: Any, axes_lps: FloatArray) -> tuple[list[int], Reaches | None]:
    """Give the rows with a wall on the drill's other side, and the way there."""
    having = [r for r, row in enumerate(rows) if row.other_wall is not None]
    if not having:
        return having, None
    walls = [wall for row in rows if (wall := row.other_wall) is not None]
    depth = np.array([wall.depth_mm for wall in walls])
    own = owner[having]
    return having, Reaches(
        [rows[r] for r in having],
        own,
        np.array([wall.mm for wall in walls]),
        np.array([wall.direction_lps for wall in walls]),
        lever(depth[:, None] * axes_lps[own]),
    )


def _along(reaches: Reaches, moved: Displacements, blur: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give along each row's direction: sigma by law (c, r), overall (r,), and the mean of the drill (r,)."""
    pull = (reaches.direction_lps[:, None] @ reaches.jacobian)[:, 0]
    _, laws = moved.laws()
    spread = ((pull[:, None] @ laws[:, reaches.owner])[:, :, 0] * pull).sum(axis=-1)
    plain = ((pull[:, None] @ moved.covariance[reaches.owner])[:, 0] * pull).sum(axis=-1)
    bias = (pull * moved.mean[reaches.owner]).sum(axis=1)
    return np.sqrt(np.maximum(spread, 0.0) + blur**2), np.sqrt(np.maximum(plain, 0.0) + blur**2), bias


@frozen(eq=False)
class HarmTable:
    """The numbers of harm row by row, arrays of shape (r,)."""

    reaches: Reaches
    sigma_mm: FloatArray
    blur_mm: FloatArray
    bias_mm: FloatArray
    chance: FloatArray
    limits: FloatArray
    need_mm: FloatArray


def harm_table(
    moved: Displacements, guide: GuideInputs, rows: Sequence[LedgerRow], owner: Any, degradation: Any
) -> HarmTable:
    """Give the chance of harm of rows (see `harm_rows`), on one side along the nearest direction.

    In bone the wall on the drill's other side counts as well. A bias towards the obstacle counts in full, one away
    from it up to `CREDITED_BIAS_MM`.

    Parameters
    ----------
    owner : int array of shape (r,)
        Which of the displacements each row belongs to.
    """
    ways = reaches_of(rows, owner, moved.axes_lps)
    blur = blurred_sigma_mm(rows, guide, degradation)
    weights, laws = moved.laws()
    sigmas, sigma, bias = _along(ways, moved, blur)
    counted = counted_bias_mm(bias)
    met = _share_met(rows, moved, owner, ways.jacobian, laws, blur, sigmas, ways.gap_mm, counted)
    chance = (weights[:, None] * met * chance_beyond(ways.gap_mm, sigmas, counted)).sum(axis=0)
    limits = np.array([harm_limit_of(row.kind, guide) for row in rows])
    left = limits / np.maximum(weights @ met, 0.05)
    having, behind = _other_walls(rows, owner, moved.axes_lps)
    if behind is not None:
        sigmas_behind, _, bias_behind = _along(behind, moved, blur[having])
        out = weights @ chance_beyond(behind.gap_mm, sigmas_behind, counted_bias_mm(bias_behind))
        chance[having] += out
        # What the other wall takes of the limit is not there for this one.
        left[having] = np.maximum(left[having] - out, LEAST_SHARE_OF_LIMIT * left[having])
    need = need_mm(sigmas, np.minimum(left, 0.5), counted, weights)
    return HarmTable(ways, sigma, blur, bias, chance, limits, need)


def harms_of(
    moved: Displacements, guide: GuideInputs, rows: Sequence[LedgerRow], degradation: Any
) -> dict[str, tuple[Harm, ...]]:
    """Give the chance of harm of every obstacle by site; see `harm_table`."""
    index = {site: k for k, site in enumerate(moved.sites)}
    chosen = [row for row in harm_rows(rows) if row.site in index]
    if not chosen:
        return dict.fromkeys(moved.sites, ())
    table = harm_table(moved, guide, chosen, np.array([index[row.site] for row in chosen]), degradation)
    worst = _decisive(chosen, table.chance / table.limits)
    found: dict[str, list[Harm]] = {site: [] for site in moved.sites}
    columns = (
        table.reaches.gap_mm, table.sigma_mm, table.chance, table.limits, table.need_mm, table.blur_mm,
        table.bias_mm,
    )  # fmt: skip
    numbers = zip(*(column.tolist() for column in columns), strict=True)
    for r, (row, (gap, spread, risk, limit, needed, known, mean)) in enumerate(zip(chosen, numbers, strict=True)):
        found[row.site].append(
            Harm(
                row.kind, row.obstacle, gap, gap, spread, risk, limit, worst.get(row.site) == r, needed, row.body,
                known, table.reaches.direction_lps[r], mean,
            )
        )  # fmt: skip
    return {site: tuple(sorted(harms, key=lambda h: -h.chance / h.limit)) for site, harms in found.items()}


def _decisive(rows: Sequence[LedgerRow], ratio: FloatArray) -> dict[str, int]:
    """Give by site the row whose chance is largest over its limit among those that count."""
    worst: dict[str, int] = {}
    for r, row in enumerate(rows):
        if row.kind in COUNTED_KINDS and (row.site not in worst or ratio[r] > ratio[worst[row.site]]):
            worst[row.site] = r
    return worst
