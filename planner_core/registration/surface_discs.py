"""Flat discs on a surface scan: small plateaus with a steep rim all round, such as stickers of 1 to 3 mm.

A disc stands out of the mucosa or the tooth by its thickness. Its top is flat and its edge falls within a few
tenths of a millimetre in every direction; cusps and gingiva do neither.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from scipy.spatial import cKDTree

from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.registration.markers import LARGEST_MM, SMALLEST_MM, Marker
from planner_core.registration.surface_sample import even_share

FLAT_RMS_MM = 0.05
"""Points of a disc's top lie within this root mean square distance of a plane (scanner noise 0.02 to 0.03 mm,
PMC6981254, PMC7966190; S)."""

LEAST_STEP_MM, MOST_STEP_MM = 0.2, 1.5
"""A disc stands out by this much (stickers of 0.3 to 1 mm; common practice, no source)."""

LOOK_MM = 2.6
"""Points within this distance of a place are looked at, mm: a disc of 3 mm with its surroundings."""

SECTORS = 24
"""Directions in which the rim is looked for."""

LEAST_RIM = 0.8
"""Share of the directions in which a rim must be found (our choice: a part may lie against a tooth)."""

SHARP_RATIO, LEAST_SHARP = 0.4, 0.7
"""Outside the rim the surface falls at less than this share of the rim's own slope, in at least this share of the
directions (our choice: cusps go on falling)."""

ROUND_RMS_MM = 0.12
"""The rim lies within this root mean square distance of a circle (our choice: half a sampling step of 0.25 mm)."""

MOST_BETWEEN = 0.3
"""Share of the surroundings that may lie between the top and the ground (our choice: about half on a cusp)."""

NEAR_POINTS = 8
"""Neighbours of a place that must lie in one plane with it before it is looked at (our choice)."""

SEED_MM = 0.3
"""Spacing of the places that are tried, mm (our choice: under the smallest disc)."""

RIM_ERROR_MM = 0.08
"""Error of one rim place along its direction, mm (our choice: sampling of 0.15 to 0.3 mm over the root of 12)."""

DEPTH_ERROR_MM = 0.06
"""Error of half the thickness, mm: the ground under a disc is curved (our choice)."""


@frozen(eq=False)
class _Patch:
    """The surroundings of a place in a frame of its own."""

    plane: FloatArray
    """(n, 2), along the disc."""
    height: FloatArray
    """(n,), over the disc's top."""
    axes: FloatArray
    """Rows: two directions along the disc and its outward normal."""


def find_discs(points_mm: FloatArray, normals: FloatArray, tree: cKDTree) -> list[Marker]:
    """Find flat discs among the points of a surface.

    Parameters
    ----------
    points_mm, normals : array of shape (n, 3)
        Outward normals, unit length.
    tree : cKDTree
        Of the points.
    """
    seeds = even_share(points_mm, SEED_MM)
    seeds = seeds[_flat_tops(points_mm, normals, tree, seeds)]
    found: list[Marker] = []
    for seed in seeds:
        if any(np.linalg.norm(points_mm[seed] - m.centre_mm) < 0.5 * m.radius_mm for m in found):
            continue
        marker = measure_disc(points_mm, normals, tree, points_mm[seed], normals[seed])
        if marker is None:
            continue
        same = [m for m in found if np.linalg.norm(m.centre_mm - marker.centre_mm) < 0.8]
        if all(m.quality < marker.quality for m in same):
            found = [m for m in found if m not in same] + [marker]
    return found


def _flat_tops(points: FloatArray, normals: FloatArray, tree: cKDTree, seeds: AnyArray) -> AnyArray:
    """Tell which seeds lie on a small plane below which their surroundings fall away."""
    _, close = tree.query(points[seeds], k=NEAR_POINTS)
    top = np.einsum("nki,ni->nk", points[close] - points[seeds][:, None], normals[seeds])
    alike = np.einsum("nki,ni->nk", normals[close], normals[seeds])
    keep = (np.abs(top).max(axis=1) < 3.0 * FLAT_RMS_MM) & (alike.min(axis=1) > 0.9)
    # A ring of places just outside the largest disc must lie lower; of these a few are enough to tell.
    for number in np.flatnonzero(keep):
        seed = seeds[number]
        far = tree.query_ball_point(points[seed], LARGEST_MM / 2 + 0.3)
        around = np.sort((points[far[:: max(1, len(far) // 60)]] - points[seed]) @ normals[seed])
        fall = -float(around[int(0.15 * len(around))])
        between = np.searchsorted(around, -0.25 * fall) - np.searchsorted(around, -0.7 * fall)
        keep[number] = fall > LEAST_STEP_MM and between < MOST_BETWEEN * len(around)
    return keep


def measure_disc(
    points_mm: FloatArray, normals: FloatArray, tree: cKDTree, place_mm: AnyArray, normal: AnyArray
) -> Marker | None:
    """Measure the disc about a place on its top; None when there is none."""
    place, up = np.array(place_mm, dtype=np.float64), np.array(normal, dtype=np.float64)
    for _ in range(3):
        near = np.array(tree.query_ball_point(place, LOOK_MM), dtype=np.intp)
        if len(near) < 40:
            return None
        patch = _patch(points_mm[near], place, up)
        rim, step = _rim(patch)
        seen = np.isfinite(rim)
        if seen.mean() < LEAST_RIM or not LEAST_STEP_MM <= step <= MOST_STEP_MM:
            return None
        angle = 2.0 * np.pi * (np.arange(SECTORS) + 0.5) / SECTORS
        ends = (rim[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]))[seen]
        middle, radius, rms = _circle(ends)
        if rms > ROUND_RMS_MM or not SMALLEST_MM / 2 <= radius <= LARGEST_MM / 2:
            return None
        if _sharp(patch, radius) < LEAST_SHARP:
            return None
        place = place + middle @ patch.axes[:2]
        top = np.linalg.norm(patch.plane - middle, axis=1) < 0.75 * radius
        top &= np.abs(patch.height) < LEAST_STEP_MM
        if top.sum() < 6:
            return None
        ground = points_mm[near][top]
        level = ground.mean(axis=0)
        _, _, vt = np.linalg.svd(ground - level)
        up = vt[2] * np.sign(vt[2] @ up)
        place = place + up * float((level - place) @ up)
    flat = float(np.sqrt(np.mean(((ground - level) @ up) ** 2)))
    if flat > FLAT_RMS_MM:
        return None
    axes = _frame(up)
    along = RIM_ERROR_MM**2 * 2.0 / max(3, int(seen.sum()))
    own = np.diag([along, along, DEPTH_ERROR_MM**2])
    covariance = axes.T @ own @ axes + 0.02**2 * np.eye(3)
    quality = float(seen.mean()) * (1.0 - 0.5 * rms / ROUND_RMS_MM) * (1.0 - 0.5 * flat / FLAT_RMS_MM)
    return Marker(place - 0.5 * step * up, radius, covariance, float(seen.mean()), "blob", quality)


def _frame(up: FloatArray) -> FloatArray:
    """Give two directions across `up`, and `up`, as rows."""
    side = np.cross(up, np.eye(3)[int(np.argmin(np.abs(up)))])
    side /= np.linalg.norm(side)
    return np.stack([side, np.cross(up, side), up])


def _patch(points: FloatArray, place: FloatArray, up: FloatArray) -> _Patch:
    axes = _frame(up)
    local = (points - place) @ axes.T
    return _Patch(local[:, :2], local[:, 2], axes)


def _rim(patch: _Patch) -> tuple[FloatArray, float]:
    """Give in each direction how far the top reaches (nan: no rim), and how far the surface falls there."""
    r, h = np.linalg.norm(patch.plane, axis=1), patch.height
    turn = np.arctan2(patch.plane[:, 1], patch.plane[:, 0]) % (2 * np.pi)
    sector = np.minimum((turn / (2 * np.pi) * SECTORS).astype(int), SECTORS - 1)
    low = h < -0.5 * LEAST_STEP_MM
    first = _with_neighbours(np.minimum, sector[low], r[low], np.inf)
    inside = ~low & (r < first[sector] + 0.3)
    reach = _with_neighbours(np.maximum, sector[inside], r[inside], -np.inf)
    # What rises over the top inside its rim is no flat disc.
    high = (h > LEAST_STEP_MM) & (r < first[sector])
    good = np.isfinite(first) & np.isfinite(reach)
    good[sector[high]] = False
    rim = np.where(good, 0.5 * (np.where(good, first, 0.0) + np.where(good, reach, 0.0)), np.nan)
    beyond = low & good[sector] & (r < first[sector] + 0.6)
    return rim, -float(np.quantile(h[beyond], 0.25)) if beyond.any() else 0.0


def _with_neighbours(best: np.ufunc, sector: AnyArray, values: AnyArray, nothing: float) -> FloatArray:
    """Give the least or largest value of each direction with its neighbours, since a scan may be coarse."""
    own = np.full(SECTORS, nothing)
    best.at(own, sector, values)
    return np.asarray(best(own, best(np.roll(own, 1), np.roll(own, -1))))


def _sharp(patch: _Patch, radius: float) -> float:
    """Give the share of directions in which the surface falls at the rim and not beyond it."""
    away = np.linalg.norm(patch.plane, axis=1)
    turn = np.arctan2(patch.plane[:, 1], patch.plane[:, 0]) % (2 * np.pi)
    sector = np.minimum((turn / (2 * np.pi) * 8).astype(int), 7)

    def mean_height(middle_mm: float, half_mm: float) -> FloatArray:
        ring = np.abs(away - radius - middle_mm) < half_mm
        count = np.bincount(sector[ring], minlength=8)
        total = np.bincount(sector[ring], patch.height[ring], minlength=8)
        return np.where(count > 0, total / np.maximum(count, 1), np.nan)

    at_rim, beyond = mean_height(0.35, 0.2), mean_height(0.85, 0.25)
    told = np.isfinite(at_rim) & np.isfinite(beyond)
    falls = at_rim[told] < -0.5 * LEAST_STEP_MM
    levels_out = (at_rim[told] - beyond[told]) / 0.5 < SHARP_RATIO * -at_rim[told] / 0.4
    return float((falls & levels_out).mean()) if told.any() else 0.0


def _circle(points: FloatArray) -> tuple[FloatArray, float, float]:
    """Fit a circle to points (n, 2) by least squares; give middle, radius and rms distance."""
    rows = np.column_stack([2.0 * points, np.ones(len(points))])
    solution, *_ = np.linalg.lstsq(rows, (points**2).sum(axis=1), rcond=None)
    middle = solution[:2]
    radius = float(np.sqrt(max(1e-9, solution[2] + middle @ middle)))
    left = np.linalg.norm(points - middle, axis=1) - radius
    return middle, radius, float(np.sqrt(np.mean(left**2)))
