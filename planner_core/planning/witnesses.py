# mypy: disable-error-code=no-untyped-def
# (numba finds the types of the kernels by itself)

"""Points of an obstacle's wall near a drill, for testing many displaced drills against it."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numba import njit

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.polyline import at_lengths, lengths_mm
from planner_core.geometry.surface import Surface
from planner_core.planning.ledger import PERFORATION_FROM_MM
from planner_core.planning.obstacles import Obstacle, Revolution, Tube
from planner_core.planning.solids import solid_point

SPACING_MM = 0.7
"""Spacing of the points along a tube and over a surface, mm.

Our choice: between them a tube of 1.4 mm radius sags 0.04 mm, and a drill of 1.75 mm passes 0.04 mm deeper unseen.
"""

REACH_MM = 4.5
"""Points this much further than the nearest are left out, mm (our choice: about five standard deviations)."""


@frozen(eq=False)
class Witnesses:
    """Balls that stand for an obstacle: centres (m, 3) LPS mm, radii (m,), signed distances (m,), nearest first."""

    points_lps_mm: FloatArray
    radius_mm: FloatArray
    distance_mm: FloatArray


@njit(nogil=True, cache=True)
def _distances(profile, origin, axis, points, radius):
    out = np.empty(len(points))
    gradient = np.empty(3)
    for k in range(len(points)):
        out[k] = solid_point(profile, origin, axis, points[k], gradient) - radius[k]
    return out


@njit(nogil=True, cache=True)
def _near_triangles(profile, origin, axis, corners, reach):
    """Tell which triangles may come nearer than `reach`."""
    out = np.zeros(len(corners), np.bool_)
    gradient, centre = np.empty(3), np.empty(3)
    for t in range(len(corners)):
        size = 0.0
        for i in range(3):
            centre[i] = (corners[t, 0, i] + corners[t, 1, i] + corners[t, 2, i]) / 3.0
        for v in range(3):
            d = 0.0
            for i in range(3):
                d += (corners[t, v, i] - centre[i]) ** 2
            size = max(size, d)
        out[t] = solid_point(profile, origin, axis, centre, gradient) - np.sqrt(size) < reach
    return out


def _over_triangles(corners: FloatArray) -> FloatArray:
    """Give points over triangles, at most `SPACING_MM` apart, shape (m, 3)."""
    longest = np.max(np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2), axis=1)
    parts = np.clip(np.ceil(longest / SPACING_MM), 1, 200).astype(int)
    found = []
    for n in np.unique(parts):
        weights = np.array([(i, j, n - i - j) for i in range(n + 1) for j in range(n + 1 - i)]) / n
        found.append(np.einsum("wv,tvc->twc", weights, corners[parts == n]).reshape(-1, 3))
    return np.concatenate(found)


def _thinned(points: FloatArray, distance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Keep the nearest point of every cell of `SPACING_MM`, nearest first."""
    points, distance = points[distance <= REACH_MM], distance[distance <= REACH_MM]
    order = np.argsort(distance)
    cells = np.floor((points[order] - points.min(axis=0, initial=0.0)) / SPACING_MM).astype(np.int64)
    _, first = np.unique((cells[:, 0] * 4096 + cells[:, 1]) * 4096 + cells[:, 2], return_index=True)
    kept = order[np.sort(first)]
    return points[kept], distance[kept]


def _of_surface(
    surface: Surface, inside: bool, profile: FloatArray, origin: FloatArray, axis: FloatArray
) -> tuple[FloatArray, FloatArray]:
    corners = np.ascontiguousarray(surface.points_mm[surface.triangles])
    near = corners[_near_triangles(profile, origin, axis, corners, REACH_MM)]
    if not len(near):
        return np.zeros((0, 3)), np.zeros(0)
    points = np.ascontiguousarray(_over_triangles(near))
    if inside:
        points = np.ascontiguousarray(points[(points - origin) @ axis >= PERFORATION_FROM_MM])
    return _thinned(points, _distances(profile, origin, axis, points, np.zeros(len(points))))


def witnesses_of(
    obstacle: Obstacle, profile: FloatArray, origin_lps_mm: FloatArray, axis_lps: FloatArray
) -> Witnesses:
    """Give the balls of an obstacle that a drill of this outline, standing here, could reach.

    Parameters
    ----------
    profile : array of shape (k, 2)
        Convex outline of the drill (`solids.convex_profile`).
    """
    geometry = obstacle.geometry
    if isinstance(geometry, Surface):
        points, distance = _of_surface(geometry, obstacle.inside, profile, origin_lps_mm, axis_lps)
        radius = np.zeros(len(points))
    else:
        if isinstance(geometry, Revolution):
            depth = geometry.profile_mm[:, 0]
            path = geometry.origin_lps_mm + depth[:, None] * geometry.axis_lps
            radii = geometry.profile_mm[:, 1]
        else:
            path, radii = geometry.path_lps_mm, geometry.radius_mm
        points, radius = _along_tube(Tube(path, radii))
        distance = _distances(profile, origin_lps_mm, axis_lps, points, radius)
        order = np.argsort(distance)
        points, radius, distance = points[order], radius[order], distance[order]
    keep = distance <= min(REACH_MM, (float(distance[0]) if len(distance) else 0.0) + REACH_MM)
    return Witnesses(
        np.ascontiguousarray(points[keep]),
        np.ascontiguousarray(radius[keep]),
        np.ascontiguousarray(distance[keep]),
    )


def _along_tube(tube: Tube) -> tuple[FloatArray, FloatArray]:
    path, radius = np.asarray(tube.path_lps_mm), np.asarray(tube.radius_mm)
    if len(path) == 1:
        return np.array(path), np.array(radius)
    along = lengths_mm(path)
    wanted = np.linspace(0.0, along[-1], max(2, int(np.ceil(along[-1] / SPACING_MM)) + 1))
    return np.ascontiguousarray(at_lengths(path, wanted)), np.interp(wanted, along, radius)
