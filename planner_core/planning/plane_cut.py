"""A closed triangle surface cut at a plane."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner_core.geometry.frames import FloatArray, unit
from planner_core.geometry.surface import Surface


def above_volume_mm3(surface: Surface, point_lps_mm: FloatArray, normal_lps: FloatArray) -> float:
    """Give the volume of a closed surface that lies above a plane, mm^3.

    Divergence theorem with the field (height along the normal) * normal: it vanishes on the plane, so the cap adds
    nothing and its shape does not matter.
    """
    normal = unit(normal_lps)
    height = (surface.points_mm - point_lps_mm) @ normal
    h = height[surface.triangles]
    a, b, c = (surface.points_mm[surface.triangles[:, k]] for k in range(3))
    area = np.cross(b - a, c - a) @ normal / 2.0
    return float(np.sum(area * _mean_positive(h)))


def _mean_positive(h: FloatArray) -> FloatArray:
    """Give the mean over each triangle of the positive part of a linear function with these corner values."""
    h = np.sort(h, axis=1)
    low, middle, high = h.T
    out = h.mean(axis=1)
    out = np.where(high <= 0.0, 0.0, out)
    with np.errstate(divide="ignore", invalid="ignore"):
        one = high**3 / (3.0 * (high - low) * (high - middle))
        two = out - low**3 / (3.0 * (low - middle) * (low - high))
    out = np.where((high > 0.0) & (middle <= 0.0), one, out)
    return np.asarray(np.where((middle > 0.0) & (low < 0.0), two, out))


def below_capped(surface: Surface, point_lps_mm: FloatArray, normal_lps: FloatArray) -> Surface:
    """Give the part of a closed surface below a plane, its rims closed by flat fans."""
    normal = unit(normal_lps)
    height = (surface.points_mm - point_lps_mm) @ normal
    points = [surface.points_mm]
    count = len(surface.points_mm)
    made: dict[tuple[int, int], int] = {}
    extra: list[FloatArray] = []

    def between(i: int, j: int) -> int:
        nonlocal count
        key = (min(i, j), max(i, j))
        if key not in made:
            t = height[i] / (height[i] - height[j])
            extra.append(surface.points_mm[i] + t * (surface.points_mm[j] - surface.points_mm[i]))
            made[key] = count
            count += 1
        return made[key]

    below = height <= 0.0
    inside = below[surface.triangles].sum(axis=1)
    kept = [surface.triangles[inside == 3]]
    rim: list[tuple[int, int]] = []
    fresh: list[tuple[int, int, int]] = []
    for triangle in surface.triangles[(inside > 0) & (inside < 3)]:
        i, j, k = (int(v) for v in triangle)
        while not (below[i] and not below[k]):
            i, j, k = j, k, i
        if below[j]:
            p, q = between(j, k), between(k, i)
            fresh += [(i, j, p), (i, p, q)]
        else:
            p, q = between(i, j), between(k, i)
            fresh.append((i, p, q))
        rim.append((p, q))
    if extra:
        points.append(np.array(extra))
    every = np.vstack(points)
    caps: list[tuple[int, int, int]] = []
    centres: list[FloatArray] = []
    for loop in _loops(rim):
        centres.append(every[loop].mean(axis=0))
        middle = count + len(centres) - 1
        caps += [(b, a, middle) for a, b in zip(loop, np.roll(loop, -1), strict=True)]
    if centres:
        every = np.vstack([every, np.array(centres)])
    parts = [*kept, np.array(fresh, dtype=np.int64).reshape(-1, 3), np.array(caps, dtype=np.int64).reshape(-1, 3)]
    triangles = np.concatenate(parts)
    used, index = np.unique(triangles, return_inverse=True)
    return Surface(every[used], index.reshape(-1, 3), surface.frame)


def _loops(edges: list[tuple[int, int]]) -> list[NDArray[np.int64]]:
    """Join directed edges to closed loops; what does not close is left out."""
    following = dict(edges)
    found = []
    while following:
        start, step = next(iter(following.items()))
        loop = [start]
        del following[start]
        while step != start and step in following:
            loop.append(step)
            step = following.pop(step)
        if step == start and len(loop) >= 3:
            found.append(np.array(loop, dtype=np.int64))
    return found
