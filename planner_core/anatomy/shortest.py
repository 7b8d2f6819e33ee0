# mypy: allow-untyped-defs
"""The cheapest way through a grid of costs: Dijkstra 1959 with a binary heap, compiled."""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray


@njit(nogil=True, cache=True)
def _push(keys, nodes, count, key, node):
    k = count
    while k > 0:
        parent = (k - 1) >> 1
        if keys[parent] <= key:
            break
        keys[k], nodes[k] = keys[parent], nodes[parent]
        k = parent
    keys[k], nodes[k] = key, node
    return count + 1


@njit(nogil=True, cache=True)
def _pop(keys, nodes, count):
    key, node = keys[0], nodes[0]
    count -= 1
    last_key, last_node = keys[count], nodes[count]
    k = 0
    while True:
        child = 2 * k + 1
        if child >= count:
            break
        if child + 1 < count and keys[child + 1] < keys[child]:
            child += 1
        if keys[child] >= last_key:
            break
        keys[k], nodes[k] = keys[child], nodes[child]
        k = child
    keys[k], nodes[k] = last_key, last_node
    return key, node, count


@njit(nogil=True, cache=True)
def _spread(costs, steps, lengths, sources, stops, stop_at_first, total, before):
    """Spread from the sources until a stop is reached (or all is); costs under zero or nan are walls.

    Moving between neighbours costs their distance times the mean of their costs.
    """
    rows, columns = costs.shape[1], costs.shape[2]
    capacity = 1 << 16
    keys = np.empty(capacity, np.float64)
    nodes = np.empty(capacity, np.int64)
    count = 0
    flat = costs.ravel()
    done = np.zeros(flat.shape[0], np.bool_)
    total[:] = np.inf
    before[:] = -1
    for source in sources:
        total[source] = 0.0
        count = _push(keys, nodes, count, 0.0, source)
    while count > 0:
        key, node, count = _pop(keys, nodes, count)
        if done[node]:
            continue
        done[node] = True
        if stop_at_first and stops[node]:
            return node
        z, rest = divmod(node, rows * columns)
        y, x = divmod(rest, columns)
        for n in range(steps.shape[0]):
            a, b, c = z + steps[n, 0], y + steps[n, 1], x + steps[n, 2]
            if a < 0 or b < 0 or c < 0 or a >= costs.shape[0] or b >= rows or c >= columns:
                continue
            other = (a * rows + b) * columns + c
            if done[other] or not flat[other] >= 0.0:
                continue
            reach = key + lengths[n] * 0.5 * (flat[node] + flat[other])
            if reach < total[other]:
                total[other] = reach
                before[other] = node
                if count + 1 >= capacity:
                    capacity *= 2
                    more_keys, more_nodes = np.empty(capacity, np.float64), np.empty(capacity, np.int64)
                    more_keys[:count], more_nodes[:count] = keys[:count], nodes[:count]
                    keys, nodes = more_keys, more_nodes
                count = _push(keys, nodes, count, reach, other)
    return -1


def _neighbours(spacing_mm: ArrayLike) -> tuple[NDArray[np.int64], FloatArray]:
    around = np.array(
        [(a, b, c) for a in (-1, 0, 1) for b in (-1, 0, 1) for c in (-1, 0, 1) if (a, b, c) != (0, 0, 0)]
    )
    return around.astype(np.int64), np.linalg.norm(around * np.asarray(spacing_mm, dtype=np.float64), axis=1)


def cheapest_path(
    costs: ArrayLike, start: ArrayLike, stop: ArrayLike, spacing_mm: ArrayLike = (1.0, 1.0, 1.0)
) -> tuple[NDArray[np.int64], float]:
    """Give the cheapest way over the 26 neighbours between two voxels, and its cost.

    Parameters
    ----------
    costs : array of shape (a, b, c)
        Cost per mm; negative or nan values cannot be entered.
    start, stop : arrays of shape (3,)
        Voxel indices; or `stop` a boolean array of the grid's shape: the way to its nearest voxel.

    Returns
    -------
    path : int array of shape (n, 3)
    cost : float

    Raises
    ------
    PlannerError
        If there is no way.
    """
    grid = np.ascontiguousarray(costs, dtype=np.float32)
    steps, lengths = _neighbours(spacing_mm)
    shape = grid.shape
    begin = np.array([np.ravel_multi_index(tuple(int(v) for v in np.asarray(start)), shape)], dtype=np.int64)
    wanted = np.asarray(stop)
    stops = np.zeros(grid.size, np.bool_)
    if wanted.dtype == np.bool_:
        stops[:] = wanted.ravel()
    else:
        stops[np.ravel_multi_index(tuple(int(v) for v in wanted), shape)] = True
    total, before = np.empty(grid.size), np.empty(grid.size, np.int64)
    end = int(_spread(grid, steps, lengths, begin, stops, True, total, before))
    if end < 0:
        raise PlannerError("There is no way between these two points.", "Set them closer together.")
    way = [end]
    while before[way[-1]] >= 0:
        way.append(int(before[way[-1]]))
    return np.stack(np.unravel_index(way[::-1], shape), axis=1).astype(np.int64), float(total[end])


def costs_from(costs: ArrayLike, sources: NDArray[np.bool_], spacing_mm: ArrayLike = (1.0, 1.0, 1.0)) -> FloatArray:
    """Give the cost of the cheapest way from a set of voxels to every voxel, inf where there is none."""
    grid = np.ascontiguousarray(costs, dtype=np.float32)
    steps, lengths = _neighbours(spacing_mm)
    total, before = np.empty(grid.size), np.empty(grid.size, np.int64)
    begin = np.flatnonzero(sources.ravel()).astype(np.int64)
    _spread(grid, steps, lengths, begin, np.zeros(grid.size, np.bool_), False, total, before)
    return total.reshape(grid.shape)
