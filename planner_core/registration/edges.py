"""Where the grey values change along the normals of a surface: the profile sampler that every fit here stands on.

No threshold of the whole scan is used. Each profile is judged by its own two sides: the edge is where it crosses
the
middle between the level inside and the level outside, next to its steepest fall (half-maximum edge; the same rule
that surface measurement from computed tomography uses, VDI/VDE 2630; M).
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from itertools import pairwise

import numpy as np
from attrs import frozen
from numba import njit
from numpy.typing import NDArray

from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

Float32Array = NDArray[np.float32]

SIDE_MM = 0.8
"""How far on either side of the steepest fall its two levels are looked for, mm (our choice: about twice the
blur of
a cone-beam scan, and less than an enamel or gingiva layer)."""

LEAST_FALL = 0.25
"""Smallest fall that counts as an edge, in units of the air-to-soft-tissue distance (our choice: a quarter of the
gingiva's edge against air)."""

CLIP_RELATIVE = 3.2
"""Grey values above this (0 = air, 1 = soft tissue) are cut before edges are looked for: enamel lies at 2 to 3,
what is
above is metal or ceramic, whose height says nothing (NIST XCOM at 60 keV; M)."""

WORKERS = 2


@frozen(eq=False)
class GreyField:
    """A volume's numbers ready for the kernels; values are relative (0 = air, 1 = soft tissue)."""

    stored: NDArray[np.int16]
    index_from_lps: FloatArray
    scale: float
    offset: float
    noise: float
    """Noise of one voxel on the relative scale."""
    step_mm: float
    """Sampling step along a profile, mm."""
    bone: float = 2.0
    """Compact bone on the relative scale."""

    @classmethod
    def of(cls, volume: Volume, levels: GreyLevels) -> GreyField:
        """Prepare a volume; nothing is copied."""
        span = levels.contrast
        return cls(
            stored=volume.stored,
            index_from_lps=np.ascontiguousarray(volume.index_from_lps),
            scale=volume.scale / span,
            offset=(volume.offset - levels.air) / span,
            noise=abs(levels.noise_sd / span),
            step_mm=min(0.2, max(0.1, 0.5 * min(volume.spacing_mm))),
            bone=float(levels.relative(levels.bone)),
        )


@frozen(eq=False)
class Edges:
    """The edge found along each normal; all arrays of shape (n,).

    Attributes
    ----------
    offset_mm : array
        Place of the edge along the outward normal, mm from the point; nan where there is none.
    slope : array
        Fall per mm at the edge, relative units.
    inside, outside : array
        Levels on the two sides, relative units (0 = air, 1 = soft tissue).
    """

    offset_mm: Float32Array
    slope: Float32Array
    inside: Float32Array
    outside: Float32Array

    @property
    def found(self) -> NDArray[np.bool_]:
        """Where an edge was found."""
        return np.isfinite(self.offset_mm)


@njit(nogil=True, cache=True, fastmath=True)
def trilinear(stored: AnyArray, a: float, b: float, c: float) -> float:
    """Read stored numbers at a fractional index; the caller has checked the bounds."""
    i, j, k = int(a), int(b), int(c)
    u, v, w = a - i, b - j, c - k
    low = (stored[i, j, k] * (1 - w) + stored[i, j, k + 1] * w) * (1 - v) + (
        stored[i, j + 1, k] * (1 - w) + stored[i, j + 1, k + 1] * w
    ) * v
    high = (stored[i + 1, j, k] * (1 - w) + stored[i + 1, j, k + 1] * w) * (1 - v) + (
        stored[i + 1, j + 1, k] * (1 - w) + stored[i + 1, j + 1, k + 1] * w
    ) * v
    return low * (1 - u) + high * u


@njit(nogil=True, cache=True, fastmath=True)
def steepest_fall(profile: AnyArray, jump: int, step: float, prefer: float, centre: float, least: float) -> int:
    """Give the sample of the steepest fall, near ones preferred; -1 where nothing falls by `least`."""
    count = len(profile)
    half = count // 2
    best, place = 0.0, -1
    for k in range(jump, count - jump):
        fall = profile[k - jump] - profile[k + jump]
        if fall < least:
            continue
        if k > jump and profile[k - 1 - jump] - profile[k - 1 + jump] > fall:
            continue
        if k < count - jump - 1 and profile[k + 1 - jump] - profile[k + 1 + jump] > fall:
            continue
        away = ((k - half) * step - centre) / prefer
        score = min(fall, 1.5) * math.exp(-0.5 * away * away)
        if score > best:
            best, place = score, k
    return place


@njit(nogil=True, cache=True, fastmath=True)
def middle_crossing(profile: AnyArray, place: int, reach: int) -> tuple[float, float, float]:
    """Give where the profile crosses the middle of its two sides near `place` (-1: nowhere), and both levels."""
    count = len(profile)
    inner, outer = profile[place], profile[place]
    for k in range(max(0, place - reach), place):
        inner = max(inner, profile[k])
    for k in range(place + 1, min(count, place + reach + 1)):
        outer = min(outer, profile[k])
    middle = 0.5 * (inner + outer)
    found, nearest = -1.0, 1e9
    for k in range(max(0, place - reach), min(count - 1, place + reach)):
        if profile[k] >= middle and profile[k + 1] < middle:
            at = k + (profile[k] - middle) / (profile[k] - profile[k + 1])
            if abs(at - place) < nearest:
                nearest, found = abs(at - place), at
    return found, inner, outer


@njit(nogil=True, cache=True, fastmath=True)
def find_edges(
    stored: AnyArray,
    scale: float,
    offset: float,
    index: AnyArray,
    along: AnyArray,
    start: int,
    stop: int,
    step: float,
    half: int,
    reach: int,
    prefer: float,
    centre: float,
    clip: float,
    least: float,
    out: AnyArray,
) -> None:
    """Fill `out` (n, 4) with edge offset, slope, inside and outside level for points `start` to `stop`.

    `index` and `along` (n, 3) are the points and one step along their normals as fractional indices; `half` samples
    on either side of a point, `reach` samples per side level.
    """
    count = 2 * half + 1
    profile = np.empty(count, np.float32)
    jump = max(1, int(0.3 / step + 0.5))
    top0, top1, top2 = stored.shape[0] - 1, stored.shape[1] - 1, stored.shape[2] - 1
    for p in range(start, stop):
        a, b, c = index[p, 0], index[p, 1], index[p, 2]
        da, db, dc = along[p, 0], along[p, 1], along[p, 2]
        fits = da * da + db * db + dc * dc > 1e-12
        for side in (-half, half):
            ea, eb, ec = a + side * da, b + side * db, c + side * dc
            if ea < 0 or eb < 0 or ec < 0 or ea >= top0 or eb >= top1 or ec >= top2:
                fits = False
        if not fits:
            continue
        for k in range(count):
            s = k - half
            value = trilinear(stored, a + s * da, b + s * db, c + s * dc) * scale + offset
            profile[k] = min(value, clip)
        place = steepest_fall(profile, jump, step, prefer, centre, least)
        if place < 0:
            continue
        found, inner, outer = middle_crossing(profile, place, reach)
        if found < 0.0:
            continue
        cell = int(found)
        low, high = max(0, cell - 1), min(count - 1, cell + 2)
        out[p, 0] = (found - half) * step
        out[p, 1] = (profile[low] - profile[high]) / ((high - low) * step)
        out[p, 2] = inner
        out[p, 3] = outer


@cache
def kernel_pool() -> ThreadPoolExecutor:
    """Give the pool on which the kernels run; it lives as long as the program."""
    return ThreadPoolExecutor(WORKERS, thread_name_prefix="planner_core-registration")


def edges_along(
    field: GreyField,
    points_lps_mm: AnyArray,
    normals_lps: AnyArray,
    half_width_mm: float,
    prefer_mm: float | None = None,
    centre_mm: float = 0.0,
) -> Edges:
    """Find the edge along each outward normal, from inside (high) to outside (low).

    Parameters
    ----------
    field : GreyField
    points_lps_mm, normals_lps : array of shape (n, 3)
    half_width_mm : float
        Edges are searched this far on both sides of the point, mm.
    prefer_mm : float
        Spread of the preference for near edges, mm; the half width when not given.
    centre_mm : float
        Where along the normal an edge is expected, mm.
    """
    step = field.step_mm
    to_index = field.index_from_lps
    points = np.ascontiguousarray(
        np.asarray(points_lps_mm, dtype=np.float64) @ to_index[:3, :3].T + to_index[:3, 3]
    )
    along = np.ascontiguousarray(step * np.asarray(normals_lps, dtype=np.float64) @ to_index[:3, :3].T)
    out = np.full((len(points), 4), np.nan, np.float32)
    half = max(4, round((half_width_mm + SIDE_MM) / step))
    reach = max(2, round(SIDE_MM / step))
    prefer = half_width_mm if prefer_mm is None else prefer_mm

    def work(start: int, stop: int) -> None:
        find_edges(
            field.stored, field.scale, field.offset, points, along, start, stop,
            step, half, reach, prefer, centre_mm, np.float32(CLIP_RELATIVE), np.float32(LEAST_FALL), out,
        )  # fmt: skip

    parts = np.linspace(0, len(points), (WORKERS if len(points) > 2000 else 1) + 1).astype(int)
    jobs = [kernel_pool().submit(work, int(a), int(b)) for a, b in pairwise(parts)]
    for job in jobs:
        job.result()
    offset = out[:, 0]
    offset[np.abs(offset - np.float32(centre_mm)) > half_width_mm] = np.nan
    return Edges(offset, out[:, 1], out[:, 2], out[:, 3])


def trilinear_at(field: GreyField, points_lps_mm: AnyArray) -> FloatArray:
    """Give relative grey values at points of shape (n, 3); nan outside the volume."""
    points = np.ascontiguousarray(points_lps_mm, dtype=np.float64)
    out = np.full(len(points), np.nan)
    _read_points(field.stored, field.index_from_lps, field.scale, field.offset, points, out)
    return out


@njit(nogil=True, cache=True)
def _read_points(
    stored: AnyArray, index_from: AnyArray, scale: float, offset: float, points: AnyArray, out: AnyArray
) -> None:
    top0, top1, top2 = stored.shape[0] - 1, stored.shape[1] - 1, stored.shape[2] - 1
    for p in range(points.shape[0]):
        x, y, z = points[p, 0], points[p, 1], points[p, 2]
        a = index_from[0, 0] * x + index_from[0, 1] * y + index_from[0, 2] * z + index_from[0, 3]
        b = index_from[1, 0] * x + index_from[1, 1] * y + index_from[1, 2] * z + index_from[1, 3]
        c = index_from[2, 0] * x + index_from[2, 1] * y + index_from[2, 2] * z + index_from[2, 3]
        if 0 <= a < top0 and 0 <= b < top1 and 0 <= c < top2:
            out[p] = trilinear(stored, a, b, c) * scale + offset
