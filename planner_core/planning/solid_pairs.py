# mypy: disable-error-code=no-untyped-def
# (numba finds the types of the kernels by itself)

"""Signed distance of two convex solids of revolution."""

from __future__ import annotations

import numpy as np
from numba import njit

from planner_core.geometry.frames import FloatArray


@njit(nogil=True, cache=True)
def _support(profile, origin, axis, direction, out):
    """Fill `out` with the solid's point furthest along `direction` and give its height."""
    along = direction[0] * axis[0] + direction[1] * axis[1] + direction[2] * axis[2]
    px = direction[0] - along * axis[0]
    py = direction[1] - along * axis[1]
    pz = direction[2] - along * axis[2]
    across = np.sqrt(px * px + py * py + pz * pz)
    best = -np.inf
    k_best = 0
    for k in range(profile.shape[0]):
        value = profile[k, 0] * along + profile[k, 1] * across
        if value > best:
            best, k_best = value, k
    z, r = profile[k_best, 0], profile[k_best, 1]
    if across > 1e-12:
        r /= across
    else:
        r = 0.0
    out[0] = origin[0] + z * axis[0] + r * px
    out[1] = origin[1] + z * axis[1] + r * py
    out[2] = origin[2] + z * axis[2] + r * pz
    return best + origin[0] * direction[0] + origin[1] * direction[1] + origin[2] * direction[2]


@njit(nogil=True, cache=True)
def _closest_of(simplex, subset, count, weights):
    """Give the square of the distance from the origin to the hull of a subset, inf where it lies off the hull."""
    base = subset[0]
    m = count - 1
    gram = np.zeros((3, 3))
    right = np.zeros(3)
    for i in range(m):
        for j in range(m):
            for c in range(3):
                gram[i, j] += (simplex[subset[i + 1], c] - simplex[base, c]) * (
                    simplex[subset[j + 1], c] - simplex[base, c]
                )
        for c in range(3):
            right[i] -= (simplex[subset[i + 1], c] - simplex[base, c]) * simplex[base, c]
    solved = np.zeros(3)
    if m == 1:
        if gram[0, 0] < 1e-24:
            return np.inf
        solved[0] = right[0] / gram[0, 0]
    elif m == 2:
        det = gram[0, 0] * gram[1, 1] - gram[0, 1] * gram[1, 0]
        if det < 1e-14 * gram[0, 0] * gram[1, 1] or det <= 0.0:
            return np.inf
        solved[0] = (right[0] * gram[1, 1] - right[1] * gram[0, 1]) / det
        solved[1] = (gram[0, 0] * right[1] - gram[1, 0] * right[0]) / det
    elif m == 3:
        c00 = gram[1, 1] * gram[2, 2] - gram[1, 2] * gram[2, 1]
        c01 = gram[1, 2] * gram[2, 0] - gram[1, 0] * gram[2, 2]
        c02 = gram[1, 0] * gram[2, 1] - gram[1, 1] * gram[2, 0]
        det = gram[0, 0] * c00 + gram[0, 1] * c01 + gram[0, 2] * c02
        if det < 1e-16 * gram[0, 0] * gram[1, 1] * gram[2, 2] or det <= 0.0:
            return np.inf
        for k in range(3):
            a = gram.copy()
            for i in range(3):
                a[i, k] = right[i]
            solved[k] = (
                a[0, 0] * (a[1, 1] * a[2, 2] - a[1, 2] * a[2, 1])
                - a[0, 1] * (a[1, 0] * a[2, 2] - a[1, 2] * a[2, 0])
                + a[0, 2] * (a[1, 0] * a[2, 1] - a[1, 1] * a[2, 0])
            ) / det
    first = 1.0
    for k in range(m):
        if solved[k] < -1e-12:
            return np.inf
        first -= solved[k]
    if first < -1e-12:
        return np.inf
    weights[0] = first
    for k in range(m):
        weights[k + 1] = solved[k]
    total = 0.0
    for c in range(3):
        value = 0.0
        for k in range(count):
            value += weights[k] * simplex[subset[k], c]
        total += value * value
    return total


@njit(nogil=True, cache=True)
def _solids_apart(pa, oa, aa, pb, ob, ab, near_a, near_b):
    """Distance of two solids by Gilbert, Johnson and Keerthi's method (1988); zero when they overlap."""
    simplex = np.zeros((4, 3))
    on_a = np.zeros((4, 3))
    on_b = np.zeros((4, 3))
    subset = np.zeros(4, np.int64)
    keep = np.zeros(4, np.int64)
    weights = np.zeros(4)
    kept = np.zeros(4)
    count = 0
    v = np.empty(3)
    minus = np.empty(3)
    for i in range(3):
        v[i] = (oa[i] + 0.5 * pa[-1, 0] * aa[i]) - (ob[i] + 0.5 * pb[-1, 0] * ab[i])
    if v[0] ** 2 + v[1] ** 2 + v[2] ** 2 < 1e-18:
        v[0] = 1.0
    distance2 = np.inf
    for _ in range(200):
        for i in range(3):
            minus[i] = -v[i]
        _support(pa, oa, aa, minus, on_a[count])
        _support(pb, ob, ab, v, on_b[count])
        progress = 0.0
        length2 = v[0] ** 2 + v[1] ** 2 + v[2] ** 2
        for i in range(3):
            simplex[count, i] = on_a[count, i] - on_b[count, i]
            progress += v[i] * simplex[count, i]
        length = np.sqrt(length2)
        if distance2 < np.inf and length2 - progress < 1e-6 * length:
            break
        count += 1
        best = np.inf
        best_count = 0
        for mask in range(1, 1 << count):
            m = 0
            for k in range(count):
                if mask >> k & 1:
                    subset[m] = k
                    m += 1
            value = _closest_of(simplex, subset, m, weights)
            if value < best - 1e-18:
                best, best_count = value, m
                for k in range(m):
                    keep[k] = subset[k]
                    kept[k] = weights[k]
        for k in range(best_count):
            for i in range(3):
                simplex[k, i] = simplex[keep[k], i]
                on_a[k, i] = on_a[keep[k], i]
                on_b[k, i] = on_b[keep[k], i]
        count = best_count
        for i in range(3):
            v[i] = 0.0
            near_a[i] = 0.0
            near_b[i] = 0.0
            for k in range(count):
                v[i] += kept[k] * simplex[k, i]
                near_a[i] += kept[k] * on_a[k, i]
                near_b[i] += kept[k] * on_b[k, i]
        if count == 4 or best < 1e-14:
            return 0.0
        if best >= distance2:
            break
        distance2 = best
    return np.sqrt(v[0] ** 2 + v[1] ** 2 + v[2] ** 2)


@njit(nogil=True, cache=True)
def _gap_along(pa, oa, aa, pb, ob, ab, n, at_a, at_b):
    minus = -n
    return -_support(pa, oa, aa, n, at_a) - _support(pb, ob, ab, minus, at_b)


@njit(nogil=True, cache=True)
def _solids_overlap(pa, oa, aa, pb, ob, ab, starts, near_a, near_b):
    """Minus the shortest translation that separates two overlapping solids (maximum over directions)."""
    at_a, at_b = np.empty(3), np.empty(3)
    best = -np.inf
    chosen = np.zeros(3)
    n_best = 10
    values = np.full(n_best, -np.inf)
    directions = np.zeros((n_best, 3))
    start = np.empty(3)
    crossing = np.cross(aa, ab)
    across = np.sqrt(crossing @ crossing)
    for s in range(starts.shape[0] + 6):
        if s < starts.shape[0]:
            start[:] = starts[s]
        else:
            which = (s - starts.shape[0]) // 2
            start[:] = aa if which == 0 else ab
            if which == 2:
                if across < 1e-9:
                    continue
                start[:] = crossing / across
            if s % 2:
                start *= -1.0
        value = _gap_along(pa, oa, aa, pb, ob, ab, start, at_a, at_b)
        low = int(np.argmin(values))
        if value > values[low]:
            values[low] = value
            directions[low] = start
    for s in range(n_best):
        n = directions[s].copy()
        value = values[s]
        step = 0.2
        fan = 0.0
        while step > 1e-6:
            helper = np.zeros(3)
            helper[int(np.argmin(np.abs(n)))] = 1.0
            u = np.cross(n, helper)
            u /= np.sqrt(u @ u)
            w = np.cross(n, u)
            improved = False
            # The ridges of this function are sharp: the fan of tries turns on each round so as to find along them.
            fan += 2.399963
            for k in range(12):
                turn = fan + np.pi / 6.0 * k
                trial = n + step * (np.cos(turn) * u + np.sin(turn) * w)
                trial /= np.sqrt(trial @ trial)
                trial_value = _gap_along(pa, oa, aa, pb, ob, ab, trial, at_a, at_b)
                if trial_value > value:
                    value, improved = trial_value, True
                    n = trial
                    break
            if not improved:
                step *= 0.7
        if value > best:
            best = value
            chosen = n
    _gap_along(pa, oa, aa, pb, ob, ab, chosen, at_a, at_b)
    for i in range(3):
        near_a[i] = at_a[i]
        near_b[i] = at_a[i] + best * chosen[i]
    return best


@njit(nogil=True, cache=True)
def solid_solid(pa, oa, aa, pb, ob, ab, starts, near_a, near_b):
    """Give the signed distance of two solids; fills the nearest points on both, shape (3,)."""
    distance = _solids_apart(pa, oa, aa, pb, ob, ab, near_a, near_b)
    if distance > 1e-7:
        return distance
    return min(0.0, _solids_overlap(pa, oa, aa, pb, ob, ab, starts, near_a, near_b))


def _ball_directions(count: int) -> FloatArray:
    k = np.arange(count) + 0.5
    polar, turn = np.arccos(1.0 - 2.0 * k / count), np.pi * (1.0 + 5.0**0.5) * k
    return np.ascontiguousarray(
        np.stack([np.sin(polar) * np.cos(turn), np.sin(polar) * np.sin(turn), np.cos(polar)], axis=1)
    )


BALL = _ball_directions(256)
"""Directions, spread evenly, from which the shortest way out of an overlap is searched, shape (256, 3)."""
