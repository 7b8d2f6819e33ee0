"""Line integrals through a material map and what of a polychromatic beam is left after them.

Every ray is followed from cell to cell (Siddon 1985, Med Phys 12:252, in the form of Amanatides and Woo 1987; M)
and the length in each material is added up, with and without the restorations in one pass; then the spectrum is
weighed per ray. So beam hardening and starvation come from the physics, not from a model of streaks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numba import njit
from numpy.typing import NDArray

from phantoms.material_map import MaterialMap
from phantoms.physics.acquisition import Geometry
from phantoms.pool import in_slabs
from planner_core.geometry.frames import FloatArray, RigidTransform
from planner_core.progress import Progress, silent

LABELS = 16


@njit(nogil=True, cache=True)
def _trace(codes, sx, sy, sz, dx, dy, dz, edge, restored, natural):
    """Add the lengths (mm) in each label along a ray; start and direction in index units, direction per mm."""
    nz, ny, nx = codes.shape
    enter, leave = 0.0, 1e9
    for axis in range(3):
        s = sx if axis == 0 else (sy if axis == 1 else sz)
        d = dx if axis == 0 else (dy if axis == 1 else dz)
        n = nx if axis == 0 else (ny if axis == 1 else nz)
        if abs(d) < 1e-12:
            if s < 0.0 or s >= n:
                return
        else:
            a, b = -s / d, (n - s) / d
            enter = max(enter, min(a, b))
            leave = min(leave, max(a, b))
    if leave - enter < 1e-6:
        return
    t = enter
    px, py, pz = sx + (t + 1e-7) * dx, sy + (t + 1e-7) * dy, sz + (t + 1e-7) * dz
    ix = min(max(math.floor(px), 0), nx - 1)
    iy = min(max(math.floor(py), 0), ny - 1)
    iz = min(max(math.floor(pz), 0), nz - 1)
    step_x, step_y, step_z = (1 if dx > 0 else -1), (1 if dy > 0 else -1), (1 if dz > 0 else -1)
    far = 1e18
    gain_x = abs(1.0 / dx) if abs(dx) > 1e-12 else far
    gain_y = abs(1.0 / dy) if abs(dy) > 1e-12 else far
    gain_z = abs(1.0 / dz) if abs(dz) > 1e-12 else far
    next_x = (ix + (1 if dx > 0 else 0) - sx) / dx if abs(dx) > 1e-12 else far
    next_y = (iy + (1 if dy > 0 else 0) - sy) / dy if abs(dy) > 1e-12 else far
    next_z = (iz + (1 if dz > 0 else 0) - sz) / dz if abs(dz) > 1e-12 else far
    scale = 1.0 / 255.0
    while t < leave:
        code = codes[iz, iy, ix]
        if next_x < next_y and next_x < next_z:
            upto = next_x
            next_x += gain_x
            ix += step_x
        elif next_y < next_z:
            upto = next_y
            next_y += gain_y
            iy += step_y
        else:
            upto = next_z
            next_z += gain_z
            iz += step_z
        if code != 0:
            length = upto - t
            first = (code & 255) * scale * length
            a, b = (code >> 12) & 15, (code >> 8) & 15
            natural[a] += first
            natural[b] += length - first
            over = code >> 16
            if over == 0:
                restored[a] += first
                restored[b] += length - first
            else:
                share = (over & 255) * scale
                restored[(over >> 8) & 15] += share * length
                restored[a] += first * (1.0 - share)
                restored[b] += (length - first) * (1.0 - share)
        t = upto
        if ix < 0 or iy < 0 or iz < 0 or ix >= nx or iy >= ny or iz >= nz:
            break


@njit(nogil=True, cache=True)
def _left_over(lengths, mu, weights):
    """Give the share of the detected signal that is left after the lengths (mm)."""
    total = 0.0
    for e in range(weights.shape[0]):
        depth = 0.0
        for k in range(1, LABELS):
            if lengths[k] > 0.0:
                depth += mu[e, k] * lengths[k]
        total += weights[e] * math.exp(-depth)
    return total


@njit(nogil=True, cache=True)
def _project_view(fine, coarse, fine_from, coarse_from, edges, source, corner, across, up, mu, weights, out, bare):
    """Write what is left in every pixel of one view, with (`out`) and without (`bare`) the restorations."""
    rows, columns = out.shape
    restored, natural = np.zeros(LABELS), np.zeros(LABELS)
    for i in range(rows):
        for j in range(columns):
            restored[:] = 0.0
            natural[:] = 0.0
            vx = corner[0] + i * up[0] + j * across[0] - source[0]
            vy = corner[1] + i * up[1] + j * across[1] - source[1]
            vz = corner[2] + i * up[2] + j * across[2] - source[2]
            norm = 1.0 / math.sqrt(vx * vx + vy * vy + vz * vz)
            vx, vy, vz = vx * norm, vy * norm, vz * norm
            # Index order of the maps is (slice, row, column) = (z, y, x); cells reach half an index to both sides.
            g = 1.0 / edges[0]
            _trace(
                fine, (source[0] - fine_from[0]) * g, (source[1] - fine_from[1]) * g,
                (source[2] - fine_from[2]) * g, vx * g, vy * g, vz * g, edges[0], restored, natural,
            )  # fmt: skip
            g = 1.0 / edges[1]
            _trace(
                coarse, (source[0] - coarse_from[0]) * g, (source[1] - coarse_from[1]) * g,
                (source[2] - coarse_from[2]) * g, vx * g, vy * g, vz * g, edges[1], restored, natural,
            )  # fmt: skip
            bare[i, j] = _left_over(natural, mu, weights)
            same = True
            for k in range(LABELS):
                if restored[k] != natural[k]:
                    same = False
            out[i, j] = bare[i, j] if same else _left_over(restored, mu, weights)


def view_frame(geometry: Geometry, view: int, moved: RigidTransform | None) -> tuple[FloatArray, ...]:
    """Give source, first pixel, step per column and step per row of a view, LPS mm.

    `moved` is the patient's move; the world is turned the other way instead.
    """
    angle = float(geometry.angles_rad[view])
    out = np.array([np.cos(angle), np.sin(angle), 0.0])
    across = np.array([-np.sin(angle), np.cos(angle), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    source = geometry.centre_lps_mm + geometry.source_axis_mm * out
    middle = source - geometry.source_detector_mm * out
    pixel = geometry.pixel_mm
    corner = middle - pixel * (0.5 * (geometry.columns - 1) * across + 0.5 * (geometry.rows - 1) * up)
    frame = (source, corner, pixel * across, pixel * up)
    if moved is None:
        return frame
    back = moved.inverse()
    return (
        back.apply(frame[0]), back.apply(frame[1]), back.apply_direction(frame[2]), back.apply_direction(frame[3])
    )  # fmt: skip


def _origin(material_map: MaterialMap) -> FloatArray:
    """Give the outer corner (x, y, z) of a map's first cell."""
    affine = material_map.lps_from_index
    return np.asarray(affine[:3, 3] - 0.5 * material_map.voxel_mm)


def transmissions(
    maps: tuple[MaterialMap, MaterialMap],
    geometry: Geometry,
    attenuation_per_mm: FloatArray,
    weights: FloatArray,
    moves: Sequence[RigidTransform | None] | None = None,
    progress: Progress = silent,
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Give the share of the detected signal left, with and without restorations, each (views, rows, columns).

    Parameters
    ----------
    maps : pair of MaterialMap
        The field of view in fine cells, and its surroundings in coarse ones (zero where the fine map is).
    geometry : Geometry
    attenuation_per_mm : array of shape (energies, 16)
    weights : array of shape (energies,)
    moves : sequence of RigidTransform or None, one per view
    """
    fine, around = maps
    views = len(geometry.angles_rad)
    out = np.empty((views, geometry.rows, geometry.columns), np.float32)
    bare = np.empty_like(out)
    edges = np.array([fine.voxel_mm, around.voxel_mm])
    mu, w = np.ascontiguousarray(attenuation_per_mm), np.ascontiguousarray(weights)
    origins = _origin(fine), _origin(around)

    def work(first: int, last: int) -> None:
        for view in range(first, last):
            frame = view_frame(geometry, view, moves[view] if moves is not None else None)
            _project_view(fine.codes, around.codes, *origins, edges, *frame, mu, w, out[view], bare[view])
            progress(view / views, "projecting")

    in_slabs(work, views, parts=16)
    return out, bare
