# mypy: disable-error-code=no-untyped-def
# (numba finds the types of the kernels by itself)

"""The error budget by random draws: the record beside the first-order budget.

Each draw displaces every drill by whole rotations (not small angles): one draw of match and seating for all
fixtures of the guide, play within the cone that the sleeve leaves, blunders as a share of fixtures, each
obstacle shifted by its own localisation. A drill harms an obstacle when its outline reaches the obstacle's wall, so
curved obstacles count as they are; a bias away from an obstacle counts as far as it is credited (`harm`). The same
seed gives the same numbers, on any number of threads.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, NamedTuple

import numpy as np
from attrs import frozen
from numba import njit

from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import FloatArray
from planner_core.planning.error_budget import SiteBudget
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.gathered import HAND, SiteSources, blunder_covariances, displacements, gather
from planner_core.planning.gathered import gathered as side_by_side
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import COUNTED_KINDS, blurred_sigma_mm, harm_rows, taken_away_mm
from planner_core.planning.ledger import LedgerRow, drill_profile
from planner_core.planning.magnitudes import binomial_limits
from planner_core.planning.obstacles import Obstacle
from planner_core.planning.solids import convex_profile, solid_point
from planner_core.planning.witnesses import Witnesses, witnesses_of

DRAWS = 20_000
"""Draws of a recorded budget (design: 20,000 in under a second for eight fixtures)."""

SEED = 20_260_101
"""Seed of a recorded budget (our choice; any fixed number)."""

AGREEMENT = 0.05
"""How far the two evaluations may differ and still be said to agree (design)."""

THREADS = 2


@frozen
class Chance:
    """A chance counted over draws, with 95 % confidence limits (Clopper and Pearson)."""

    value: float
    low: float
    high: float
    draws: int

    @classmethod
    def counted(cls, hits: int, draws: int) -> Chance:
        """Give the share of hits."""
        low, high = binomial_limits(hits, draws)
        return cls(hits / draws, low, high, draws)


@frozen
class DrawnSite:
    """One site over all draws; lengths mm, angles degrees, depth + deeper."""

    site: str
    entry_mean_mm: float
    entry_p95_mm: float
    apex_mean_mm: float
    apex_p95_mm: float
    angle_mean_deg: float
    angle_p95_deg: float
    depth_mean_mm: float
    depth_p95_mm: float
    chances: Mapping[str, Chance]
    """By obstacle name."""
    chance_of_harm: Chance
    """Of any obstacle that counts."""


@frozen(eq=False)
class DrawnBudget:
    """The Monte Carlo budget of a whole guide."""

    sites: Mapping[str, DrawnSite]
    case_chance: Chance
    """Of harm at any site, match and seating drawn once for all."""
    draws: int
    seed: int


@frozen(eq=False)
class Draws:
    """Displacements of one site: entry and apex (n, 3), tilt angle (n,), harm by obstacle (n, k)."""

    entry_mm: FloatArray
    apex_mm: FloatArray
    angle_rad: FloatArray
    harmed: Any


@njit(nogil=True, cache=True)
def _turn(w, v, out):
    """Fill `out` with v turned by the rotation vector w (Rodrigues)."""
    angle = np.sqrt(w[0] ** 2 + w[1] ** 2 + w[2] ** 2)
    if angle < 1e-12:
        s, c = 1.0, 0.5
    else:
        s, c = np.sin(angle) / angle, (1.0 - np.cos(angle)) / angle**2
    x = w[1] * v[2] - w[2] * v[1]
    y = w[2] * v[0] - w[0] * v[2]
    z = w[0] * v[1] - w[1] * v[0]
    xx = w[1] * z - w[2] * y
    yy = w[2] * x - w[0] * z
    zz = w[0] * y - w[1] * x
    out[0] = v[0] + s * x + c * xx
    out[1] = v[1] + s * y + c * yy
    out[2] = v[2] + s * z + c * zz


@njit(nogil=True, cache=True)
def _displace(platform, axis, length, own, common, centres, entry, apex, angle, moved_axis, moved_platform):
    """Apply the site's own six-vectors (n, 6) about its platform, then the common ones (k, n, 6) about theirs."""
    a, b, lever = np.empty(3), np.empty(3), np.empty(3)
    for d in range(own.shape[0]):
        _turn(own[d, :3], axis, a)
        for i in range(3):
            moved_platform[d, i] = platform[i] + own[d, 3 + i]
        for k in range(common.shape[0]):
            _turn(common[k, d, :3], a, b)
            a[:] = b
            for i in range(3):
                lever[i] = moved_platform[d, i] - centres[k, i]
            _turn(common[k, d, :3], lever, b)
            for i in range(3):
                moved_platform[d, i] = centres[k, i] + b[i] + common[k, d, 3 + i]
        cosine, sine2 = 0.0, 0.0
        for i in range(3):
            moved_axis[d, i] = a[i]
            entry[d, i] = moved_platform[d, i] - platform[i]
            apex[d, i] = entry[d, i] + length * (a[i] - axis[i])
            cosine += a[i] * axis[i]
        for i in range(3):
            j, m = (i + 1) % 3, (i + 2) % 3
            sine2 += (a[j] * axis[m] - a[m] * axis[j]) ** 2
        angle[d] = np.arctan2(np.sqrt(sine2), cosine)


@njit(nogil=True, cache=True)
def _harmed(profile, reach, platform, axis, moved_platform, moved_axis, blur, points, radius, distance, out):
    """Tell for each draw whether the displaced drill reaches one of the balls, each shifted by the draw's blur.

    The balls are sorted by their distance as planned; no point of the drill moves further than its two ends and the
    turn of its rim together, which ends the search early.
    """
    gradient, place = np.empty(3), np.empty(3)
    thickest = 0.0
    for k in range(profile.shape[0]):
        thickest = max(thickest, profile[k, 1])
    for d in range(moved_platform.shape[0]):
        top, tip, turned, shift = 0.0, 0.0, 0.0, 0.0
        for i in range(3):
            e = moved_platform[d, i] - platform[i]
            t = moved_axis[d, i] - axis[i]
            top += e * e
            tip += (e + reach * t) ** 2
            turned += t * t
            shift += blur[d, i] ** 2
        bound = max(np.sqrt(top), np.sqrt(tip)) + thickest * np.sqrt(turned) + np.sqrt(shift)
        hit = False
        for w in range(points.shape[0]):
            if distance[w] > bound:
                break
            for i in range(3):
                place[i] = points[w, i] + blur[d, i]
            if solid_point(profile, moved_platform[d], moved_axis[d], place, gradient) <= radius[w]:
                hit = True
                break
        out[d] = hit


def _root(covariance: FloatArray) -> FloatArray:
    """Give a matrix whose square is the covariance, also where it is singular."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    return np.asarray(vectors * np.sqrt(np.clip(values, 0.0, None)))


def _own_draws(
    member: SiteSources, guide: GuideInputs, steadiness: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Give six-vectors of the site's own sources about its platform, shape (n, 6)."""
    axis = member.fixture.pose.axis_lps
    draws = len(steadiness)
    own = [k for k, source in enumerate(member.sources) if not source.common]
    normal = [k for k in own if member.sources[k].play_tilt_rad == 0.0]
    hand = [k for k in normal if member.sources[k].name in HAND]
    firm = member.covariances[[k for k in normal if k not in hand]].sum(axis=0)
    out = rng.standard_normal((draws, 6)) @ _root(firm).T + member.means[own].sum(axis=0)
    out += steadiness[:, None] * (rng.standard_normal((draws, 6)) @ _root(member.covariances[hand].sum(axis=0)).T)
    for k in own:
        source = member.sources[k]
        if source.play_tilt_rad > 0.0:
            # A power of a uniform number: never beyond the sleeve, with the stated root mean square.
            power = (1.0 / min(source.play_lean, 1.0) ** 2 - 1.0) / 2.0
            tilt = source.play_tilt_rad * rng.random(draws) ** power
            side = rng.random(draws) * 2.0 * np.pi
            helper = np.eye(3)[int(np.argmin(np.abs(axis)))]
            u = np.cross(axis, helper)
            u /= np.linalg.norm(u)
            w = (tilt * np.cos(side))[:, None] * u + (tilt * np.sin(side))[:, None] * np.cross(axis, u)
            out[:, :3] += w
            out[:, 3:] += np.cross(w, -source.play_pivot_mm * axis)
    struck = rng.random(draws) < guide.value("blunder_share")
    out[struck] += rng.standard_normal((int(struck.sum()), 6)) @ _root(blunder_covariances(guide, axis[None])[0]).T
    return np.ascontiguousarray(out)


class Common(NamedTuple):
    """What all sites of a guide share: six-vectors (k, n, 6), the points (k, 3) they are about, steadiness (n,)."""

    vectors: FloatArray
    centres_lps_mm: FloatArray
    steadiness: FloatArray


def common_draws(
    gathered: Mapping[str, SiteSources], guide: GuideInputs, draws: int, rng: np.random.Generator
) -> Common:
    """Draw match, seating and the operator's steadiness once for the whole guide."""
    first = next(iter(gathered.values()))
    common = [source for source in first.sources if source.common]
    spread = guide.value("operator_spread")
    steadiness = np.exp(spread * rng.standard_normal(draws) - spread**2)
    if not common:
        return Common(np.zeros((0, draws, 6)), np.zeros((0, 3)), steadiness)
    vectors = [rng.standard_normal((draws, 6)) @ _root(s.covariance).T + s.mean for s in common]
    about = np.array([s.about_lps_mm for s in common])
    return Common(np.ascontiguousarray(np.array(vectors)), about, steadiness)


def draw_site(
    member: SiteSources,
    guide: GuideInputs,
    common: Common,
    targets: Sequence[tuple[Witnesses, float, FloatArray]],
    rng: np.random.Generator,
) -> Draws:
    """Draw the displacements of one site and test them against its obstacles.

    Parameters
    ----------
    common : Common
        One draw of what all sites share (`common_draws`).
    targets : (Witnesses, localisation sigma in mm, shift (3,) in mm) of each obstacle
    """
    vectors, centres, steadiness = common
    draws = vectors.shape[1]
    fixture = member.fixture
    platform, axis = np.array(fixture.pose.platform_lps_mm), np.array(fixture.pose.axis_lps)
    own = _own_draws(member, guide, steadiness, rng)
    entry, apex, moved_axis, moved = (np.empty((draws, 3)) for _ in range(4))
    angle = np.empty(draws)
    _displace(platform, axis, fixture.shape.length_mm, own, vectors, centres, entry, apex, angle, moved_axis, moved)
    profile = convex_profile(drill_profile(fixture.shape, guide.drills))
    harmed = np.zeros((draws, len(targets)), dtype=np.bool_)
    for k, (witnesses, sigma, shift) in enumerate(targets):
        blur = rng.standard_normal((draws, 3)) * sigma + shift
        out = np.zeros(draws, dtype=np.bool_)
        _harmed(
            profile, float(profile[-1, 0]), platform, axis, moved, moved_axis, blur,
            witnesses.points_lps_mm, witnesses.radius_mm, witnesses.distance_mm, out,
        )  # fmt: skip
        harmed[:, k] = out
    return Draws(entry, apex, angle, harmed)


def monte_carlo(
    fixtures: Mapping[str, PlacedFixture],
    obstacles: Sequence[Obstacle],
    *,
    guide: GuideInputs,
    match: PoseCovariance | None = None,
    rows: Iterable[LedgerRow] = (),
    degradation: Any = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> DrawnBudget:
    """Give the budget by random draws.

    Parameters
    ----------
    obstacles : sequence of Obstacle
        The ones that `rows` came from (`LedgerRow.obstacle_index`).
    rows : iterable of LedgerRow
        The ledger of these fixtures; harm is judged for the drill's rows.
    """
    if not fixtures:
        return DrawnBudget({}, Chance.counted(0, draws), draws, seed)
    gathered = gather(fixtures, guide, match)
    streams = np.random.default_rng(seed).spawn(len(gathered) + 1)
    common = common_draws(gathered, guide, draws, streams[0])
    moved = displacements(side_by_side(fixtures, guide, match), guide)
    chosen = [row for row in harm_rows(tuple(rows)) if row.obstacle_index >= 0]

    def one(site: str, rng: np.random.Generator) -> tuple[Draws, list[LedgerRow]]:
        member = gathered[site]
        pose = member.fixture.pose
        profile = convex_profile(drill_profile(member.fixture.shape, guide.drills))
        frame = np.array(pose.platform_lps_mm), np.array(pose.axis_lps)
        own = [row for row in chosen if row.site == site]
        blur = blurred_sigma_mm(own, guide, degradation)
        targets = [
            (witnesses_of(obstacles[row.obstacle_index], profile, *frame), float(sigma), shift)
            for row, sigma, shift in zip(own, blur, taken_away_mm(moved, own), strict=True)
        ]
        found = draw_site(member, guide, common, targets, rng)
        for k, row in enumerate(own):
            if row.distance_mm <= 0.0 and not found.harmed[:, k].any():
                found.harmed[:, k] = True  # Planned wholly on the wrong side: no wall is met on the way.
        return found, own

    with ThreadPoolExecutor(THREADS, thread_name_prefix="planner_core") as pool:
        results = list(pool.map(one, gathered, streams[1:]))
    sites, any_harm = {}, np.zeros(draws, dtype=np.bool_)
    for site, (found, own) in zip(gathered, results, strict=True):
        counted = [k for k, row in enumerate(own) if row.kind in COUNTED_KINDS]
        harmed = found.harmed[:, counted].any(axis=1)
        any_harm |= harmed
        sites[site] = _summary(site, gathered[site], found, own, int(harmed.sum()))
    return DrawnBudget(sites, Chance.counted(int(any_harm.sum()), draws), draws, seed)


def _summary(site: str, member: SiteSources, found: Draws, rows: Sequence[LedgerRow], harmed: int) -> DrawnSite:
    entry, apex = (np.linalg.norm(x, axis=1) for x in (found.entry_mm, found.apex_mm))
    depth = found.apex_mm @ member.fixture.pose.axis_lps
    angle = np.degrees(found.angle_rad)
    draws = len(entry)
    return DrawnSite(
        site,
        float(entry.mean()),
        float(np.quantile(entry, 0.95)),
        float(apex.mean()),
        float(np.quantile(apex, 0.95)),
        float(angle.mean()),
        float(np.quantile(angle, 0.95)),
        float(depth.mean()),
        float(np.quantile(np.abs(depth), 0.95)),
        {row.obstacle: Chance.counted(int(found.harmed[:, k].sum()), draws) for k, row in enumerate(rows)},
        Chance.counted(harmed, draws),
    )


def disagreements(first: Mapping[str, SiteBudget], drawn: DrawnBudget) -> tuple[Finding, ...]:
    """Give what the two evaluations do not agree on, as findings; empty when they agree within 5 %.

    The chance of harm agrees when the first-order figure lies within 5 % of the drawn one or of its confidence
    limits. The first order takes every obstacle as a wall across the nearest direction, so it may state more.
    """
    found = []
    for site, budget in first.items():
        other = drawn.sites[site]
        for label, ours, theirs in (
            ("entry 95 %", budget.entry.p95_mm, other.entry_p95_mm),
            ("apex 95 %", budget.apex.p95_mm, other.apex_p95_mm),
            ("angle 95 %", budget.angle_p95_deg, other.angle_p95_deg),
        ):
            if abs(ours - theirs) > AGREEMENT * theirs:
                text = f"{label}: {ours:.2f} by formula, {theirs:.2f} by random draws; more than 5 % apart."
                found.append(Finding(Severity.WARNING, "evaluations-differ", text, site))
        chance = other.chance_of_harm
        low, high = chance.low * (1.0 - AGREEMENT), chance.high * (1.0 + AGREEMENT)
        if not low <= budget.chance_of_harm <= high:
            less = budget.chance_of_harm < low
            text = (
                f"Chance of harm here: {100 * budget.chance_of_harm:.2f} % by formula, {100 * chance.value:.2f} % "
                f"by random draws (95 % limits {100 * chance.low:.2f} to {100 * chance.high:.2f} %). The draws "
                "follow each structure's shape; the advice stands on the formula"
                + (", which finds less harm." if less else ", the larger of the two.")
            )
            found.append(Finding(Severity.WARNING if less else Severity.NOTE, "evaluations-differ", text, site))
    return tuple(found)
