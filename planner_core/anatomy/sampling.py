"""Fast reading of grey values along planes, curved sheets and at points: compiled kernels without the GIL."""

# mypy: allow-untyped-defs
# Compiled kernels take their types from the call.

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import ArrayLike, NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume

MEAN, MAXIMUM = 0, 1

SPLIT_ABOVE_SAMPLES = 60_000
"""From this many samples on, two threads share a picture (measured: below it the hand-over costs more)."""

SLAB_STEP_VOXELS = 0.75
"""Spacing of a slab's layers in voxels (our choice: thin plates are not stepped over)."""


@njit(nogil=True, cache=True, inline="always")
def _cell(stored, z, y, x):
    """Trilinear value at an index position whose whole cell lies inside the volume."""
    # Unsigned indices: numba then leaves out its test for negative ones (a third of the time).
    iz, iy, ix = np.uint32(z), np.uint32(y), np.uint32(x)
    jz, jy, jx = iz + np.uint32(1), iy + np.uint32(1), ix + np.uint32(1)
    fz, fy, fx = np.float32(z - iz), np.float32(y - iy), np.float32(x - ix)
    a = np.float32(stored[iz, iy, ix])
    b = np.float32(stored[iz, jy, ix])
    c = np.float32(stored[jz, iy, ix])
    d = np.float32(stored[jz, jy, ix])
    a += fx * (np.float32(stored[iz, iy, jx]) - a)
    b += fx * (np.float32(stored[iz, jy, jx]) - b)
    c += fx * (np.float32(stored[jz, iy, jx]) - c)
    d += fx * (np.float32(stored[jz, jy, jx]) - d)
    a += fy * (b - a)
    c += fy * (d - c)
    return a + fz * (c - a)


@njit(nogil=True, cache=True, inline="always")
def _into(position, last):
    """Pull an index position that lies on the edge just inside its last cell."""
    return min(max(position, 0.0), last - 1e-9)


@njit(nogil=True, cache=True)
def _span(start, step, count, last):
    """Give the first and past-the-last column whose coordinate lies in 0..last on one axis."""
    low, high = 0.0, float(count)
    slack = 1e-6
    if abs(step) < 1e-12:
        if start < -slack or start > last + slack:
            return 0, 0
        return 0, count
    first = (-slack - start) / step
    second = (last + slack - start) / step
    low = max(low, np.ceil(min(first, second)))
    high = min(high, np.floor(max(first, second)) + 1.0)
    if high <= low:
        return 0, 0
    return int(low), int(high)


@njit(nogil=True, cache=True)
def _plane_rows(stored, corner, row_step, column_step, layer_step, layers, mode, scale, offset, out, first, stop):
    """Fill rows `first` to `stop` of a plane picture; `corner`: index position of row 0, column 0, layer 0."""
    last_z, last_y, last_x = stored.shape[0] - 1, stored.shape[1] - 1, stored.shape[2] - 1
    columns = out.shape[1]
    nothing = np.float32(np.nan)
    counts = np.empty(columns, np.int32)
    sums = np.empty(columns, np.float32)
    dz, dy, dx = column_step[0], column_step[1], column_step[2]
    for row in range(first, stop):
        counts[:] = 0
        for layer in range(layers):
            z0 = corner[0] + row * row_step[0] + layer * layer_step[0]
            y0 = corner[1] + row * row_step[1] + layer * layer_step[1]
            x0 = corner[2] + row * row_step[2] + layer * layer_step[2]
            low_z, high_z = _span(z0, dz, columns, last_z)
            low_y, high_y = _span(y0, dy, columns, last_y)
            low_x, high_x = _span(x0, dx, columns, last_x)
            low = max(low_z, low_y, low_x)
            high = min(high_z, high_y, high_x)
            for column in range(low, high):
                value = _cell(
                    stored,
                    _into(z0 + column * dz, last_z),
                    _into(y0 + column * dy, last_y),
                    _into(x0 + column * dx, last_x),
                )
                if counts[column] == 0:
                    sums[column] = value
                elif mode == 0:
                    sums[column] += value
                else:
                    sums[column] = max(sums[column], value)
                counts[column] += 1
        for column in range(columns):
            if counts[column] == 0:
                out[row, column] = nothing
            elif mode == 0:
                out[row, column] = sums[column] / np.float32(counts[column]) * scale + offset
            else:
                out[row, column] = sums[column] * scale + offset


@njit(nogil=True, cache=True)
def _sheet_rows(stored, tops, row_step, layer_steps, layers, mode, scale, offset, out, first, stop):
    """Fill rows of a curved sheet: `tops` (w, 3) index positions of row 0, layer 0 per column."""
    last_z, last_y, last_x = stored.shape[0] - 1, stored.shape[1] - 1, stored.shape[2] - 1
    for row in range(first, stop):
        rz, ry, rx = row * row_step[0], row * row_step[1], row * row_step[2]
        for column in range(out.shape[1]):
            count = 0
            total = np.float32(0.0)
            for layer in range(layers):
                z = tops[column, 0] + rz + layer * layer_steps[column, 0]
                y = tops[column, 1] + ry + layer * layer_steps[column, 1]
                x = tops[column, 2] + rx + layer * layer_steps[column, 2]
                if z < 0.0 or y < 0.0 or x < 0.0 or z > last_z or y > last_y or x > last_x:
                    continue
                value = _cell(stored, _into(z, last_z), _into(y, last_y), _into(x, last_x))
                if count == 0:
                    total = value
                elif mode == 0:
                    total += value
                else:
                    total = max(total, value)
                count += 1
            if count == 0:
                out[row, column] = np.float32(np.nan)
            elif mode == 0:
                out[row, column] = total / np.float32(count) * scale + offset
            else:
                out[row, column] = total * scale + offset


@njit(nogil=True, cache=True)
def _sheet_row_spans(tops, row_step, rows, shape):
    """Give the first and past-the-last row of each column that lies inside the volume, shape (w, 2)."""
    spans = np.empty((tops.shape[0], 2), np.int64)
    for column in range(tops.shape[0]):
        first, stop = 0, rows
        for axis in range(3):
            low, high = _span(tops[column, axis], row_step[axis], rows, shape[axis] - 1)
            first, stop = max(first, low), min(stop, high)
        spans[column, 0], spans[column, 1] = first, stop
    return spans


@njit(nogil=True, cache=True)
def _sheet_single_rows(stored, tops, row_step, spans, scale, offset, out, first, stop):
    """Fill rows of a curved sheet of one layer: what lies inside the volume is known for each column."""
    last_z, last_y, last_x = stored.shape[0] - 1, stored.shape[1] - 1, stored.shape[2] - 1
    for row in range(first, stop):
        rz, ry, rx = row * row_step[0], row * row_step[1], row * row_step[2]
        for column in range(out.shape[1]):
            if row < spans[column, 0] or row >= spans[column, 1]:
                out[row, column] = np.float32(np.nan)
                continue
            z, y, x = tops[column, 0] + rz, tops[column, 1] + ry, tops[column, 2] + rx
            value = _cell(stored, _into(z, last_z), _into(y, last_y), _into(x, last_x))
            out[row, column] = value * scale + offset


@njit(nogil=True, cache=True)
def _points(stored, index, scale, offset, out):
    """Trilinear grey values at index positions (n, 3); nan outside."""
    last_z, last_y, last_x = stored.shape[0] - 1, stored.shape[1] - 1, stored.shape[2] - 1
    for k in range(index.shape[0]):
        z, y, x = index[k, 0], index[k, 1], index[k, 2]
        inside = z >= 0.0 and y >= 0.0 and x >= 0.0 and z <= last_z and y <= last_y and x <= last_x
        if inside:
            value = _cell(stored, _into(z, last_z), _into(y, last_y), _into(x, last_x))
            out[k] = value * scale + offset
        else:
            out[k] = np.float32(np.nan)


@njit(nogil=True, cache=True)
def _patches(stored, middles, first, second, layer_steps, offsets, layers, scale, offset, fallback, out):
    """Mean over layers of section patches; `offsets` (p, 2) go along `first` and `second` (n, 3)."""
    last_z, last_y, last_x = stored.shape[0] - 1, stored.shape[1] - 1, stored.shape[2] - 1
    for n in range(middles.shape[0]):
        for p in range(offsets.shape[0]):
            z = middles[n, 0] + offsets[p, 0] * first[n, 0] + offsets[p, 1] * second[n, 0]
            y = middles[n, 1] + offsets[p, 0] * first[n, 1] + offsets[p, 1] * second[n, 1]
            x = middles[n, 2] + offsets[p, 0] * first[n, 2] + offsets[p, 1] * second[n, 2]
            total, count = np.float32(0.0), 0
            for layer in range(layers.shape[0]):
                a = z + layers[layer] * layer_steps[n, 0]
                b = y + layers[layer] * layer_steps[n, 1]
                c = x + layers[layer] * layer_steps[n, 2]
                if a < 0.0 or b < 0.0 or c < 0.0 or a > last_z or b > last_y or c > last_x:
                    continue
                total += _cell(stored, _into(a, last_z), _into(b, last_y), _into(c, last_x))
                count += 1
            out[n, p] = total / np.float32(count) * scale + offset if count > 0 else fallback


def section_patches(
    volume: Volume,
    path_lps_mm: FloatArray,
    axes: tuple[FloatArray, FloatArray, FloatArray],
    offsets_mm: FloatArray,
    layers_mm: FloatArray,
    fallback: float,
) -> NDArray[np.float32]:
    """Give grey values in small sections across a course, shape (n, p).

    Parameters
    ----------
    axes : three arrays of shape (n, 3)
        Unit vectors along the course and two across it.
    offsets_mm : array of shape (p, 2)
        Places in each section along the two directions across.
    layers_mm : array of shape (l,)
        Places along the course that are averaged.
    fallback : float
        Grey value given outside the volume.
    """
    turn = volume.index_from_lps[:3, :3].T
    along, first, second = (np.ascontiguousarray(axis @ turn) for axis in axes)
    out = np.empty((len(path_lps_mm), len(offsets_mm)), np.float32)
    _patches(
        stored_of(volume), np.ascontiguousarray(volume.to_index(path_lps_mm)), first, second, along,
        np.ascontiguousarray(offsets_mm), np.ascontiguousarray(layers_mm), np.float32(volume.scale),
        np.float32(volume.offset), np.float32(fallback), out,
    )  # fmt: skip
    return out


@cache
def _pool() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(max_workers=2, thread_name_prefix="planner_core-section")


def run_rows(kernel: Callable[..., None], arguments: tuple[Any, ...], rows: int, samples: int) -> None:
    """Run a row kernel, shared by two threads where that pays."""
    if samples < SPLIT_ABOVE_SAMPLES or rows < 2:
        kernel(*arguments, 0, rows)
        return
    middle = rows // 2
    other = _pool().submit(kernel, *arguments, middle, rows)
    kernel(*arguments, 0, middle)
    other.result()


def mode_number(mode: str) -> int:
    """Give the kernel's number of a slab mode, ``"mean"`` or ``"max"``."""
    if mode not in ("mean", "max"):
        raise PlannerError(f"A slab is shown as mean or max, not {mode!r}.", "Choose mean or max.")
    return MEAN if mode == "mean" else MAXIMUM


def stored_of(volume: Volume) -> NDArray[np.int16]:
    """Give the stored numbers as a plain array that the kernels take; single slices are doubled."""
    stored: NDArray[np.int16] = np.asarray(volume.stored)
    if 1 in stored.shape:
        # A kernel reads a cell of 2x2x2 voxels; a lone slice stands for both of its sides.
        for axis in range(3):
            if stored.shape[axis] == 1:
                stored = np.concatenate([stored, stored], axis=axis)
    return stored


def layers_of(volume: Volume, slab_mm: float) -> tuple[int, float]:
    """Give the number of layers of a slab and their spacing in mm."""
    if slab_mm <= 0.0:
        return 1, 0.0
    count = 1 + max(1, int(np.ceil(slab_mm / (SLAB_STEP_VOXELS * min(volume.spacing_mm)))))
    return count, slab_mm / (count - 1)


def grey_at(volume: Volume, points_lps_mm: ArrayLike) -> NDArray[np.float32]:
    """Give trilinear grey values at LPS points of shape (..., 3), shape (...); nan outside the volume."""
    points: FloatArray = np.asarray(points_lps_mm, dtype=np.float64)
    index = np.ascontiguousarray(volume.to_index(points.reshape(-1, 3)))
    out = np.empty(len(index), np.float32)
    _points(stored_of(volume), index, np.float32(volume.scale), np.float32(volume.offset), out)
    return out.reshape(points.shape[:-1])
