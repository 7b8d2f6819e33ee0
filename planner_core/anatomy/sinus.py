"""Air spaces of the upper jaw from one click: maxillary sinus, nasal floor, airway; their floor over the ridge."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from skimage.measure import marching_cubes

from planner_core.anatomy.bone import surface_sigma_mm
from planner_core.anatomy.grid import Grid, coarse_grid
from planner_core.anatomy.marked import Cavity, CavityKind
from planner_core.anatomy.meshes import keep_large_pieces
from planner_core.anatomy.sampling import grey_at
from planner_core.anatomy.structures import Side
from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

GRID_MM = 0.6
"""Blocks in which the space is filled, mm (our choice; its wall is then set in the full scan)."""

REACH_MM = {"sinus": 32.0, "nasal": 45.0, "airway": 60.0}
"""How far from the click each kind of space can reach, mm (a maxillary sinus is about 25 x 35 x 35 mm; M)."""

NECK_MM = 1.6
"""Half width of a passage that the space does not leak through: the natural opening of a sinus is 2 to 4 mm wide,
the gap to a nasal passage wider (M)."""

SEPTUM_MM = 3.0
"""A ridge of the floor that rises more than this over both sides is told as a septum, mm (septa of 2.5 mm and more
are counted in surveys; M)."""


def find_cavity(
    volume: Volume,
    kind: CavityKind,
    click_lps_mm: ArrayLike,
    progress: Progress = silent,
    levels: GreyLevels | None = None,
    side: Side | None = None,
) -> Cavity:
    """Fill an air space from one click in it.

    Parameters
    ----------
    side : Side, optional
        Which of the two sinuses it is (`ArchCurve.side_of` the click).

    Raises
    ------
    PlannerError
        If the click does not lie in air, or the field of view shows no air at all.
    """
    click = np.asarray(click_lps_mm, dtype=np.float64).reshape(3)
    levels = calibrate_grey(volume) if levels is None else levels
    if not volume.contains(click[None])[0] or not float(grey_at(volume, click)) < levels.air_threshold:
        raise PlannerError(
            f"The click for the {kind.value} does not lie in air.", "Click in the dark of the space."
        )
    progress(0.1, f"Filling the {kind.value}")
    reach = REACH_MM[kind.value]
    grid = coarse_grid(volume, GRID_MM, np.stack([click - reach, click + reach]))
    inside, leaks = _filled(grid, click, levels, reach)
    progress(0.6, f"Drawing the {kind.value}")
    field_values = np.where(
        ndimage.binary_dilation(inside, iterations=2), levels.air_threshold - grid.grey, np.float32(-1.0)
    )
    field_values = np.pad(field_values, 1, constant_values=-abs(levels.contrast))
    index, triangles, _, _ = marching_cubes(field_values, 0.0, allow_degenerate=False)
    if np.linalg.det(grid.lps_from_index[:3, :3]) > 0:
        triangles = triangles[:, ::-1]
    surface = keep_large_pieces(Surface(grid.to_lps(index - 1.0), triangles), 0.05)
    findings = []
    if leaks:
        text = f"The {kind.value} runs on beyond {reach:.0f} mm or the edge of the scan: it is cut off there."
        findings.append(Finding(Severity.NOTE, "air-space-cut", text, kind.value))
    septa = _septa(grid, inside) if kind is CavityKind.SINUS else np.zeros((0, 3))
    sigma = surface_sigma_mm(volume, levels, levels.contrast)
    return Cavity(kind, surface, float(inside.sum()) * grid.voxel_mm3, sigma, septa, click, side, tuple(findings))


def _filled(grid: Grid, click: FloatArray, levels: GreyLevels, reach: float) -> tuple[NDArray[np.bool_], bool]:
    """Fill the air round the click without running through narrow passages; also whether it was cut off."""
    air = grid.grey < levels.air_threshold
    places = grid.to_lps(np.argwhere(np.ones(air.shape, bool))).reshape(*air.shape, 3)
    near = np.linalg.norm(places - click, axis=-1) <= reach
    start = tuple(np.clip(np.round(grid.to_index(click)), 0, np.array(air.shape) - 1).astype(int))
    depth = ndimage.distance_transform_edt(np.pad(air, 1, mode="edge"), sampling=grid.spacing_mm)[1:-1, 1:-1, 1:-1]
    core = depth > NECK_MM
    pieces, _ = ndimage.label(core & near)
    if not core[start]:
        # The click may lie close to the wall: its core is the nearest one.
        where = ndimage.distance_transform_edt(~(core & near), return_distances=False, return_indices=True)
        start = tuple(int(axis[start]) for axis in where)
    label = int(pieces[start])
    if label == 0:
        pieces, _ = ndimage.label(air & near)
        label = int(pieces[start])
    own = pieces == label
    # Back to the wall: the core grown by what was taken off, inside the air.
    grown = ndimage.distance_transform_edt(~own, sampling=grid.spacing_mm) <= NECK_MM + float(max(grid.spacing_mm))
    inside = grown & air & near
    edge = np.zeros_like(air)
    edge[[0, -1]] = edge[:, [0, -1]] = edge[:, :, [0, -1]] = True
    return np.asarray(inside), bool((inside & (edge | ~ndimage.binary_erosion(near))).any())


def _septa(grid: Grid, inside: NDArray[np.bool_]) -> FloatArray:
    """Give the tops of ridges on the space's floor, as LPS points (n, 3)."""
    axis, sign = grid.up_axis()
    column = np.moveaxis(inside, axis, 0)
    if sign < 0:
        column = column[::-1]
    there = column.any(axis=0)
    floor = np.where(there, column.argmax(axis=0), 0).astype(np.float64) * float(grid.spacing_mm[axis])
    others = [k for k in range(3) if k != axis]
    size = [2 * round(8.0 / float(grid.spacing_mm[k])) + 1 for k in others]
    smooth = ndimage.gaussian_filter(np.where(there, floor, np.nan_to_num(floor[there].mean())), 1.0)
    inner = ndimage.binary_erosion(there, iterations=6)
    # A ridge stands over the floor on two opposite sides within 8 mm (a slope does so on one side only).
    rises = []
    for k in range(2):
        width = size[k] // 2
        before = ndimage.minimum_filter1d(smooth, width, axis=k, origin=width // 2 - (width + 1) % 2)
        after = ndimage.minimum_filter1d(smooth, width, axis=k, origin=-(width // 2) + (width + 1) % 2)
        rises.append(smooth - np.maximum(before, after))
    rise = np.where(inner, np.maximum(rises[0], rises[1]), 0.0)
    peaks = (rise > SEPTUM_MM) & (rise == ndimage.maximum_filter(rise, size=9))
    out = []
    for i, j in np.argwhere(peaks):
        place = np.zeros(3)
        level = float(column[:, i, j].argmax())
        place[axis] = level if sign > 0 else column.shape[0] - 1 - level
        place[others[0]], place[others[1]] = i, j
        out.append(grid.to_lps(place))
    return np.array(out).reshape(-1, 3)
