"""Cone-beam reconstruction after Feldkamp, Davis and Kress 1984 (J Opt Soc Am A 1:612), full or short scan."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from phantoms.physics.acquisition import Geometry
from phantoms.physics.detector import ramp_filtered
from phantoms.pool import in_slabs
from planner_core.progress import Progress, silent


@njit(nogil=True, cache=True)
def _back_project(filtered, cosines, sines, axis, scale, first, last, x0, y0, z0, voxel, out):
    """Add all views to rows `first` to `last` of ``out`` [row, column, stack, slice].

    `filtered` is [view, column, stack, row]: one detector column lies in a piece, since a voxel column maps to it.
    `scale` is source-to-detector distance over pixel size.
    """
    views, columns, stacks, rows = filtered.shape
    _, across, _, slices = out.shape
    for i in range(first, last):
        y = y0 + i * voxel
        for j in range(across):
            x = x0 + j * voxel
            for view in range(views):
                c, s = cosines[view], sines[view]
                depth = axis - (x * c + y * s)
                u = (y * c - x * s) * scale / depth + 0.5 * (columns - 1)
                k = math.floor(u)
                if k < 0 or k >= columns - 1:
                    continue
                a = np.float32(u - k)
                weight = np.float32((axis / depth) ** 2)
                w0, w1 = (np.float32(1.0) - a) * weight, a * weight
                grow = voxel * scale / depth
                start = z0 * scale / depth + 0.5 * (rows - 1)
                low = max(0, math.ceil(-start / grow))
                high = min(slices, math.ceil((rows - 1 - start) / grow))
                for n in range(stacks):
                    left, right = filtered[view, k, n], filtered[view, k + 1, n]
                    target = out[i, j, n]
                    for q in range(low, high):
                        v = start + q * grow
                        r = int(v)
                        b = np.float32(v - r)
                        near = w0 * left[r] + w1 * right[r]
                        far = w0 * left[r + 1] + w1 * right[r + 1]
                        target[q] += near + b * (far - near)


def parker_weights(geometry: Geometry) -> NDArray[np.float32]:
    """Give weights (views, columns) that count every line once.

    A full turn measures each line twice: one half. A short scan is weighed after Parker 1982 (Med Phys 9:254).
    """
    views = len(geometry.angles_rad)
    if not geometry.short_scan:
        return np.full((views, geometry.columns), 0.5, np.float32)
    step = float(geometry.angles_rad[1] - geometry.angles_rad[0])
    beta = geometry.angles_rad - geometry.angles_rad[0] + 0.5 * step
    total = step * views
    delta = 0.5 * (total - np.pi)
    across = (np.arange(geometry.columns) - 0.5 * (geometry.columns - 1)) * geometry.pixel_mm
    # The ray of fan angle g in view b is that of -g in view b + 180 deg + 2 g, with g counted as `view_frame` does.
    gamma = -np.arctan(across / geometry.source_detector_mm)
    b, g = beta[:, None], np.broadcast_to(gamma, (views, geometry.columns))
    rising, falling = 2.0 * (delta - g), np.pi - 2.0 * g
    weights = np.ones((views, geometry.columns))
    early = b < rising
    weights[early] = (np.sin(0.25 * np.pi * b / np.maximum(delta - g, 1e-6)) ** 2)[early]
    late = b > falling
    weights[late] = (np.sin(0.25 * np.pi * (np.pi + 2 * delta - b) / np.maximum(delta + g, 1e-6)) ** 2)[late]
    return weights.astype(np.float32)


def reconstruct(
    logs: Sequence[NDArray[np.float32]],
    geometry: Geometry,
    shape: tuple[int, int, int],
    voxel_mm: float,
    cutoff: float = 0.9,
    progress: Progress = silent,
) -> list[NDArray[np.float32]]:
    """Reconstruct one or more stacks of line integrals taken in the same geometry.

    Parameters
    ----------
    logs : sequence of float32 arrays (views, rows, columns)
    geometry : Geometry
    shape : tuple of int
        Slices, rows, columns of the result, about the geometry's centre, axes as LPS (z, y, x).
    voxel_mm : float

    Returns
    -------
    list of float32 arrays of `shape`
        Attenuation, 1/mm.
    """
    g = geometry
    views, stacks = len(g.angles_rad), len(logs)
    packed = np.empty((views, g.columns, stacks, g.rows), np.float32)
    cosine = _cosine_weights(g)
    parker = parker_weights(g)
    step = float(g.angles_rad[1] - g.angles_rad[0])
    at_axis = g.pixel_mm * g.source_axis_mm / g.source_detector_mm
    for n, stack in enumerate(logs):
        weighted = stack * cosine * parker[:, None, :]
        filtered = ramp_filtered(weighted, at_axis, cutoff)
        packed[:, :, n, :] = filtered.transpose(0, 2, 1) * np.float32(step)
        progress(0.2 * (n + 1) / stacks, "filtering")
    slices, rows, columns = shape
    out = np.zeros((rows, columns, stacks, slices), np.float32)
    cosines, sines = np.cos(g.angles_rad), np.sin(g.angles_rad)
    corner = [-0.5 * (count - 1) * voxel_mm for count in (columns, rows, slices)]

    def work(first: int, last: int) -> None:
        _back_project(
            packed, cosines, sines, g.source_axis_mm, g.source_detector_mm / g.pixel_mm, first, last, *corner,
            voxel_mm, out,
        )  # fmt: skip
        progress(0.2 + 0.8 * last / rows, "reconstructing")

    in_slabs(work, rows, parts=16)
    return [np.ascontiguousarray(out[:, :, n].transpose(2, 0, 1)) for n in range(stacks)]


def _cosine_weights(geometry: Geometry) -> NDArray[np.float32]:
    u = (np.arange(geometry.columns) - 0.5 * (geometry.columns - 1)) * geometry.pixel_mm
    v = (np.arange(geometry.rows) - 0.5 * (geometry.rows - 1)) * geometry.pixel_mm
    d = geometry.source_detector_mm
    return np.asarray(d / np.sqrt(d * d + u[None, :] ** 2 + v[:, None] ** 2), dtype=np.float32)


def circle_mask(shape: tuple[int, int, int]) -> NDArray[np.bool_]:
    """Give the inscribed circle of a slice, shape (rows, columns): where every view sees the voxel."""
    _, rows, columns = shape
    y, x = np.ogrid[:rows, :columns]
    radius = min(rows, columns) / 2.0
    return np.asarray((y - (rows - 1) / 2.0) ** 2 + (x - (columns - 1) / 2.0) ** 2 <= radius**2)
