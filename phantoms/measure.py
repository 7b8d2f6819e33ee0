"""Compiled loops that read formulas on grids, for the truth and the surface scan."""

from __future__ import annotations

import numpy as np
from numba import njit

from phantoms import paint
from phantoms.bodies import body_distance, shape_distance
from phantoms.sinus import space_distance
from phantoms.teeth import crown_distance, root_distance, smooth_max


@njit(nogil=True, cache=True)
def tooth_grid(xs, ys, zs, p, roots_only):
    """Give a tooth's signed distance (mm) on a grid of its own frame."""
    out = np.empty((len(xs), len(ys), len(zs)))
    for i in range(len(xs)):
        for j in range(len(ys)):
            for k in range(len(zs)):
                d = root_distance(xs[i], ys[j], zs[k], p)
                if not roots_only and zs[k] > -0.6:
                    d = min(d, crown_distance(xs[i], ys[j], zs[k], p))
                out[i, j, k] = d
    return out


@njit(nogil=True, cache=True)
def bone_columns(bone, places, zs, box):
    """Give the bone's signed distance (mm) for columns (station, offset) and heights, shape (columns, heights)."""
    out = np.full((len(places), len(zs)), 30.0)
    for n in range(len(places)):
        for k in range(len(zs)):
            out[n, k] = paint.read_bone(bone, places[n, 0], places[n, 1], zs[k], box)
    return out


@njit(nogil=True, cache=True)
def bone_points(bone, places, box):
    """Give the bone's signed distance (mm) at straightened places (n, 3)."""
    out = np.empty(len(places))
    for n in range(len(places)):
        out[n] = paint.read_bone(bone, places[n, 0], places[n, 1], places[n, 2], box)
    return out


@njit(nogil=True, cache=True)
def nearest_on_curve(points, curve, stations):
    """Take plane points (n, 2 or more) to (station, outward offset), shape (n, 2)."""
    out = np.empty((len(points), 2))
    for n in range(len(points)):
        best = 1e30
        for k in range(len(curve) - 1):
            dx, dy = curve[k + 1, 0] - curve[k, 0], curve[k + 1, 1] - curve[k, 1]
            px, py = points[n, 0] - curve[k, 0], points[n, 1] - curve[k, 1]
            u = min(1.0, max(0.0, (px * dx + py * dy) / (dx * dx + dy * dy)))
            ex, ey = px - u * dx, py - u * dy
            d2 = ex * ex + ey * ey
            if d2 < best:
                best = d2
                out[n, 0] = stations[k] + u * (stations[k + 1] - stations[k])
                out[n, 1] = np.sqrt(d2) * (1.0 if ex * dy - ey * dx > 0 else -1.0)
    return out


NEAR_MM = 10.5
"""Teeth and shapes further than this from a column do not reach it."""


@njit(nogil=True, cache=True)
def _near_shapes(x, y, rows, to_teeth, chosen):
    """Write the numbers of the shapes that may reach a column; give how many."""
    count = 0
    for q in range(len(rows)):
        row = rows[q]
        if row[9] >= 0:
            m = to_teeth[int(row[9])]
            near = _tooth_away(x, y, m) < NEAR_MM
        else:
            away = min(np.hypot(x - row[1], y - row[2]), np.hypot(x - row[4], y - row[5]))
            near = away < max(row[7], row[8]) + 3.0 + np.hypot(row[4] - row[1], row[5] - row[2])
        if near:
            chosen[count] = q
            count += 1
    return count


@njit(nogil=True, cache=True)
def _tooth_away(x, y, m):
    """Give the distance (mm) of a column from a tooth's axis, near the height of its crown."""
    z = -4.0
    tx = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
    ty = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
    return np.hypot(tx, ty)


@njit(nogil=True, cache=True)
def scan_columns(places, plane_xy, zs, bone, box, table, s0, ds, to_teeth, parameters, outer, rows, out):
    """Write the signed distance (mm) of what an intra-oral scanner sees: gingiva, crowns, bodies, markers.

    Parameters are straightened places (columns, 2), the same columns in the plane, heights, the jaw's bone and
    station table, matrices and rows of the teeth whose crowns show, and the shapes of bodies on the outside.
    """
    near_rows = np.empty(len(rows) + 1, np.int64)
    near_teeth = np.empty(len(outer) + 1, np.int64)
    for n in range(len(places)):
        s, t = places[n, 0], places[n, 1]
        x, y = plane_xy[n, 0], plane_xy[n, 1]
        if t < -13.0 or t > 14.0:
            out[n, :] = 8.0
            continue
        gum = paint.read_row(table, s, s0, ds, 0)
        top = paint.read_row(table, s, s0, ds, 1)
        shapes = _near_shapes(x, y, rows, to_teeth, near_rows)
        teeth = 0
        for q in range(len(outer)):
            if outer[q] == 1 and _tooth_away(x, y, to_teeth[q]) < NEAR_MM:
                near_teeth[teeth] = q
                teeth += 1
        for k in range(len(zs)):
            z = zs[k]
            d = smooth_max(paint.read_bone(bone, s, t, z, box) - gum, z - top, 0.8)
            for c in range(teeth):
                q = near_teeth[c]
                m = to_teeth[q]
                tz = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
                if tz < -3.0 or tz > 13.0:
                    continue
                tx = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
                ty = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
                if tz > -1.5:
                    d = min(d, crown_distance(tx, ty, tz, parameters[q]))
                if tz < 0.5:
                    d = min(d, root_distance(tx, ty, tz, parameters[q]))
            for c in range(shapes):
                d = min(d, shape_distance(x, y, z, rows[near_rows[c]], to_teeth, parameters))
            out[n, k] = d


@njit(nogil=True, cache=True)
def prosthesis_columns(
    places, plane_xy, zs, bone, box, table, s0, ds, to_teeth, parameters, shapes, base, balls, out
):
    """Write the signed distance (mm) to a prosthesis with its marker balls (shapes) on columns of a grid."""
    for n in range(len(places)):
        s, t = places[n, 0], places[n, 1]
        x, y = plane_xy[n, 0], plane_xy[n, 1]
        if t < -13.0 or t > 14.0:
            out[n, :] = 8.0
            continue
        for k in range(len(zs)):
            d = paint.prosthesis_distance(
                x, y, zs[k], s, t, bone, box, table, s0, ds, shapes, to_teeth, parameters, base
            )
            if len(balls):
                d = min(d, body_distance(x, y, zs[k], balls, to_teeth, parameters))
            out[n, k] = d


@njit(nogil=True, cache=True)
def space_grid(xs, ys, zs, radii):
    """Give an air space's signed distance (mm) on a grid of its own frame."""
    out = np.empty((len(xs), len(ys), len(zs)))
    for i in range(len(xs)):
        for j in range(len(ys)):
            for k in range(len(zs)):
                out[i, j, k] = space_distance(xs[i], ys[j], zs[k], radii)
    return out
