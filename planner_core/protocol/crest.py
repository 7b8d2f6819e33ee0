"""Where a fixture's axis comes out of the bone."""

from __future__ import annotations

import numpy as np

from planner_core.geometry.frames import AnyArray
from planner_core.geometry.surface import Surface
from planner_core.planning.fixture import FixturePose

CREST_SEARCH_MM = 12.0
"""How far above and below the platform the bone's edge is looked for on the axis, mm (our choice: deeper placement
than this is not planned)."""


def platform_below_crest_mm(pose: FixturePose, bone: Surface) -> float | None:
    """Give how far the platform lies below the bone's edge along the axis (mm; negative: above the bone).

    The edge is where the axis, coming from outside, last enters the bone above the fixture's body: of all crossings
    within `CREST_SEARCH_MM` of the platform from outside to inside, the one nearest to it.

    Returns
    -------
    float or None
        None where the axis does not enter the bone there.
    """
    depths, entering = _crossings(pose, bone)
    near = depths[entering & (np.abs(depths) <= CREST_SEARCH_MM)]
    if len(near) == 0:
        return None
    return -float(near[int(np.argmin(np.abs(near)))])


def _crossings(pose: FixturePose, bone: Surface) -> tuple[AnyArray, AnyArray]:
    """Depths below the platform at which the axis crosses the surface, and whether it goes in there.

    Moeller and Trumbore 1997 (J Graphics Tools 2:21) for all triangles at once.
    """
    origin, axis = pose.platform_lps_mm, pose.axis_lps
    a, b, c = (bone.points_mm[bone.triangles[:, k]] for k in range(3))
    near = _near_axis(origin, axis, a, b, c)
    a, b, c = a[near], b[near], c[near]
    edge_1, edge_2 = b - a, c - a
    cross = np.cross(axis, edge_2)
    determinant = np.einsum("ij,ij->i", edge_1, cross)
    ok = np.abs(determinant) > 1e-12
    inverse = np.divide(1.0, determinant, out=np.zeros_like(determinant), where=ok)
    offset = origin - a
    u = np.einsum("ij,ij->i", offset, cross) * inverse
    second = np.cross(offset, edge_1)
    v = second @ axis * inverse
    depth = np.einsum("ij,ij->i", edge_2, second) * inverse
    hit = ok & (u >= 0) & (v >= 0) & (u + v <= 1)
    # The determinant is minus the axis times the outward normal: positive where the axis goes in.
    return depth[hit], determinant[hit] > 0


def _near_axis(origin: AnyArray, axis: AnyArray, a: AnyArray, b: AnyArray, c: AnyArray) -> AnyArray:
    """Indices of triangles whose ball meets the axis; saves work on large surfaces."""
    centre = (a + b + c) / 3.0
    radius = np.sqrt(np.max([np.einsum("ij,ij->i", p - centre, p - centre) for p in (a, b, c)], axis=0))
    offset = centre - origin
    along = offset @ axis
    away2 = np.einsum("ij,ij->i", offset, offset) - along**2
    return np.flatnonzero((away2 <= radius**2 + 1e-9) & (np.abs(along) <= CREST_SEARCH_MM + radius))
