"""Which marker is which: correspondence of two sets without an order, with missing and false ones in both.

Distances between markers do not change under a rigid motion. Triples of markers with equal distances (and radii)
in both
sets give a motion; each motion is judged by how many markers it brings together. All triples of the likelier
markers are
tried, so that nothing depends on luck; motions that explain as many markers in another way make the set
ambiguous.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from attrs import frozen
from numba import njit
from scipy.optimize import linear_sum_assignment

from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform
from planner_core.registration.markers import Marker
from planner_core.registration.rigid_fit import rigid_from_points

BASE_TOLERANCE_MM = 0.30
"""Distances of one pair may differ by this much besides the centres' own errors, mm (sticker shift, scale; our
choice)."""

RADIUS_TOLERANCE_MM = 0.45
"""Radii of one marker may differ by this much, mm: blooming makes markers look larger in a volume, and a part
sunk into a
streak smaller (our choice)."""

SMALLEST_TRIPLE_MM = 6.0
"""Triples whose triangle is lower than this are not tried: they say nothing about the turn, mm."""

SAME_MOTION_MM = 1.0
"""Motions that carry the markers to within this distance are one motion, mm."""

RIVAL_SCORE = 0.8
"""A motion to another place whose score reaches this share of the best makes the set ambiguous (our choice)."""

RADIUS_SPREAD_MM = 0.2
"""Spread of the difference of radii of one marker, mm (blooming against sinking; our choice)."""

MOST_MOTIONS = 6000
"""Motions judged at most, the likeliest first."""


_Motion = tuple[tuple[tuple[int, int], ...], RigidTransform, float]
"""Pairs, the motion that they give, and its score."""


@frozen(eq=False)
class Correspondence:
    """Which markers belong together.

    Attributes
    ----------
    pairs : tuple of (int, int)
        Indices into the first and the second set.
    motion : RigidTransform or None
        Rough motion of the first set onto the second; None when nothing fits.
    rivals : int
        Motions to another place that explain the markers about as well: more than zero is ambiguous.
    mirrored_pairs : int
        How many markers a mirrored motion would explain; zero unless it explains them better than a proper one.
    """

    pairs: tuple[tuple[int, int], ...]
    motion: RigidTransform | None
    rivals: int = 0
    mirrored_pairs: int = 0
    rival_score: float = 0.0
    """Score of the best motion to another place over that of the best."""
    motions: tuple[_Motion, ...] = ()
    """All motions that were judged, as (pairs, motion, score), best first."""

    @property
    def ambiguous(self) -> bool:
        """Whether another way of pairing explains as many markers."""
        return self.rivals > 0


@njit(nogil=True, cache=True)
def matching_triples(
    first: AnyArray, second: AnyArray, tol_first: AnyArray, tol_second: AnyArray, fits: AnyArray, base: float,
    lowest: float, out: AnyArray,
) -> int:  # fmt: skip
    """Write matching triples (three indices of the first set, three of the second) to `out`; give their number."""
    n, m = first.shape[0], second.shape[0]
    found, most = 0, out.shape[0]
    for i in range(n):
        for j in range(i + 1, n):
            ij = math.sqrt(((first[i] - first[j]) ** 2).sum())
            if ij < lowest:
                continue
            for k in range(j + 1, n):
                ik = math.sqrt(((first[i] - first[k]) ** 2).sum())
                jk = math.sqrt(((first[j] - first[k]) ** 2).sum())
                half = 0.5 * (ij + ik + jk)
                area2 = half * (half - ij) * (half - ik) * (half - jk)
                longest = max(ij, max(ik, jk))
                if area2 <= 0.0 or 2.0 * math.sqrt(area2) / longest < lowest:
                    continue
                for a in range(m):
                    if not fits[i, a]:
                        continue
                    for b in range(m):
                        if b == a or not fits[j, b]:
                            continue
                        ab = math.sqrt(((second[a] - second[b]) ** 2).sum())
                        if abs(ab - ij) > base + 2.0 * (
                            tol_first[i] + tol_first[j] + tol_second[a] + tol_second[b]
                        ):
                            continue
                        for c in range(m):
                            if c in (a, b) or not fits[k, c]:
                                continue
                            ac = math.sqrt(((second[a] - second[c]) ** 2).sum())
                            spare = base + 2.0 * (tol_first[k] + tol_second[c])
                            if abs(ac - ik) > spare + 2.0 * (tol_first[i] + tol_second[a]):
                                continue
                            bc = math.sqrt(((second[b] - second[c]) ** 2).sum())
                            if abs(bc - jk) > spare + 2.0 * (tol_first[j] + tol_second[b]):
                                continue
                            if found < most:
                                out[found, 0], out[found, 1], out[found, 2] = i, j, k
                                out[found, 3], out[found, 4], out[found, 5] = a, b, c
                            found += 1
    return min(found, most)


def correspond(
    first: Sequence[Marker], second: Sequence[Marker], *, source: str = "surface", target: str = "lps"
) -> Correspondence:
    """Pair the markers of two sets.

    Parameters
    ----------
    first, second : sequence of Marker
        At most some forty each, the likelier ones first.
    source, target : str
        Frames of the two sets.
    """
    if len(first) < 3 or len(second) < 3:
        return Correspondence((), None)
    a, b = (np.array([m.centre_mm for m in markers]) for markers in (first, second))
    ta, tb = (np.array([m.localisation_mm for m in markers]) / math.sqrt(3.0) for markers in (first, second))
    ra, rb = (np.array([m.radius_mm for m in markers]) for markers in (first, second))
    loose = np.array([[p.shape != "ball" or q.shape != "ball" for q in second] for p in first])
    fits = (np.abs(ra[:, None] - rb[None]) < RADIUS_TOLERANCE_MM) | loose
    triples = np.zeros((400_000, 6), np.int64)
    count = matching_triples(a, b, ta, tb, fits, BASE_TOLERANCE_MM, SMALLEST_TRIPLE_MM, triples)
    triples = triples[:count]
    tolerance = BASE_TOLERANCE_MM + 3.0 * np.sqrt(ta[:, None] ** 2 + tb[None] ** 2)
    weight = np.array([m.quality for m in first])[:, None] * np.array([m.quality for m in second])[None]
    worth = weight * np.exp(-0.5 * ((ra[:, None] - rb[None]) / RADIUS_SPREAD_MM) ** 2)
    worth = np.where(loose, 0.5 * weight, worth)
    proper = _motions(a, b, triples, fits, tolerance, worth, mirrored=False)
    flipped = _motions(a, b, triples, fits, tolerance, worth, mirrored=True)
    mirrored_count = len(flipped[0][0]) if flipped and (not proper or flipped[0][2] > proper[0][2]) else 0
    if not proper:
        return Correspondence((), None, 0, mirrored_count)
    named = tuple((pairs, RigidTransform(pose.matrix, source, target), score) for pairs, pose, score in proper)
    return told_apart(named, a, mirrored_count)


def told_apart(motions: Sequence[_Motion], places_mm: FloatArray, mirrored_count: int) -> Correspondence:
    """Give the correspondence of the best motion, and how near the best motion to another place comes.

    Parameters
    ----------
    motions : sequence
        Best first, at least one.
    places_mm : array of shape (n, 3)
        The first set's markers.
    """
    best_pairs, best_pose, best_score = motions[0]
    others = [
        score / best_score
        for _, pose, score in motions[1:]
        if np.linalg.norm(pose.apply(places_mm) - best_pose.apply(places_mm), axis=1).max() > SAME_MOTION_MM
    ]
    rivals = sum(score > RIVAL_SCORE for score in others)
    return Correspondence(best_pairs, best_pose, rivals, mirrored_count, max(others, default=0.0), tuple(motions))


def _motions(
    a: FloatArray,
    b: FloatArray,
    triples: AnyArray,
    fits: AnyArray,
    tolerance: FloatArray,
    worth: FloatArray,
    mirrored: bool,
) -> list[_Motion]:
    """Give distinct motions with their score (worth of the pairs, less where they are apart), best first."""
    source = a * [-1.0, 1.0, 1.0] if mirrored else a
    kept: list[_Motion] = []
    order = np.argsort(-(worth[triples[:, :3], triples[:, 3:]].sum(axis=1)), kind="stable")[:MOST_MOTIONS]
    first, second = triples[order, :3], triples[order, 3:]
    rotations, shifts, rms = triple_motions(source[first], b[second])
    likely = rms <= 0.5 * tolerance[first, second].mean(axis=1)
    seen: set[tuple[tuple[int, int], ...]] = set()
    tried: set[tuple[tuple[int, int], ...]] = set()
    for k in np.flatnonzero(likely):
        # Triples that bring the same markers together at once lead to the same motion.
        reach = np.linalg.norm((source @ rotations[k].T + shifts[k])[:, None] - b[None], axis=2)
        near = (reach < tolerance) & fits
        together = tuple(map(tuple, np.argwhere(near)))
        if together in tried:
            continue
        tried.add(together)
        motion = _judged(source, b, rotations[k], shifts[k], fits, tolerance, worth)
        if motion is None or motion[0] in seen:
            continue
        seen.add(motion[0])
        kept.append(motion)
    kept.sort(key=lambda motion: -motion[2])
    return kept[:50]


def triple_motions(source_mm: FloatArray, target_mm: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fit many triples at once (Kabsch's fit, proper rotations only).

    Parameters
    ----------
    source_mm, target_mm : array of shape (n, 3, 3)
        n triples of points.

    Returns
    -------
    rotations : array of shape (n, 3, 3)
    shifts_mm : array of shape (n, 3)
    rms_mm : array of shape (n,)
        Root mean square residual.
    """
    mean_a, mean_b = source_mm.mean(axis=1), target_mm.mean(axis=1)
    a, b = source_mm - mean_a[:, None], target_mm - mean_b[:, None]
    u, _, vt = np.linalg.svd(np.einsum("nki,nkj->nij", b, a))
    sign = np.where(np.linalg.det(u) * np.linalg.det(vt) < 0, -1.0, 1.0)
    u[:, :, 2] *= sign[:, None]
    rotations = u @ vt
    left = b - np.einsum("nij,nkj->nki", rotations, a)
    shifts = mean_b - np.einsum("nij,nj->ni", rotations, mean_a)
    return rotations, shifts, np.sqrt((left**2).sum(axis=2).mean(axis=1))


def _judged(
    a: FloatArray,
    b: FloatArray,
    rotation: FloatArray,
    shift: FloatArray,
    fits: AnyArray,
    tolerance: FloatArray,
    worth: FloatArray,
) -> _Motion | None:
    """Pair what a motion brings together, refit and pair again."""
    pose = RigidTransform.from_parts(rotation, shift, "surface")
    pairs: tuple[tuple[int, int], ...] = ()
    score = 0.0
    for _ in range(3):
        distance = np.linalg.norm(pose.apply(a)[:, None] - b[None], axis=2)
        allowed = (distance < tolerance) & fits
        if int(allowed.any(axis=1).sum()) < 3:
            return None
        rows, columns = linear_sum_assignment(np.where(allowed, distance, 1e3))
        good = allowed[rows, columns]
        found = tuple((int(i), int(j)) for i, j in zip(rows[good], columns[good], strict=True))
        if len(found) < 3:
            return None
        close = distance[rows[good], columns[good]] / (0.5 * tolerance[rows[good], columns[good]])
        score = float((worth[rows[good], columns[good]] * np.exp(-0.5 * close**2)).sum())
        if found == pairs:
            break
        pairs = found
        pose = rigid_from_points(a[[i for i, _ in pairs]], b[[j for _, j in pairs]])
    return pairs, pose, score
