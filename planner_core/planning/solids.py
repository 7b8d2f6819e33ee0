# mypy: disable-error-code=no-untyped-def
# (numba finds the types of the kernels by itself)

"""Convex solids of revolution: signed distance to a point, to a tube and to another solid.

A fixture or drill is the convex hull of its profile turned about its axis (a waist is filled: the distance is never
stated larger than it is). Its signed distance is exact: the nearest point lies in the same half-plane through the
axis, and there the body is a convex polygon. Inside, the distance is minus the depth along the shortest way out.
The signed distance of a convex body is a convex function, which the searches below use.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray

TOLERANCE_MM = 5e-4
"""To what the searches are carried, mm (our choice: a twentieth of the 0.01 mm that is checked)."""

_GOLDEN = 0.6180339887498949


def convex_profile(profile_mm: ArrayLike, from_mm: float = -np.inf, to_mm: float = np.inf) -> FloatArray:
    """Give the upper convex hull of a profile between two depths as (depth, radius) rows, depths strictly growing.

    Raises
    ------
    PlannerError
        If nothing of the profile lies between the depths.
    """
    profile = np.asarray(profile_mm, dtype=np.float64)
    low, high = max(from_mm, float(profile[0, 0])), min(to_mm, float(profile[-1, 0]))
    if not high > low:
        raise PlannerError(f"The body has nothing between {from_mm:g} and {to_mm:g} mm.", "")
    inner = profile[(profile[:, 0] > low) & (profile[:, 0] < high)]
    ends = [(d, _radius_at(profile, d)) for d in (low, high)]
    rows = np.vstack([ends[:1], inner, ends[1:]])
    hull: list[FloatArray] = []
    for row in rows:
        while len(hull) >= 2 and _turns_left(hull[-2], hull[-1], row):
            hull.pop()
        if hull and row[0] - hull[-1][0] < 1e-9:
            hull[-1] = row if row[1] > hull[-1][1] else hull[-1]
            continue
        hull.append(row)
    return np.ascontiguousarray(np.array(hull))


def _radius_at(profile: FloatArray, depth: float) -> float:
    at_depth = np.abs(profile[:, 0] - depth) < 1e-12
    if at_depth.any():
        return float(profile[at_depth, 1].max())
    return float(np.interp(depth, profile[:, 0], profile[:, 1]))


def _turns_left(a: FloatArray, b: FloatArray, c: FloatArray) -> bool:
    return bool((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) >= 0.0)


@njit(nogil=True, cache=True)
def meridian(profile, z, rho):
    """Give signed distance and nearest (depth, radius) of a point (z, rho) in the half-plane through the axis."""
    n = profile.shape[0]
    best = z - profile[0, 0]
    best *= best
    near_z = profile[0, 0]
    near_r = min(rho, profile[0, 1])
    d = rho - near_r
    best += d * d
    far_r = min(rho, profile[n - 1, 1])
    far = (z - profile[n - 1, 0]) ** 2 + (rho - far_r) ** 2
    if far < best:
        best, near_z, near_r = far, profile[n - 1, 0], far_r
    inside = profile[0, 0] <= z <= profile[n - 1, 0]
    for k in range(n - 1):
        z0, r0 = profile[k, 0], profile[k, 1]
        dz, dr = profile[k + 1, 0] - z0, profile[k + 1, 1] - r0
        t = ((z - z0) * dz + (rho - r0) * dr) / (dz * dz + dr * dr)
        t = min(max(t, 0.0), 1.0)
        qz, qr = z0 + t * dz, r0 + t * dr
        d2 = (z - qz) ** 2 + (rho - qr) ** 2
        if d2 < best:
            best, near_z, near_r = d2, qz, qr
        # Convex: inside means below every edge's line.
        if inside and (rho - r0) * dz - (z - z0) * dr > 0.0:
            inside = False
    distance = np.sqrt(best)
    return (-distance if inside else distance), near_z, near_r


@njit(nogil=True, cache=True)
def _outward(profile, z, r):
    """Give the outward normal (depth, radius) of the profile's polygon at a point on it."""
    for k in range(profile.shape[0] - 1):
        z0, r0 = profile[k, 0], profile[k, 1]
        dz, dr = profile[k + 1, 0] - z0, profile[k + 1, 1] - r0
        length = np.sqrt(dz * dz + dr * dr)
        if abs((r - r0) * dz - (z - z0) * dr) < 1e-8 * length and z0 - 1e-9 <= z <= z0 + dz + 1e-9:
            return -dr / length, dz / length
    return (-1.0, 0.0) if z - profile[0, 0] < profile[-1, 0] - z else (1.0, 0.0)


@njit(nogil=True, cache=True)
def solid_point(profile, origin, axis, point, gradient):
    """Give the signed distance of a point; fills `gradient` with its unit gradient (out of the body)."""
    ox, oy, oz = point[0] - origin[0], point[1] - origin[1], point[2] - origin[2]
    z = ox * axis[0] + oy * axis[1] + oz * axis[2]
    ux, uy, uz = ox - z * axis[0], oy - z * axis[1], oz - z * axis[2]
    rho = np.sqrt(ux * ux + uy * uy + uz * uz)
    distance, near_z, near_r = meridian(profile, z, rho)
    gz, gr = z - near_z, rho - near_r
    if abs(distance) > 1e-9:
        gz /= distance
        gr /= distance
    else:
        gz, gr = _outward(profile, near_z, near_r)
    if rho > 1e-12:
        ux /= rho
        uy /= rho
        uz /= rho
    else:
        # On the axis every side is as near: take one.
        if abs(axis[0]) < 0.9:
            ux, uy, uz = 1.0 - axis[0] * axis[0], -axis[0] * axis[1], -axis[0] * axis[2]
        else:
            ux, uy, uz = -axis[1] * axis[0], 1.0 - axis[1] * axis[1], -axis[1] * axis[2]
        length = np.sqrt(ux * ux + uy * uy + uz * uz)
        ux /= length
        uy /= length
        uz /= length
    gradient[0] = gz * axis[0] + gr * ux
    gradient[1] = gz * axis[1] + gr * uy
    gradient[2] = gz * axis[2] + gr * uz
    return distance


@njit(nogil=True, cache=True)
def _along(profile, origin, axis, path, radius, k, t, gradient, point):
    for i in range(3):
        point[i] = path[k, i] + t * (path[k + 1, i] - path[k, i])
    r = radius[k] + t * (radius[k + 1] - radius[k])
    return solid_point(profile, origin, axis, point, gradient) - r


@njit(nogil=True, cache=True)
def solid_tube(profile, origin, axis, path, radius, near_solid, near_tube, where):
    """Give the signed distance of a solid and a tube; fills both nearest points and the place on the path."""
    gradient = np.empty(3)
    point = np.empty(3)
    best = np.inf
    best_k, best_t = 0, 0.0
    n = path.shape[0]
    if n == 1:
        best = solid_point(profile, origin, axis, path[0], gradient) - radius[0]
    steps = np.empty(max(n - 1, 0))
    lowest = np.empty(max(n - 1, 0))
    for k in range(n - 1):
        steps[k] = np.sqrt(
            (path[k + 1, 0] - path[k, 0]) ** 2
            + (path[k + 1, 1] - path[k, 1]) ** 2
            + (path[k + 1, 2] - path[k, 2]) ** 2
        )
        middle = _along(profile, origin, axis, path, radius, k, 0.5, gradient, point)
        change = radius[k + 1] - radius[k]
        slope = -change
        for i in range(3):
            slope += gradient[i] * (path[k + 1, i] - path[k, i])
        # Convex along the piece: nowhere lower than its tangent, and nowhere steeper than one.
        lowest[k] = middle - min(0.5 * abs(slope), 0.5 * (steps[k] + abs(change)))
        if middle < best:
            best, best_k, best_t = middle, k, 0.5
    for k in range(n - 1):
        if lowest[k] > best - 0.2 * TOLERANCE_MM:
            continue
        step = steps[k]
        low, high = 0.0, 1.0
        a, b = 1.0 - _GOLDEN, _GOLDEN
        fa = _along(profile, origin, axis, path, radius, k, a, gradient, point)
        fb = _along(profile, origin, axis, path, radius, k, b, gradient, point)
        while (high - low) * step > 0.2 * TOLERANCE_MM:
            if fa < fb:
                high, b, fb = b, a, fa
                a = high - _GOLDEN * (high - low)
                fa = _along(profile, origin, axis, path, radius, k, a, gradient, point)
            else:
                low, a, fa = a, b, fb
                b = low + _GOLDEN * (high - low)
                fb = _along(profile, origin, axis, path, radius, k, b, gradient, point)
        for t in (0.0, 0.5 * (low + high), 1.0):
            value = _along(profile, origin, axis, path, radius, k, t, gradient, point)
            if value < best:
                best, best_k, best_t = value, k, t
    if n == 1:
        r = radius[0]
        for i in range(3):
            point[i] = path[0, i]
        solid_point(profile, origin, axis, point, gradient)
    else:
        _along(profile, origin, axis, path, radius, best_k, best_t, gradient, point)
        r = radius[best_k] + best_t * (radius[best_k + 1] - radius[best_k])
    where[0], where[1] = best_k, best_t
    for i in range(3):
        near_tube[i] = point[i] - r * gradient[i]
        near_solid[i] = point[i] - (best + r) * gradient[i]
    return best
