"""Where the canal leaves the bone (mental foramen), and the loop that it may make in front of that."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from planner_core.anatomy.bone import CLOSE_MM
from planner_core.anatomy.canal import click_sigma_mm
from planner_core.anatomy.grid import Grid, coarse_grid
from planner_core.anatomy.marked import AnteriorLoop, Foramen
from planner_core.anatomy.shortest import cheapest_path
from planner_core.anatomy.structures import ArchCurve, Canal
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.polyline import tangents
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey

GRID_MM = 0.5
REACH_MM = 9.0
"""How far from the canal's front end the opening is searched, mm (a canal rises 3 to 6 mm to it; M)."""

OPEN_SHARE = 0.5
"""The way out counts as seen while the bone on it stays below this share of the soft-to-bone step (our choice:
half)."""

LOOP_DEFAULT_MM = 2.4
"""Length of an anterior loop that was not traced, mm: mean 2.39, 2.07 to 2.70 (review of 63 studies, 27 075 half-
mandibles; S)."""

LOOP_MARGIN_MM = 2.0
"""Added to it as a margin, mm (same source; S). Other series say that no fixed distance is safe: trace it."""

LEAST_LOOP_MM = 0.5
"""A shorter way in front of the foramen is no loop (our choice: about the error of the trace)."""


def mental_foramen(volume: Volume, canal: Canal, levels: GreyLevels | None = None) -> Foramen | None:
    """Find where the canal's front end leaves the bone, or None where no opening lies near it."""
    levels = calibrate_grey(volume) if levels is None else levels
    end = np.asarray(canal.path_lps_mm[0])
    reach = REACH_MM + 3.0
    grid = coarse_grid(volume, GRID_MM, np.stack([end - reach, end + reach]))
    step = levels.bone - levels.soft_tissue
    dense = np.clip((grid.grey - levels.soft_tissue) / step, 0.0, 1.5)
    outside = _outside_bone(grid, levels)
    start = np.clip(np.round(grid.to_index(end)), 0, np.array(dense.shape) - 1).astype(int)
    if outside[tuple(start)]:
        return _on_surface(volume, canal, end)
    near = np.linalg.norm(grid.to_lps(np.argwhere(np.ones(dense.shape, bool))) - end, axis=1) <= REACH_MM
    # The way out keeps to what is no bone; walls are dear, not closed, so that a doubtful opening is still found.
    costs = np.where(near.reshape(dense.shape), 0.05 + 4.0 * dense**2, -1.0)
    try:
        way, _ = cheapest_path(costs, start, outside & (costs > 0), grid.spacing_mm)
    except PlannerError:
        return None
    on_way = dense[tuple(way.T)]
    point = grid.to_lps(way[-1])
    sigma = float(np.hypot(0.5 * float(np.mean(grid.spacing_mm)), float(canal.sigma_mm[0])))
    return Foramen(point, sigma, grid.to_lps(way), bool(on_way[:-1].max(initial=0.0) < OPEN_SHARE))


def _on_surface(volume: Volume, canal: Canal, end: FloatArray) -> Foramen:
    return Foramen(end, click_sigma_mm(volume), end[None], bool(canal.certain[: min(4, len(canal.certain))].any()))


def _outside_bone(grid: Grid, levels: GreyLevels) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Give what lies outside the bone, openings narrower than the closing counted as bone."""
    hard = ndimage.gaussian_filter(grid.grey, 0.6) > levels.bone_threshold
    radius = CLOSE_MM + 1.0
    apart = ndimage.distance_transform_edt(~hard, sampling=grid.spacing_mm) > radius
    pieces, count = ndimage.label(apart)
    if count == 0:
        return np.zeros_like(hard)
    # Marrow spaces are dark too: the outside is what reaches the box's border in soft tissue or air most widely.
    border = np.zeros_like(hard)
    for axis in range(3):
        for face in (0, -1):
            place: list[slice | int] = [slice(None)] * 3
            place[axis] = face
            border[tuple(place)] = True
    sizes = np.bincount(pieces[border & apart], minlength=count + 1)
    sizes[0] = 0
    soft = ndimage.median(grid.grey, pieces, np.arange(1, count + 1))
    marrow_like = np.asarray(soft) > levels.soft_tissue + 0.15 * (levels.bone - levels.soft_tissue)
    sizes[1:][marrow_like] = 0
    core = pieces == int(np.argmax(sizes)) if sizes.max() > 0 else np.zeros_like(hard)
    return np.asarray(ndimage.distance_transform_edt(~core, sampling=grid.spacing_mm) <= radius) & ~hard


def anterior_loop(canal: Canal, foramen: Foramen | None, arch: ArchCurve | None = None) -> AnteriorLoop:
    """Measure how far the traced canal runs in front of its foramen along the arch.

    Without a seen foramen or canal the published mean is given, and said to be that.
    """
    seen_front = bool(canal.certain[: max(1, len(canal.certain) // 8)].mean() > 0.5)
    if foramen is None or not foramen.seen or not seen_front:
        return AnteriorLoop(
            LOOP_DEFAULT_MM,
            1.5,
            False,
            LOOP_DEFAULT_MM + LOOP_MARGIN_MM,
            "The loop was not traced: the published mean stands in for it, and no fixed distance is safe.",
        )
    course = np.vstack([foramen.way_lps_mm[::-1], canal.path_lps_mm])
    if arch is None:
        forward = -tangents(canal.path_lps_mm)[len(canal.path_lps_mm) // 2]
        ahead = (course - foramen.point_lps_mm) @ forward
    else:
        stations = np.array([arch.station_of(point) for point in course])
        here = arch.station_of(foramen.point_lps_mm)
        ahead = (here - stations) * (1.0 if np.median(stations) > here else -1.0)
    length = max(0.0, float(ahead.max()))
    at = max(0, int(np.argmax(ahead)) - len(foramen.way_lps_mm))
    sigma = float(np.hypot(foramen.sigma_mm, canal.sigma_mm[at]))
    if length < LEAST_LOOP_MM:
        return AnteriorLoop(0.0, sigma, True, LOOP_MARGIN_MM, "No loop is seen in front of the foramen.")
    return AnteriorLoop(
        length, sigma, True, length + LOOP_MARGIN_MM, f"The canal runs {length:.1f} mm in front of its foramen."
    )
