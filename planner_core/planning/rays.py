"""Where a straight line meets a triangle surface."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from planner_core.geometry.frames import FloatArray, unit
from planner_core.geometry.surface import Surface

EDGE_TOLERANCE = 1e-9
"""How far past a triangle's edge a hit still counts, as a share of it (our choice: no gap between neighbours)."""


def near_part(surface: Surface, centre_lps_mm: ArrayLike, reach_mm: float) -> Surface:
    """Give the triangles of a surface that may come within a reach of a point."""
    corners = surface.points_mm[surface.triangles]
    middle = corners.mean(axis=1)
    size = np.linalg.norm(corners - middle[:, None], axis=2).max(axis=1)
    away = np.linalg.norm(middle - np.asarray(centre_lps_mm, dtype=np.float64), axis=1)
    return Surface(surface.points_mm, surface.triangles[away - size < reach_mm], surface.frame)


def crossing_part(surface: Surface, point_lps_mm: ArrayLike, normal_lps: ArrayLike) -> Surface:
    """Give the triangles of a surface that a plane cuts: all that a ray within the plane can meet."""
    height = (surface.points_mm - np.asarray(point_lps_mm, dtype=np.float64)) @ unit(normal_lps)
    above = height[surface.triangles] > 0.0
    touched = np.abs(height[surface.triangles]).min(axis=1) < 1e-6
    cut = (above.any(axis=1) & ~above.all(axis=1)) | touched
    return Surface(surface.points_mm, surface.triangles[cut], surface.frame)


def hits_mm(surface: Surface, origin_lps_mm: ArrayLike, direction_lps: ArrayLike) -> FloatArray:
    """Give the distances along a line at which it meets a surface, ascending; negative ones lie behind the origin.

    Moeller and Trumbore's test (J Graphics Tools 1997, 2:21; M) over all triangles near the line.
    """
    origin = np.asarray(origin_lps_mm, dtype=np.float64)
    direction = unit(direction_lps)
    a, b, c = (surface.points_mm[surface.triangles[:, k]] for k in range(3))
    e1, e2 = b - a, c - a
    p = np.cross(direction, e2)
    det = np.einsum("ij,ij->i", e1, p)
    usable = np.abs(det) > 1e-14
    inverse = np.where(usable, 1.0, 0.0) / np.where(usable, det, 1.0)
    s = origin - a
    u = np.einsum("ij,ij->i", s, p) * inverse
    q = np.cross(s, e1)
    v = (q @ direction) * inverse
    t = np.einsum("ij,ij->i", e2, q) * inverse
    met = usable & (u >= -EDGE_TOLERANCE) & (v >= -EDGE_TOLERANCE) & (u + v <= 1.0 + EDGE_TOLERANCE)
    return np.asarray(np.sort(t[met]))


def first_hit_mm(surface: Surface, origin_lps_mm: ArrayLike, direction_lps: ArrayLike) -> float | None:
    """Give the distance to the first meeting ahead of the origin, mm; None when there is none."""
    ahead = hits_mm(surface, origin_lps_mm, direction_lps)
    ahead = ahead[ahead >= 0.0]
    return float(ahead[0]) if len(ahead) else None


def last_hit_mm(surface: Surface, origin_lps_mm: ArrayLike, direction_lps: ArrayLike) -> float | None:
    """Give the distance to the last meeting along the line, mm; None when there is none."""
    found = hits_mm(surface, origin_lps_mm, direction_lps)
    return float(found[-1]) if len(found) else None
