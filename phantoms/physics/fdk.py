"""Cone-beam reconstruction after Feldkamp, Davis and Kress 1984 (J Opt Soc Am A 1:612), full or short scan."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.fft import irfft, rfft

from phantoms.physics.acquisition import Geometry
from phantoms.pool import in_slabs
from planner_core.progress import Progress, silent


def ramp_filtered(
    logs: NDArray[np.float32], pixel_mm: float, cutoff: float, extend: bool = True
) -> NDArray[np.float32]:
    """Filter rows of (views, rows, columns) with the band-limited ramp under a Hann window.

    Rows that end inside the head are continued with a falling edge (the usual cure of truncation).
    The ramp is that of Kak and Slaney 1988, eq. 3.61 (M), which keeps the mean right.
    """
    views, _rows, columns = logs.shape
    pad = columns // 2 if extend else 0
    size = 1 << int(np.ceil(np.log2(2 * (columns + 2 * pad))))
    n = np.fft.fftfreq(size, 1.0 / size)
    kernel = np.zeros(size)
    kernel[0] = 0.25 / pixel_mm**2
    odd = np.abs(n) % 2 == 1
    kernel[odd] = -1.0 / (np.pi * n[odd] * pixel_mm) ** 2
    response = rfft(kernel).real * pixel_mm
    frequency = np.arange(len(response)) / (len(response) - 1)
    window = np.where(frequency <= cutoff, 0.5 + 0.5 * np.cos(np.pi * frequency / max(cutoff, 1e-3)), 0.0)
    response = (response * window).astype(np.float32)
    fall = (0.5 + 0.5 * np.cos(np.pi * (np.arange(pad) + 1) / (pad + 1))).astype(np.float32)
    out = np.empty_like(logs)

    def work(first: int, last: int) -> None:
        for view in range(first, last):
            row = logs[view]
            if pad:
                row = np.concatenate([row[:, :1] * fall[::-1], row, row[:, -1:] * fall], axis=1)
            filtered = irfft(rfft(row, size, axis=1) * response, size, axis=1)
            out[view] = filtered[:, pad : pad + columns]

    in_slabs(work, views, parts=8)
    return out


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
                        r = min(int(v), rows - 2)
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
