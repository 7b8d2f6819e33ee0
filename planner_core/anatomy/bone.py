"""The outer bone surface, drawn where soft tissue locally turns into bone."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from skimage.measure import marching_cubes

from planner_core.anatomy.edges import STEP_MM, find_edges, profiles_along
from planner_core.anatomy.grid import Grid, coarse_grid
from planner_core.anatomy.meshes import keep_large_pieces, neighbour_mean
from planner_core.anatomy.structures import BoneSurface
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, part_of, silent

GRID_MM = 0.5
"""Blocks in which the bone is found, mm (our choice; its surface is then set in the full scan)."""

LARGEST_TRIANGLES = 180_000
"""Triangles aimed at, at most; larger bones are drawn on a coarser grid (our choice: redrawn and measured while
dragging)."""

TRIANGLES_PER_FACE = 2.0
"""Triangles that contouring makes per free voxel face (measured on spheres)."""

SMALLEST_PIECE_MM3 = 300.0
"""Hard pieces smaller than this are left out, mm^3: calculus, pins, islands of noise (our choice)."""

CLOSE_MM = 1.0
"""Half width of the openings that are bridged before cavities are filled: nutrient canals, thin plates (our
choice)."""

LARGEST_INNER_MM2 = 500.0
"""Largest space in a flat section taken for marrow, mm^2: half a jaw's body cut lengthwise (our choice); the
mouth and the sinus are larger, and air is never filled."""

SHADING_MM = 8.0
"""Half width of the neighbourhood that gives local soft tissue and bone, mm (our choice: wider than a plate)."""

RESTORATION_UNITS = 3.6
"""What lies more than this many air-to-soft distances above soft tissue is no tissue: enamel reaches 3 (NIST XCOM
at 60 keV; M)."""

RESTORATION_RIM_MM = 0.7
"""Rim around a restoration that its blur still brightens, mm (our choice: one to two voxels)."""

STREAK_LEVEL = 0.6
"""Hard-looking voxels where the scan is degraded by more than this are taken for streaks unless solid (our
choice)."""

REACH_MM = 1.6
"""How far a corner of the surface may look along its normal for the border, mm (our choice: three grid steps)."""

FLOOR_SIGMA_MM = 0.15
"""Least standard deviation of the surface along its normal, mm: clean models at a voxel of 0.15 mm differ by 0.05
mm (Int J Implant Dent 2019, s40729-019-0171-9; S), patients by more (our choice; tests/studies anatomy)."""

VOXEL_SIGMA_SHARE = 0.35
"""Share of a voxel that adds to it (our choice; tests/studies anatomy)."""

NOISE_SIGMA_MM = 0.5
"""Shift of the border, mm, per unit of noise over step height: about the blur's width (our choice)."""


class Degradation(Protocol):
    """Anything that says how degraded the scan is at points, such as the scan check."""

    def level_at(self, points_lps_mm: FloatArray) -> FloatArray:
        """Give levels 0..1 for points of shape (n, 3)."""


def grey_calibration(volume: Volume) -> GreyLevels:
    """Give the scan's own grey levels of air, soft tissue and bone."""
    return calibrate_grey(volume)


def bone_surface(
    volume: Volume,
    progress: Progress = silent,
    region: ArrayLike | None = None,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
) -> BoneSurface:
    """Give the outer surface of the bone (and of what stands in it), without its inner spaces.

    Parameters
    ----------
    region : array of shape (k, 3), optional
        Only the box (in the volume's axes) that holds these LPS points.
    levels : GreyLevels, optional
        The scan's grey levels where they are known already.
    degradation : optional
        The scan check; where it says that the scan is streaked, thin bright stripes are not taken for bone.

    Raises
    ------
    PlannerError
        If there is no bone in the region.
    """
    progress(0.0, "Looking for bone")
    levels = calibrate_grey(volume) if levels is None else levels
    grid_mm = GRID_MM
    for _ in range(3):
        grid = coarse_grid(volume, grid_mm, region)
        hard, level = hard_tissue(grid, levels, degradation)
        expected = TRIANGLES_PER_FACE * _free_faces(hard)
        if expected <= LARGEST_TRIANGLES:
            break
        # At least one voxel more a block: blocks are whole numbers of voxels.
        wanted = 1.03 * float(np.mean(grid.spacing_mm)) * float(np.sqrt(expected / LARGEST_TRIANGLES))
        grid_mm = max(wanted, float(np.mean(grid.spacing_mm)) + 0.6 * float(np.mean(volume.spacing_mm)))
    progress(0.3, "Filling the marrow spaces")
    field = _outer_field(grid, hard, level, levels)
    progress(0.5, "Drawing the bone surface")
    surface = _contour(grid, field)
    progress(0.7, "Setting the surface in the scan")
    surface, rise = _set_in_scan(volume, surface, levels, part_of(progress, 0.7, 1.0))
    sigma = surface_sigma_mm(volume, levels, rise)
    return BoneSurface(surface, float("nan"), sigma)


def surface_sigma_mm(volume: Volume, levels: GreyLevels, rise: float) -> float:
    """Give the standard deviation of a border along its normal from voxel, noise and step height (mm)."""
    voxel = VOXEL_SIGMA_SHARE * float(np.mean(volume.spacing_mm))
    noise = NOISE_SIGMA_MM * levels.noise_sd / max(abs(rise), 1e-9)
    return float(np.sqrt(FLOOR_SIGMA_MM**2 + voxel**2 + noise**2))


def hard_tissue(
    grid: Grid, levels: GreyLevels, degradation: Degradation | None = None
) -> tuple[NDArray[np.bool_], NDArray[np.float32]]:
    """Give the mask of bone and teeth on a grid, and the local level that separates it from soft tissue."""
    level = _local_level(grid, levels)
    hard: NDArray[np.bool_] = grid.grey > level
    dense = grid.grey > levels.soft_tissue + RESTORATION_UNITS * levels.contrast
    if dense.any():
        rim = ndimage.distance_transform_edt(~dense, sampling=grid.spacing_mm) <= RESTORATION_RIM_MM
        hard &= ~rim
    if degradation is not None:
        places = np.argwhere(hard)
        streaked = places[np.asarray(degradation.level_at(grid.to_lps(places))) > STREAK_LEVEL]
        solid = ndimage.binary_opening(hard, iterations=1)
        doubtful = np.zeros_like(hard)
        doubtful[tuple(streaked.T)] = True
        hard &= ~(doubtful & ~solid)
    pieces, count = ndimage.label(hard)
    sizes = np.bincount(pieces.ravel()) * grid.voxel_mm3
    sizes[0] = 0.0
    if count == 0 or float(sizes.max()) < SMALLEST_PIECE_MM3:
        raise PlannerError("No bone was found in this part of the scan.", "Choose a larger region or another scan.")
    kept = sizes >= SMALLEST_PIECE_MM3
    return kept[pieces], level


def _box_mean(values: NDArray[np.float32], size: tuple[int, ...]) -> NDArray[np.float32]:
    out: NDArray[np.float32] = values
    for axis, width in enumerate(size):
        out = ndimage.uniform_filter1d(out, width, axis=axis, mode="nearest")
    return out


def _local_level(grid: Grid, levels: GreyLevels) -> NDArray[np.float32]:
    """Middle of local soft tissue and local bone; the scan's own levels where one of them is missing nearby."""
    grey = grid.grey
    step = levels.bone - levels.soft_tissue
    size = tuple(2 * n + 1 for n in grid.radius_voxels(SHADING_MM))

    def local(mask: NDArray[np.bool_], fallback: float, least: float, most: float) -> NDArray[np.float32]:
        weight = _box_mean(mask.astype(np.float32), size)
        total = _box_mean(np.where(mask, grey, np.float32(0.0)), size)
        # A twentieth of the neighbourhood counts as much as the scan's own level.
        mean = (total + np.float32(0.05 * fallback)) / (weight + np.float32(0.05))
        return np.clip(mean, np.float32(least), np.float32(most))

    near_soft = np.abs(grey - levels.soft_tissue) < 0.35 * step
    soft = local(near_soft, levels.soft_tissue, levels.soft_tissue - 0.3 * step, levels.soft_tissue + 0.3 * step)
    dense = (grey > levels.bone_threshold) & (grey < levels.bone + step)
    bone = local(dense, levels.bone, levels.bone - 0.35 * step, levels.bone + 0.35 * step)
    return np.asarray(0.5 * (soft + bone), dtype=np.float32)


def _free_faces(mask: NDArray[np.bool_]) -> int:
    faces = 0
    for axis in range(3):
        faces += int(np.count_nonzero(np.diff(mask, axis=axis)))
    # Inner faces of the marrow are filled later; about half of the faces lie outside.
    return faces // 2


def _outer_field(
    grid: Grid, hard: NDArray[np.bool_], level: NDArray[np.float32], levels: GreyLevels
) -> NDArray[np.float32]:
    """Grey value over the local level, positive in every inner space, negative in what was left out."""
    field = grid.grey - level
    shell = ndimage.binary_dilation(hard, iterations=1)
    field = np.where(shell, field, np.minimum(field, np.float32(-1.0)))
    radius = CLOSE_MM
    outside = ndimage.distance_transform_edt(~hard, sampling=grid.spacing_mm) > radius
    closed = ndimage.distance_transform_edt(~outside, sampling=grid.spacing_mm) > radius
    filled = _fill_seen_spaces(closed, grid.spacing_mm)
    deep = ndimage.distance_transform_edt(filled, sampling=grid.spacing_mm) > radius + float(
        np.max(grid.spacing_mm)
    )
    # Air (sinus, airway, the gap under a crown) is never an inner space of bone.
    air = ndimage.binary_dilation(grid.grey < levels.air_threshold, iterations=2)
    inner = (deep | (filled & ~closed)) & ~air
    # The innermost ring of the mask itself stays as it is: its outer border is where the surface goes.
    strong = np.float32(0.25 * (levels.bone - levels.soft_tissue))
    return np.where(inner, np.maximum(field, strong), field).astype(np.float32)


def _fill_seen_spaces(closed: NDArray[np.bool_], spacing_mm: FloatArray) -> NDArray[np.bool_]:
    """Fill closed spaces in 3D, and in flat sections what a foramen, a root's gap or the scan's edge opens."""
    filled: NDArray[np.bool_] = ndimage.binary_fill_holes(closed)
    for axis in range(3):
        pixel_mm2 = float(np.prod([spacing_mm[k] for k in range(3) if k != axis]))
        flat = np.moveaxis(filled, axis, 0)
        for section in flat:
            holes = ndimage.binary_fill_holes(section) & ~section
            if not holes.any():
                continue
            pieces, _ = ndimage.label(holes)
            areas = np.bincount(pieces.ravel()) * pixel_mm2
            areas[0] = np.inf
            section |= areas[pieces] <= LARGEST_INNER_MM2
    return np.asarray(ndimage.binary_fill_holes(filled))


def _contour(grid: Grid, field: NDArray[np.float32]) -> Surface:
    if not (float(field.min()) < 0.0 < float(field.max())):
        raise PlannerError("No bone was found in this part of the scan.", "Choose a larger region or another scan.")
    index, triangles, _, _ = marching_cubes(field, 0.0, allow_degenerate=False)
    # Marching cubes turns triangles outwards for bright objects in a left-handed index frame.
    if np.linalg.det(grid.lps_from_index[:3, :3]) > 0:
        triangles = triangles[:, ::-1]
    surface = Surface(grid.to_lps(index), triangles)
    return keep_large_pieces(surface, share=0.02)


def _set_in_scan(volume: Volume, surface: Surface, levels: GreyLevels, progress: Progress) -> tuple[Surface, float]:
    """Move each corner along its normal to the border found in the full scan, smoothly."""
    points, normals = surface.points_mm, surface.point_normals
    shift = np.full(len(points), np.nan)
    rises = np.zeros(len(points))
    step = 20_000
    for start in range(0, len(points), step):
        progress(start / len(points), "Setting the surface in the scan")
        part = slice(start, start + step)
        origin = points[part] + REACH_MM * normals[part]
        profiles = profiles_along(volume, origin, -normals[part], 2 * REACH_MM + 0.5)
        profiles = ndimage.gaussian_filter1d(profiles, 0.2 / STEP_MM, axis=1, mode="nearest")
        edges = find_edges(profiles, levels)
        shift[part] = REACH_MM - edges.at_mm
        rises[part] = edges.rise
    good = np.isfinite(shift) & (np.abs(shift) < REACH_MM - 0.2)
    smooth = neighbour_mean(surface, np.where(good, shift, np.nan), rounds=3)
    moved = Surface(points + smooth[:, None] * normals, surface.triangles, surface.frame)
    rise = float(np.median(rises[good])) if good.any() else levels.bone - levels.soft_tissue
    return moved, rise
