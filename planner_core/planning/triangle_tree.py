# mypy: disable-error-code=no-untyped-def
# (numba finds the types of the kernels by itself)

"""A triangle surface prepared for fast signed distances to convex solids of revolution.

The triangles lie in a binary tree of boxes. For a convex body the signed distance f is convex, so over a box with
centre c and half sizes h it is at least ``f(c) - sum(|grad_i| h_i)``: boxes that cannot hold the nearest point are
skipped, and the triangle found in the last step of a drag gives a sharp bound from the start.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numba import njit
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.surface import Surface
from planner_core.planning.solids import solid_point

SEARCH_MM = 2e-3
"""To what the nearest point of a surface is searched, mm (our choice: a fifth of the 0.01 mm that is checked)."""

LEAF_TRIANGLES = 4
"""Triangles in a leaf of the tree (our choice, timed in tests.benchmarks)."""


@njit(nogil=True, cache=True)
def _arrange(centres, depth):
    """Order triangles so that every node of a complete binary tree holds a contiguous run; gives order and runs."""
    n = centres.shape[0]
    nodes = (1 << (depth + 1)) - 1
    order = np.arange(n)
    start = np.zeros(nodes, np.int64)
    stop = np.zeros(nodes, np.int64)
    stop[0] = n
    for node in range((1 << depth) - 1):
        a, b = start[node], stop[node]
        members = order[a:b].copy()
        widest, width = 0, -1.0
        for c in range(3):
            values = centres[members, c]
            spread = values.max() - values.min() if len(values) else 0.0
            if spread > width:
                widest, width = c, spread
        order[a:b] = members[np.argsort(centres[members, widest])]
        middle = (a + b) // 2
        start[2 * node + 1], stop[2 * node + 1] = a, middle
        start[2 * node + 2], stop[2 * node + 2] = middle, b
    return order, start, stop


@njit(nogil=True, cache=True)
def _boxes(corners, start, stop, depth):
    nodes = start.shape[0]
    centre = np.zeros((nodes, 3))
    half = np.zeros((nodes, 3))
    first_leaf = (1 << depth) - 1
    low = np.full((nodes, 3), np.inf)
    high = np.full((nodes, 3), -np.inf)
    for node in range(nodes - 1, -1, -1):
        if node >= first_leaf:
            for t in range(start[node], stop[node]):
                for v in range(3):
                    for c in range(3):
                        low[node, c] = min(low[node, c], corners[t, v, c])
                        high[node, c] = max(high[node, c], corners[t, v, c])
        else:
            for child in (2 * node + 1, 2 * node + 2):
                for c in range(3):
                    low[node, c] = min(low[node, c], low[child, c])
                    high[node, c] = max(high[node, c], high[child, c])
        for c in range(3):
            centre[node, c] = 0.5 * (low[node, c] + high[node, c])
            half[node, c] = 0.5 * (high[node, c] - low[node, c])
    return centre, half


@frozen(eq=False)
class TriangleTree:
    """Triangles in tree order with the boxes of the tree's nodes."""

    corners_mm: FloatArray
    """Shape (m, 3, 3): triangle, corner, coordinate; in tree order."""
    normals: FloatArray
    """Unit normals in tree order, shape (m, 3)."""
    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    box_centre_mm: FloatArray
    box_half_mm: FloatArray
    first_leaf: int

    @classmethod
    def of(cls, surface: Surface) -> TriangleTree:
        """Build the tree of a surface (about a second for a million triangles)."""
        if len(surface.triangles) == 0:
            raise PlannerError("The surface has no triangles.", "Mark it again.")
        corners: AnyArray = np.ascontiguousarray(surface.points_mm[surface.triangles])
        depth = max(0, int(np.ceil(np.log2(max(1, len(corners)) / LEAF_TRIANGLES))))
        order, start, stop = _arrange(np.ascontiguousarray(corners.mean(axis=1)), depth)
        corners = np.ascontiguousarray(corners[order])
        centre, half = _boxes(corners, start, stop, depth)
        normals = np.ascontiguousarray(surface.face_normals[order])
        return cls(corners, normals, start, stop, centre, half, (1 << depth) - 1)


@njit(nogil=True, cache=True)
def _cut(a, b, c, origin, axis, z_min, out):
    """Clip a triangle to depths of at least `z_min`; fills up to two triangles and gives their number."""
    points = np.empty((3, 3))
    points[0], points[1], points[2] = a, b, c
    z = np.empty(3)
    for k in range(3):
        z[k] = -z_min
        for i in range(3):
            z[k] += (points[k, i] - origin[i]) * axis[i]
    if z[0] >= 0.0 and z[1] >= 0.0 and z[2] >= 0.0:
        out[0] = points
        return 1
    if z[0] < 0.0 and z[1] < 0.0 and z[2] < 0.0:
        return 0
    polygon = np.empty((4, 3))
    m = 0
    for k in range(3):
        j = (k + 1) % 3
        if z[k] >= 0.0:
            polygon[m] = points[k]
            m += 1
        if (z[k] >= 0.0) != (z[j] >= 0.0):
            t = z[k] / (z[k] - z[j])
            for i in range(3):
                polygon[m, i] = points[k, i] + t * (points[j, i] - points[k, i])
            m += 1
    for k in range(m - 2):
        out[k, 0], out[k, 1], out[k, 2] = polygon[0], polygon[k + 1], polygon[k + 2]
    return m - 2


@njit(nogil=True, cache=True)
def _out_of_question(profile, origin, axis, corners, bound, scratch):
    """Tell whether a whole triangle is further away than `bound`, by its tangent plane at the centre."""
    gradient, centre = scratch[0], scratch[1]
    for i in range(3):
        centre[i] = (corners[0, i] + corners[1, i] + corners[2, i]) / 3.0
    value = solid_point(profile, origin, axis, centre, gradient)
    if value < bound:
        return False
    lowest = 0.0
    for v in range(3):
        rise = 0.0
        for i in range(3):
            rise += gradient[i] * (corners[v, i] - centre[i])
        lowest = min(lowest, rise)
    return value + lowest >= bound


@njit(nogil=True, cache=True)
def _triangle(profile, origin, axis, first, best, near, stack, scratch):
    """Lower `best` to the signed distance of a triangle where it is less; fills `near`; gives the new best."""
    gradient, centre = scratch[0], scratch[1]
    stack[0] = first
    top = 1
    looked = False
    while top > 0:
        top -= 1
        a0, a1, a2 = stack[top, 0, 0], stack[top, 0, 1], stack[top, 0, 2]
        b0, b1, b2 = stack[top, 1, 0], stack[top, 1, 1], stack[top, 1, 2]
        c0, c1, c2 = stack[top, 2, 0], stack[top, 2, 1], stack[top, 2, 2]
        centre[0], centre[1], centre[2] = (a0 + b0 + c0) / 3.0, (a1 + b1 + c1) / 3.0, (a2 + b2 + c2) / 3.0
        value = solid_point(profile, origin, axis, centre, gradient)
        if value < best:
            best = value
            near[:] = centre
        g0, g1, g2 = gradient[0], gradient[1], gradient[2]
        at_centre = g0 * centre[0] + g1 * centre[1] + g2 * centre[2]
        lowest = min(g0 * a0 + g1 * a1 + g2 * a2, g0 * b0 + g1 * b1 + g2 * b2, g0 * c0 + g1 * c1 + g2 * c2)
        reach = 0.0
        for v in range(3):
            d = 0.0
            for i in range(3):
                d += (stack[top, v, i] - centre[i]) ** 2
            reach = max(reach, d)
        reach = np.sqrt(reach)
        if value + max(lowest - at_centre, -reach) > best - SEARCH_MM or top + 4 > stack.shape[0]:
            continue
        if not looked:
            looked = True
            for v in range(3):
                value = solid_point(profile, origin, axis, first[v], gradient)
                if value < best:
                    best = value
                    near[:] = first[v]
        ab0, ab1, ab2 = 0.5 * (a0 + b0), 0.5 * (a1 + b1), 0.5 * (a2 + b2)
        bc0, bc1, bc2 = 0.5 * (b0 + c0), 0.5 * (b1 + c1), 0.5 * (b2 + c2)
        ca0, ca1, ca2 = 0.5 * (c0 + a0), 0.5 * (c1 + a1), 0.5 * (c2 + a2)
        for k, q in enumerate(
            (
                (a0, a1, a2, ab0, ab1, ab2, ca0, ca1, ca2),
                (b0, b1, b2, bc0, bc1, bc2, ab0, ab1, ab2),
                (c0, c1, c2, ca0, ca1, ca2, bc0, bc1, bc2),
                (ab0, ab1, ab2, bc0, bc1, bc2, ca0, ca1, ca2),
            )
        ):
            for j in range(9):
                stack[top + k, j // 3, j % 3] = q[j]
        top += 4
    return best


@njit(nogil=True, cache=True)
def solid_triangles(
    profile, origin, axis, z_min, corners, start, stop, box_centre, box_half, first_leaf, last, near
):
    """Give the signed distance of a solid to triangles deeper than `z_min`, and the triangle of the nearest point.

    `last` is the triangle of the last step (or -1). Fills `near` with the nearest point of the surface. Gives inf
    and -1 when no triangle lies that deep.
    """
    stack = np.empty((96, 3, 3))
    scratch = np.empty((2, 3))
    pieces = np.empty((2, 3, 3))
    gradient = np.empty(3)
    best, found = np.inf, -1
    if last >= 0:
        for k in range(_cut(corners[last, 0], corners[last, 1], corners[last, 2], origin, axis, z_min, pieces)):
            value = _triangle(profile, origin, axis, pieces[k], best, near, stack, scratch)
            if value < best:
                best, found = value, last
    waiting = np.empty(64, np.int64)
    bounds = np.empty(64)
    waiting[0], bounds[0] = 0, -np.inf
    top = 1
    while top > 0:
        top -= 1
        node = waiting[top]
        if bounds[top] > best - SEARCH_MM:
            continue
        if node >= first_leaf:
            for t in range(start[node], stop[node]):
                if t == last or _out_of_question(profile, origin, axis, corners[t], best - SEARCH_MM, scratch):
                    continue
                for k in range(_cut(corners[t, 0], corners[t, 1], corners[t, 2], origin, axis, z_min, pieces)):
                    value = _triangle(profile, origin, axis, pieces[k], best, near, stack, scratch)
                    if value < best:
                        best, found = value, t
            continue
        low = np.empty(2)
        for side in range(2):
            child = 2 * node + 1 + side
            if start[child] == stop[child]:
                low[side] = np.inf
                continue
            deepest = -z_min
            for i in range(3):
                deepest += (box_centre[child, i] - origin[i]) * axis[i] + abs(axis[i]) * box_half[child, i]
            if deepest < 0.0:
                low[side] = np.inf
                continue
            value = solid_point(profile, origin, axis, box_centre[child], gradient)
            for i in range(3):
                value -= abs(gradient[i]) * box_half[child, i]
            low[side] = value
        near_side = 0 if low[0] <= low[1] else 1
        for side in (1 - near_side, near_side):
            if low[side] < best - SEARCH_MM:
                waiting[top], bounds[top] = 2 * node + 1 + side, low[side]
                top += 1
    return best, found


@njit(nogil=True, cache=True)
def _nearest_on_triangle(p, a, b, c, out):
    """Fill `out` with the point of a triangle nearest to p (Ericson 2004, section 5.1.5; M) and give the square."""
    ab, ac, ap = b - a, c - a, p - a
    d1, d2 = ab @ ap, ac @ ap
    bp = p - b
    d3, d4 = ab @ bp, ac @ bp
    cp = p - c
    d5, d6 = ab @ cp, ac @ cp
    vc, vb, va = d1 * d4 - d3 * d2, d5 * d2 - d1 * d6, d3 * d6 - d5 * d4
    if d1 <= 0.0 and d2 <= 0.0:
        out[:] = a
    elif d3 >= 0.0 and d4 <= d3:
        out[:] = b
    elif d6 >= 0.0 and d5 <= d6:
        out[:] = c
    elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        out[:] = a + d1 / (d1 - d3) * ab
    elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        out[:] = a + d2 / (d2 - d6) * ac
    elif va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
        out[:] = b + (d4 - d3) / ((d4 - d3) + (d5 - d6)) * (c - b)
    elif va + vb + vc == 0.0:
        out[:] = a
    else:
        out[:] = a + (vb * ab + vc * ac) / (va + vb + vc)
    return (p[0] - out[0]) ** 2 + (p[1] - out[1]) ** 2 + (p[2] - out[2]) ** 2


@njit(nogil=True, cache=True)
def point_triangles(point, corners, normals, start, stop, box_centre, box_half, first_leaf, near):
    """Give the signed distance of a point to triangles (negative behind their normals); fills the nearest point.

    Where several triangles are as near (edge, corner), the one that faces the point most decides the sign.
    """
    out = np.empty(3)
    waiting = np.empty(64, np.int64)
    bounds = np.empty(64)
    waiting[0], bounds[0] = 0, 0.0
    top = 1
    best, sign, facing = np.inf, 1.0, -1.0
    while top > 0:
        top -= 1
        node = waiting[top]
        if bounds[top] > best * (1.0 + 1e-9) + 1e-18:
            continue
        if node >= first_leaf:
            for t in range(start[node], stop[node]):
                value = _nearest_on_triangle(point, corners[t, 0], corners[t, 1], corners[t, 2], out)
                if value <= best * (1.0 + 1e-9) + 1e-18:
                    toward = 0.0
                    for i in range(3):
                        toward += (point[i] - out[i]) * normals[t, i]
                    tied = value >= best * (1.0 - 1e-9) - 1e-18
                    if not tied or abs(toward) > facing:
                        facing = abs(toward)
                        sign = 1.0 if toward >= 0.0 else -1.0
                    if value < best:
                        best = value
                        near[:] = out
            continue
        low = np.empty(2)
        for side in range(2):
            child = 2 * node + 1 + side
            low[side] = 0.0 if start[child] < stop[child] else np.inf
            for i in range(3):
                outside = abs(point[i] - box_centre[child, i]) - box_half[child, i]
                if outside > 0.0:
                    low[side] += outside * outside
        near_side = 0 if low[0] <= low[1] else 1
        for side in (1 - near_side, near_side):
            if low[side] <= best * (1.0 + 1e-9):
                waiting[top], bounds[top] = 2 * node + 1 + side, low[side]
                top += 1
    return sign * np.sqrt(best)
