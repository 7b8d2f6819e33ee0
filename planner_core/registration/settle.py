"""From a place that is about right to the best fit near it: restarts around it, so that no local optimum wins."""

from __future__ import annotations

import numpy as np

from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform
from planner_core.progress import Progress, silent
from planner_core.registration.edges import GreyField
from planner_core.registration.rigid_fit import moved_by
from planner_core.registration.surface_fit import (
    FINAL_STAGES,
    Degradation,
    Stage,
    SurfaceFit,
    fit_surface,
    look,
)
from planner_core.registration.surface_sample import SurfaceSample

RESTARTS = 16
"""Random restarts around the best place (our choice)."""

LIFTS_MM = (1.5, -1.5, 3.0, -3.0)
"""Restarts lifted and sunk along the way that the surface looks, mm: gingiva lies about so far from bone, the place
where a fit goes wrong in streaks (seen in tests/studies)."""

RESTART_MM, RESTART_DEG = 1.2, 2.0
"""Spread of the restarts, standard deviation per axis (our choice: the size of the local optima met in
streaks)."""

SETTLE_STAGES = (Stage(2500, 2.5, 2.5, 4), Stage(3000, 1.6, 1.2, 5), Stage(3500, 1.2, 0.7, 6))
MIRROR_STAGES = (Stage(2000, 4.0, 4.0, 4), *SETTLE_STAGES)
SCORE = Stage(6000, 1.2, 0.6, 1)

SURE_SCORE, SURE_AFTER, ANY_AFTER = 0.5, 6, 10
"""After so many restarts in a row that found nothing better further ones are spared: the first number when this
share of the surface finds its edge, the second always (our choice: a wrong place scores up to 0.13 in
tests/studies, a clean mouth's right one above 0.5)."""

BETTER = 0.01
"""A place must score better by this much to count as news (our choice: above the score's own noise)."""

DRAWN_AWAY_MM = 0.45
"""Clean edges may move no point of the surface further than this from where all edges put it, mm (0.25 mm was usual
in streaked mouths of tests/studies, 0.8 mm in one where it was wrong)."""

SAME_PLACE_MM = 0.5
"""Fits that carry the surface to within this distance are one place, mm."""


def apart_mm(a: RigidTransform, b: RigidTransform, points_mm: AnyArray) -> float:
    """Give the root mean square distance (mm) between where two poses carry points."""
    return float(np.sqrt(np.mean(np.sum((a.apply(points_mm) - b.apply(points_mm)) ** 2, axis=1))))


def _restarts(sample: SurfaceSample) -> list[tuple[FloatArray, bool]]:
    """Give the six-vectors of the restarts, and whether their shift is in the surface's own frame."""
    up = (sample.normals * sample.areas_mm2[:, None]).sum(axis=0)
    up = up / max(float(np.linalg.norm(up)), 1e-9)
    lifted = [(np.concatenate([np.zeros(3), lift * up]), True) for lift in LIFTS_MM]
    rng = np.random.default_rng(12)
    random = [
        (np.concatenate([np.radians(RESTART_DEG) * rng.normal(size=3), RESTART_MM * rng.normal(size=3)]), False)
        for _ in range(RESTARTS)
    ]
    return [*lifted, *random]


def _final(
    field_: GreyField,
    sample: SurfaceSample,
    place: RigidTransform,
    degradation: Degradation | None,
    probe: AnyArray,
) -> SurfaceFit:
    """Fit finely by the clean edges, but stay at the place on which all edges agree.

    Where few edges are clean, those few can draw the surface away from where most of it fits.
    """
    best = fit_surface(field_, sample, place, stages=FINAL_STAGES, degradation=degradation)
    if degradation is None:
        return best
    every = fit_surface(field_, sample, place, stages=FINAL_STAGES[:1])
    away = np.linalg.norm(best.pose.apply(probe) - every.pose.apply(probe), axis=1)
    if float(away.max()) <= DRAWN_AWAY_MM:
        return best
    return fit_surface(field_, sample, every.pose, stages=FINAL_STAGES)


def settle(
    field_: GreyField,
    sample: SurfaceSample,
    starts: list[RigidTransform],
    degradation: Degradation | None = None,
    progress: Progress = silent,
) -> tuple[SurfaceFit, float | None]:
    """Find the best fit near the starts (best first) and how close the next place comes.

    Returns
    -------
    fit : SurfaceFit
        On all points of the sample.
    runner_up : float or None
        Score of the best other place over that of the best; None when every restart ended in one place.
    """
    probe = sample.points_mm[:: max(1, len(sample) // 60)]
    scorer = sample.thinned(SCORE.points)
    places: list[tuple[float, RigidTransform]] = []

    def try_from(start: RigidTransform) -> None:
        # A wide look finds the way from far off, but can be drawn away from a good place; a narrow one stays there.
        for first in range(len(SETTLE_STAGES)):
            keep_if_new(fit_surface(field_, sample, start, stages=SETTLE_STAGES[first:]))

    def keep_if_new(fit: SurfaceFit) -> None:
        # Where the place is, all edges tell; how exactly it lies is left to the clean ones at the end.
        score = look(field_, scorer, fit.pose, SCORE, fit.offsets_mm, None).used_share
        same = [k for k, (_, pose) in enumerate(places) if apart_mm(pose, fit.pose, probe) < SAME_PLACE_MM]
        if all(score > places[k][0] for k in same):
            for k in reversed(same):
                del places[k]
            places.append((score, fit.pose))

    for start in starts:
        try_from(start)
    middle = sample.points_mm.mean(axis=0)
    steps = _restarts(sample)
    idle = 0
    for number, (step, turned) in enumerate(steps):
        progress(number / len(steps), "Fitting the surface to the edges of the scan")
        before, base = max(places, key=lambda place: place[0])
        if idle >= (SURE_AFTER if before >= SURE_SCORE else ANY_AFTER):
            break
        step = np.concatenate([step[:3], base.apply_direction(step[3:])]) if turned else step
        try_from(moved_by(base, step, base.apply(middle)))
        idle = 0 if max(score for score, _ in places) > before + BETTER else idle + 1
    places.sort(key=lambda place: -place[0])
    best = _final(field_, sample, places[0][1], degradation, probe)
    others = [score for score, pose in places[1:] if apart_mm(pose, best.pose, probe) >= SAME_PLACE_MM]
    progress(1.0, "")
    return best, (max(others) / places[0][0] if others and places[0][0] > 0 else None)


MIRROR_RESTARTS = 5
"""Restarts of the mirror check (our choice)."""


def mirror_share(field_: GreyField, sample: SurfaceSample, fit: SurfaceFit) -> tuple[float, float]:
    """Give the share of the surface that finds its edge, for the mirror image of the surface and for itself.

    The mirror image is taken across the middle of the arch as it lies in the volume, so that it starts where it
    would fit best. Arches are nearly symmetric: only the better of the two is the right-handed one.
    """
    pose = fit.pose
    scorer = sample.thinned(SCORE.points)
    own = look(field_, scorer, pose, SCORE, fit.offsets_mm, None).used_share
    across = pose.rotation.T @ np.array([1.0, 0.0, 0.0])
    middle = np.average(sample.points_mm, axis=0, weights=sample.areas_mm2)
    flip = np.eye(3) - 2.0 * np.outer(across, across)
    mirrored = SurfaceSample(
        (sample.points_mm - middle) @ flip + middle, sample.normals @ flip, sample.areas_mm2, sample.index
    )
    flipped_scorer = mirrored.thinned(SCORE.points)
    rng = np.random.default_rng(7)
    best = 0.0
    base = pose
    for number in range(MIRROR_RESTARTS):
        spread = 2.0 if number else 0.0
        step = spread * np.concatenate(
            [np.radians(RESTART_DEG) * rng.normal(size=3), RESTART_MM * rng.normal(size=3)]
        )
        tried = fit_surface(field_, mirrored, moved_by(base, step, base.apply(middle)), stages=MIRROR_STAGES)
        score = look(field_, flipped_scorer, tried.pose, SCORE, tried.offsets_mm, None).used_share
        if score > best:
            best, base = score, tried.pose
    return best, own
