# mypy: disable-error-code=no-untyped-def
# (numba finds the types of the kernels by itself)

"""The wall behind a drill: in a thin ridge the drill may come out on either side, and both count."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numba import njit

from planner_core.geometry.frames import FloatArray
from planner_core.planning.triangle_tree import TriangleTree

LEVELS = 5
"""Depths at which the other wall is looked for (our choice)."""

FAN_DEG = (-40.0, -20.0, 0.0, 20.0, 40.0)
"""Directions about the opposite one that are looked into (our choice: a ridge's walls are seldom parallel)."""

REACH_MM = 8.0
"""Walls further from the axis are left out, mm (our choice: no chance worth naming is left there)."""

LATERAL_TO = 0.7
"""Cosine to the axis up to which a nearest wall counts as one beside the drill (our choice: 45 degrees)."""


@frozen(eq=False)
class OtherWall:
    """The nearest wall on the other side of a drill.

    Parameters
    ----------
    mm : float
        Bone left between drill and wall.
    depth_mm : float
        Depth of that place below the platform.
    direction_lps : array of shape (3,)
        From the axis to the wall, unit.
    """

    mm: float
    depth_mm: float
    direction_lps: FloatArray


@njit(nogil=True, cache=True)
def _meets(origin, direction, corner):
    """Give how far along a line a triangle is met; inf where it is not (Moeller and Trumbore 1997; M)."""
    e1, e2 = corner[1] - corner[0], corner[2] - corner[0]
    p = np.cross(direction, e2)
    det = e1 @ p
    if abs(det) < 1e-14:
        return np.inf
    s = origin - corner[0]
    u = (s @ p) / det
    if u < -1e-9 or u > 1.0 + 1e-9:
        return np.inf
    q = np.cross(s, e1)
    v = (direction @ q) / det
    if v < -1e-9 or u + v > 1.0 + 1e-9:
        return np.inf
    t = (e2 @ q) / det
    return t if t >= 0.0 else np.inf


@njit(nogil=True, cache=True)
def first_wall(origin, direction, reach, corners, start, stop, box_centre, box_half, first_leaf):
    """Give the distance along a direction at which triangles are first met within a reach; inf where none is."""
    waiting = np.empty(64, np.int64)
    waiting[0] = 0
    top, best = 1, reach
    found = np.inf
    while top > 0:
        top -= 1
        node = waiting[top]
        near, far = 0.0, best
        for i in range(3):
            low = box_centre[node, i] - box_half[node, i] - origin[i]
            high = box_centre[node, i] + box_half[node, i] - origin[i]
            if abs(direction[i]) < 1e-12:
                if low > 0.0 or high < 0.0:
                    far = -1.0
                continue
            a, b = low / direction[i], high / direction[i]
            near, far = max(near, min(a, b)), min(far, max(a, b))
        if near > far:
            continue
        if node >= first_leaf:
            for t in range(start[node], stop[node]):
                value = _meets(origin, direction, corners[t])
                if value < best:
                    best = found = value
            continue
        for child in (2 * node + 1, 2 * node + 2):
            if start[child] != stop[child]:
                waiting[top] = child
                top += 1
    return found


def other_wall(
    tree: TriangleTree,
    profile: FloatArray,
    origin: FloatArray,
    axis: FloatArray,
    from_mm: float,
    toward: FloatArray,
) -> OtherWall | None:
    """Give the nearest wall on the side away from `toward`; None where there is none near, or it lies ahead.

    Parameters
    ----------
    profile : array of shape (k, 2)
        Outline of the drill.
    from_mm : float
        Depth from which walls count.
    toward : array of shape (3,)
        From the drill to its nearest wall.
    """
    length = float(np.sqrt(toward @ toward))
    along = float(toward @ axis)
    if length < 1e-9 or abs(along) > LATERAL_TO * length:
        return None
    away = -(toward - along * axis)
    away /= np.sqrt(away @ away)
    side = np.array(
        [axis[1] * away[2] - axis[2] * away[1], axis[2] * away[0] - axis[0] * away[2],
         axis[0] * away[1] - axis[1] * away[0]]
    )  # fmt: skip
    best: OtherWall | None = None
    for depth in np.linspace(from_mm, max(from_mm, float(profile[-1, 0])), LEVELS).tolist():
        radius = float(np.interp(depth, profile[:, 0], profile[:, 1]))
        place = origin + depth * axis
        for turn in _FAN:
            direction = turn[0] * away + turn[1] * side
            met = first_wall(
                place, direction, REACH_MM, tree.corners_mm, tree.start, tree.stop, tree.box_centre_mm,
                tree.box_half_mm, tree.first_leaf,
            )  # fmt: skip
            if met - radius < (REACH_MM if best is None else best.mm):
                best = OtherWall(float(met) - radius, depth, direction)
    return best


_FAN = tuple((float(np.cos(np.radians(a))), float(np.sin(np.radians(a)))) for a in FAN_DEG)
