"""Search for the best pose of a fixture under a planned tooth (see `site_search`).

Starts on a coarse grid are climbed by linear programmes and polished by small steps, first to keep every margin,
then to have the largest ratio of leeway to need. No random numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from attrs import frozen
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.stats import qmc

from planner_core.geometry.frames import FloatArray
from planner_core.planning.fixture import FixtureShape
from planner_core.planning.site_search import ENOUGH, FAR_OFF_MM, KEPT_FROM_MM, Judged, SiteSearch

NEARLY_MM = -0.1
"""A pose that misses a margin by more, mm, is not looked at more closely: of 66 such climbed poses none came nearer
by 0.001 mm (tests.studies propose, seeds 6160 and 7270)."""

STARTS, STARTS_APART, CLIMBS = 4, 1.0, 14
DEEP_LEANS, DEEP_STARTS, DEEP_APART = 4, 3, 0.8
"""Starts of the search, and of the deep search in each of so many ranges of the lean to the face, and how far apart
they lie at least, mm (our choice, as below)."""
TRUST_MM, CORRECTIONS, LEAST_GAIN = (0.8, 0.02), 1, 0.001
"""First and last box of a climb, mm; how often a step is corrected; and the gain (mm of slack, or leeway over need)
that a programme must promise for a step to be tried."""

GRADIENT_STEP_MM = 0.05
LOOK_MM = (0.8, 0.2)
POLISH_MM = (0.2, 0.05)
"""Steps of the search (these numbers too are our choice, judged by tests.studies propose)."""


Judge = Callable[[FloatArray], list[Judged]]
"""Judges poses, shape (n, 5)."""


def best_pose(search: SiteSearch, shape: FixtureShape, before: Judged | None = None) -> Judged:
    """Search the best pose of a shape; `before`, the best of another shape, saves most of the starts."""
    low, high = search.frame.bounds
    judge = _judge_within(search, shape)
    grid = [
        (a, f, 0.5 * a, e, d)
        for a in (-1.4, 0.0, 1.4)
        for f in (-1.2, 0.0, 1.2)
        for e in (-0.7 * high[3], 0.0, 0.7 * high[3])
        for d in (0.3, 1.5)
    ]
    starts = sorted(judge(np.array(grid)), key=lambda j: -j.worth)
    chosen = _apart(starts, STARTS, STARTS_APART) if before is None else [*judge(before.x[None]), starts[0]]
    found = [_climb(judge, start, low, high) for start in chosen]
    found.sort(key=lambda j: -j.worth)
    best = found[0]
    if best.slack_mm < NEARLY_MM:
        return best
    # Where margins and limit are kept, a closer look waits for `deeper_pose`.
    if best.slack_mm < KEPT_FROM_MM or best.ratio < 1.0:
        best = _nearer(judge, found, low, high)
    return _polished(judge, best)


def deeper_pose(search: SiteSearch, shape: FixtureShape, now: Judged) -> Judged:
    """Look once more, from starts all over the box, for a pose better than the one that was found.

    Between two roots good poses come in groups that no climb joins, and a grid of starts can miss one.
    """
    low, high = search.frame.bounds
    judge = _judge_within(search, shape)
    if now.slack_mm < FAR_OFF_MM or now.ratio >= ENOUGH:
        return _polished(judge, now)
    search.spread_from(shape, now.x)
    now = judge(now.x[None])[0]
    tried = sorted(judge(low + (high - low) * _EVERYWHERE), key=lambda j: -j.worth)
    chosen = [start for group in _by_lean(tried) for start in _apart(group, DEEP_STARTS, DEEP_APART)]
    found = sorted((now, *(_climb(judge, start, low, high) for start in chosen)), key=lambda j: -j.worth)
    return _polished(judge, _nearer(judge, found, low, high))


def _judge_within(search: SiteSearch, shape: FixtureShape) -> Judge:
    """Give the judge of a shape's poses, shape (n, 5), moved into the box first."""
    low, high = search.frame.bounds
    return lambda places: search.judge(shape, np.clip(places, low, high))


def _by_lean(tried: Sequence[Judged]) -> list[list[Judged]]:
    """Part poses into equal groups by where they leave the crown: the best lean may be far from the rest."""
    order = np.argsort([j.x[3] for j in tried], kind="stable")
    groups = np.empty(len(tried), np.int64)
    groups[order] = np.arange(len(tried)) * DEEP_LEANS // max(1, len(tried))
    return [[j for j, g in zip(tried, groups, strict=True) if g == k] for k in range(DEEP_LEANS)]


def _apart(ranked: Sequence[Judged], count: int, apart: float) -> list[Judged]:
    """Give the first so many that lie further than `apart` from each other in one of the numbers."""
    chosen: list[Judged] = []
    for other in ranked:
        if len(chosen) < count and all(np.abs(other.x - c.x).max() > apart for c in chosen):
            chosen.append(other)
    return chosen


def _nearer(judge: Judge, ranked: Sequence[Judged], low: FloatArray, high: FloatArray) -> Judged:
    """Look round the first two that come near the margins; give the best."""
    near = [_look_round(judge, j, low, high) for j in ranked[:2] if j.slack_mm >= NEARLY_MM]
    return max((*near, ranked[0]), key=lambda j: j.worth)


def _look_round(judge: Judge, now: Judged, low: FloatArray, high: FloatArray) -> Judged:
    """Try evenly spread places round a pose and climb on from a better one.

    Where the nearest point jumps (rim of a flat drill, another root) gradients mislead and a climb stops early.
    """
    for reach in LOOK_MM:
        best = max(judge(now.x + reach * _SPREAD), key=lambda j: j.worth)
        if best.worth > now.worth + 1e-4:
            now = _climb(judge, best, low, high)
    return now


def _climb(judge: Judge, now: Judged, low: FloatArray, high: FloatArray) -> Judged:
    """Climb by linear programmes in a shrinking box: the least of many smooth functions, at its steepest.

    Sequential linear programming for a maximin (Madsen 1975, J Inst Math Appl 16:321; M). Margins and leeways are
    curved, so that a step along one breaks it by a little: it is then solved again with the values found there and
    the same slopes (second-order correction, Fletcher 1982, Math Programming Study 17:67; M).
    """
    trust, slopes = TRUST_MM[0], _slopes(judge, now, low, high)
    for _ in range(CLIMBS):
        there = _step(judge, now, slopes, low, high, trust)
        if there is None:
            break
        if there.worth > now.worth + 1e-5:
            now, slopes = there, _slopes(judge, there, low, high)
            trust = min(trust * 1.3, TRUST_MM[0])
        else:
            trust *= 0.4
        if trust < TRUST_MM[1]:
            break
    return now


def _step(
    judge: Judge, now: Judged, slopes: _Slopes, low: FloatArray, high: FloatArray, trust: float
) -> Judged | None:
    """Give the best of a programme's pose and its corrections; None without a solution."""
    best, values = None, now
    for _ in range(1 + CORRECTIONS):
        place = _programme(now, values, slopes, low, high, trust)
        if place is None:
            break
        values = judge(place[None])[0]
        if best is None or values.worth > best.worth:
            best = values
        if best.worth > now.worth + 1e-5:
            break
    return best


@frozen(eq=False)
class _Slopes:
    """How slacks and leeways change per mm of each of the five numbers, at a pose."""

    slacks: dict[tuple[str, str], FloatArray]
    ratios: dict[str, FloatArray]


def _slopes(judge: Judge, now: Judged, low: FloatArray, high: FloatArray) -> _Slopes:
    steps = np.where(now.x + GRADIENT_STEP_MM <= high, GRADIENT_STEP_MM, -GRADIENT_STEP_MM)
    moved = judge(now.x + np.diag(steps))
    return _Slopes(
        {k: np.array([m.slacks.get(k, v) - v for m in moved]) / steps for k, v in now.slacks.items()},
        {k: np.array([m.ratios.get(k, v) - v for m in moved]) / steps for k, v in now.ratios.items()},
    )


def _programme(
    now: Judged, values: Judged, slopes: _Slopes, low: FloatArray, high: FloatArray, trust: float
) -> FloatArray | None:
    """Give the place that lifts the least function most, by the values at one pose and the slopes at `now`."""
    first = now.slack_mm < KEPT_FROM_MM
    moved = values.x - now.x
    rows, right = [], []
    for key, slope in slopes.slacks.items():
        if now.slacks[key] > 3.0 * trust + 1.0:
            continue
        value = values.slacks.get(key, now.slacks[key]) - float(slope @ moved)
        rows.append([*(-slope), 1.0 if first else 0.0])
        right.append(value if first else value - KEPT_FROM_MM)
    if not first:
        for name, slope in slopes.ratios.items():
            rows.append([*(-slope), 1.0])
            right.append(values.ratios.get(name, now.ratios[name]) - float(slope @ moved))
    if not rows:
        return None
    box = Bounds(
        [*np.maximum(-trust, low - now.x), -np.inf], [*np.minimum(trust, high - now.x), 0.05 if first else ENOUGH]
    )
    # Without whole numbers `milp` is the same solver as `linprog`, with two thirds of its time for so small a one.
    solved = milp(_LIFT, constraints=LinearConstraint(np.array(rows), -np.inf, np.array(right)), bounds=box)
    if solved.status != 0 or -solved.fun < (now.slack_mm if first else now.ratio) + LEAST_GAIN:
        return None
    return np.asarray(now.x + solved.x[:5])


_LIFT = np.array([0.0, 0.0, 0.0, 0.0, 0.0, -1.0])
"""The programme's aim: the greatest least function, its sixth number."""

_EVERYWHERE = qmc.Halton(5, scramble=False).random(385)[1:]
"""Three hundred and eighty-four places spread evenly over the unit cube."""

_SPREAD = 2.0 * qmc.Halton(5, scramble=False).random(25)[1:] - 1.0
"""Twenty-four places spread evenly over the cube from -1 to 1 (Halton 1960, always the same)."""

_DIRECTIONS = np.array(
    [
        *(s * np.eye(5)[k] for k in range(5) for s in (1.0, -1.0)),
        # Upright shifts, and turns about the platform's middle: the ways in which a hand moves a fixture.
        *(s * np.array(d) for s in (1.0, -1.0) for d in ((1.0, 0, 1.0, 0, 0), (0, 1.0, 0, 1.0, 0))),
        *(s * np.array(d) for s in (1.0, -1.0) for d in ((1.0, 0, -1.0, 0, 0), (0, 1.0, 0, -1.0, 0))),
        # Turns about a point below the apex or over the platform, and turns that go deeper or less deep.
        *(s * np.array(d) for s in (1.0, -1.0) for d in ((1.0, 0, 2.5, 0, 0), (0, 1.0, 0, 2.5, 0))),
        *(s * np.array(d) for s in (1.0, -1.0) for d in ((1.0, 0, -2.5, 0, 0), (0, 1.0, 0, -2.5, 0))),
        *(s * np.array(d) for s in (1.0, -1.0) for d in ((1.0, 0, 2.5, 0, 1.0), (1.0, 0, 2.5, 0, -1.0))),
        *(s * np.array(d) for s in (1.0, -1.0) for d in ((0, 0, 1.0, 0, 1.0), (0, 0, 1.0, 0, -1.0))),
        *(s * np.array(d) for s in (1.0, -1.0) for d in ((0, 0, 0, 1.0, 1.0), (0, 0, 0, 1.0, -1.0))),
    ]
)


def _polished(judge: Judge, now: Judged) -> Judged:
    """Walk by the steps of `POLISH_MM`, the large one first."""
    for step in POLISH_MM:
        now = _compass(judge, now, step)
    return now


def _compass(judge: Judge, now: Judged, step: float) -> Judged:
    """Walk to better poses by one step size until no direction is better."""
    for _ in range(8):
        best = max(judge(now.x + step * _DIRECTIONS), key=lambda j: j.worth)
        if best.worth <= now.worth + 1e-6:
            break
        now = best
    return now
