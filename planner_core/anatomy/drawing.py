"""Structures drawn by hand: a wall from outlines, a tube through clicks, the hollow of a jaw."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy import ndimage
from skimage.draw import polygon2mask
from skimage.measure import marching_cubes

from planner_core.anatomy.canal import canal_from_clicks, click_sigma_mm
from planner_core.anatomy.marked import DrawnKind, DrawnStructure
from planner_core.anatomy.meshes import enclosed_mm3
from planner_core.anatomy.outline import Outline
from planner_core.anatomy.ridge_table import RidgeTable
from planner_core.anatomy.structures import Canal, Side
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, perpendicular, unit
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume

GRID_MM = 0.4
"""Grid of the wall between outlines, mm (our choice: about a voxel; coarser for what is large)."""

GRID_MOST = 160
"""Points of that grid along each axis at most (our choice: a second of work)."""

APART_LEAST_MM = 0.3
"""Two outlines must lie this far apart to enclose something, mm (our choice: a voxel)."""

HOLLOW_LEAST_MM = 1.0
"""A hollow of the tongue side is taken over from this depth on, mm (our choice: three voxels of a usual scan)."""

HOLLOW_UP_MM, HOLLOW_DOWN_MM = 4.0, 6.0
"""How far over and under its deepest place the wall of a hollow reaches, mm (our choice)."""

BORDER_MM = 0.3
"""The wall of a hollow ends this far inside the outline's lowest and highest place, mm (our choice: a voxel)."""


def newell_normal(outline: FloatArray) -> FloatArray:
    """Give the unit normal of a closed outline of shape (n, 3) (Newell's sum; M)."""
    ahead = np.roll(outline, -1, axis=0)
    return unit(np.cross(outline - outline[0], ahead - outline[0]).sum(axis=0))


def wall_from_outlines(outlines_lps_mm: Sequence[ArrayLike]) -> Surface:
    """Give the closed wall through outlines drawn in two or more sections, nearly parallel to each other.

    Signed distances to the outlines are interpolated from section to section (shape-based interpolation; Raya and
    Udupa 1990, IEEE Trans Med Imaging 9:32; M); beyond the outermost ones it closes within half a section's gap.

    Raises
    ------
    PlannerError
        If there are fewer than two outlines, or they lie in one plane.
    """
    outlines = [np.asarray(outline, dtype=np.float64).reshape(-1, 3) for outline in outlines_lps_mm]
    if len(outlines) < 2 or min(len(outline) for outline in outlines) < 3:
        raise PlannerError(
            "A wall needs outlines of three points or more in two sections at least.", "Draw another outline."
        )
    normals = np.array([newell_normal(outline) for outline in outlines])
    normals *= np.where(normals @ normals[0] < 0, -1.0, 1.0)[:, None]
    normal = unit(normals.mean(axis=0))
    right = perpendicular(normal)
    axes = np.stack([normal, right, np.cross(normal, right)])
    flat = [outline @ axes.T for outline in outlines]
    flat.sort(key=lambda outline: float(outline[:, 0].mean()))
    levels = np.array([float(outline[:, 0].mean()) for outline in flat])
    gaps = np.diff(levels)
    if gaps.min() < APART_LEAST_MM:
        raise PlannerError("Two outlines lie in the same section.", "Go some sections on before the next outline.")
    return _between(flat, levels, float(gaps.mean()) / 2.0, axes)


def _between(flat: list[FloatArray], levels: FloatArray, cap_mm: float, axes: FloatArray) -> Surface:
    points = np.vstack(flat)
    low, high = points.min(axis=0), points.max(axis=0)
    step = max(GRID_MM, float((high - low).max()) / GRID_MOST)
    low, high = low - 3 * step, high + 3 * step
    low[0], high[0] = levels[0] - cap_mm - step, levels[-1] + cap_mm + step
    count = np.ceil((high - low) / step).astype(int) + 1
    signed = np.stack([_signed(outline, low, step, count[1:]) for outline in flat])
    height = low[0] + step * np.arange(count[0])
    inside = np.clip(height, levels[0], levels[-1])
    upper = np.clip(np.searchsorted(levels, inside), 1, len(levels) - 1)
    share = (inside - levels[upper - 1]) / (levels[upper] - levels[upper - 1])
    field = signed[upper - 1] * (1.0 - share)[:, None, None] + signed[upper] * share[:, None, None]
    # Beyond the outermost outlines the wall closes at the cap, whatever the size of what was drawn.
    beyond = np.abs(height - inside) / cap_mm
    most = float(field.max())
    field = field - (most * beyond**2)[:, None, None]
    index, triangles, _, _ = marching_cubes(np.pad(field, 1, constant_values=-most), 0.0, allow_degenerate=False)
    surface = Surface((low + step * (index - 1.0)) @ axes, triangles)
    if enclosed_mm3(surface) < 0:
        surface = Surface(surface.points_mm, surface.triangles[:, ::-1])
    return surface


def _signed(outline: FloatArray, low: FloatArray, step: float, shape: FloatArray) -> FloatArray:
    """Give the distance to an outline on the grid, positive inside (mm)."""
    rows, columns = (int(n) for n in shape)
    mask = polygon2mask((rows, columns), (outline[:, 1:] - low[1:]) / step)
    inside, outside = (ndimage.distance_transform_edt(part) for part in (mask, ~mask))
    return np.asarray(step * np.where(mask, inside - 0.5, 0.5 - outside))


def structure_from_outlines(
    name: str, kind: DrawnKind, outlines_lps_mm: Sequence[ArrayLike], volume: Volume, note: str = ""
) -> DrawnStructure:
    """Give a structure with the wall through its outlines; it is as well known as points set by hand are."""
    outlines = tuple(np.asarray(outline, dtype=np.float64) for outline in outlines_lps_mm)
    return DrawnStructure(
        name,
        kind,
        surface=wall_from_outlines(outlines),
        wall_sigma_mm=click_sigma_mm(volume),
        outlines_lps_mm=outlines,
        note=note,
    )


def tube_from_clicks(
    name: str, kind: DrawnKind, clicks_lps_mm: ArrayLike, volume: Volume, diameter_mm: float
) -> DrawnStructure:
    """Give a tube through clicks: a vessel, a canal that is joined up by hand, a fixture from platform to apex."""
    clicks = np.asarray(clicks_lps_mm, dtype=np.float64).reshape(-1, 3)
    if kind is DrawnKind.EXISTING_FIXTURE:
        ends = clicks[[0, -1]]
        sigma = np.full(2, click_sigma_mm(volume))
        return DrawnStructure(
            name, kind, ends, np.full(2, diameter_mm), sigma, np.ones(2, bool), control_lps_mm=clicks
        )
    return tube_of_canal(name, kind, canal_from_clicks(Side.LEFT, clicks, volume, diameter_mm))


def tube_of_canal(name: str, kind: DrawnKind, canal: Canal) -> DrawnStructure:
    """Give a course that was followed like a canal as a drawn structure."""
    return DrawnStructure(
        name,
        kind,
        canal.path_lps_mm,
        canal.diameter_mm,
        canal.sigma_mm,
        canal.certain,
        control_lps_mm=canal.control_lps_mm,
    )


def hollow_wall(table: RidgeTable, side: Side, least_mm: float = HOLLOW_LEAST_MM) -> Surface:
    """Give the wall of the hollow on the tongue side of a lower jaw, where it was measured as deep as this.

    Raises
    ------
    PlannerError
        If it is nowhere that deep on this side.
    """
    sign = 1.0 if side is Side.LEFT else -1.0
    rows = [
        row
        for row in table.rows
        if row.station_mm * sign > 0 and row.concavity_mm is not None and row.concavity_mm >= least_mm
    ]
    spacing = float(np.median(np.diff(table.stations_mm))) if len(table.rows) > 1 else 1.0
    heights = np.linspace(HOLLOW_UP_MM, -HOLLOW_DOWN_MM, 11)
    runs: list[list[FloatArray]] = []
    last = float("nan")
    for row in rows:
        assert row.outline is not None
        assert row.concavity_lps_mm is not None
        if not row.station_mm - last < 1.5 * spacing:
            runs.append([])
        runs[-1].append(_tongue_side(row.outline, row.concavity_lps_mm, heights))
        last = row.station_mm
    # A lone station is no hollow; the median over three takes single slips of the outline away.
    sheets = [ndimage.median_filter(np.array(run), (3, 1, 1), mode="nearest") for run in runs if len(run) >= 3]
    if not sheets:
        raise PlannerError(
            f"On the {side.value} no hollow of {least_mm:g} mm or more was measured on the tongue side.",
            "Look at the cross-sections and outline it by hand if there is one.",
        )
    return _joined([_sheet_surface(sheet) for sheet in sheets])


def _sheet_surface(sheet: FloatArray) -> Surface:
    """Give the triangles between the rows of points of shape (stations, heights, 3)."""
    rows, columns = sheet.shape[:2]
    corner = (np.arange(rows - 1)[:, None] * columns + np.arange(columns - 1)).ravel()
    triangles = np.concatenate(
        [
            np.stack([corner, corner + 1, corner + columns], axis=1),
            np.stack([corner + 1, corner + columns + 1, corner + columns], axis=1),
        ]
    )
    return Surface(sheet.reshape(-1, 3), triangles.astype(np.int32))


def _joined(surfaces: list[Surface]) -> Surface:
    starts = np.cumsum([0, *(len(surface.points_mm) for surface in surfaces[:-1])])
    triangles = [surface.triangles + start for surface, start in zip(surfaces, starts, strict=True)]
    points = np.vstack([surface.points_mm for surface in surfaces])
    return Surface(points, np.vstack(triangles).astype(np.int32))


def _tongue_side(outline: Outline, hollow_lps_mm: FloatArray, heights: FloatArray) -> FloatArray:
    """Give the tongue-side border of a cross-section at heights over the hollow, shape (n, 3)."""
    centre = outline.to_plane(hollow_lps_mm)
    start, stop = outline.points_mm, np.roll(outline.points_mm, -1, axis=0)
    found = []
    lowest, highest = float(start[:, 1].min()) + BORDER_MM, float(start[:, 1].max()) - BORDER_MM
    for height in np.clip(heights + float(centre[1]), lowest, highest):
        crossing = (start[:, 1] - height) * (stop[:, 1] - height) <= 0
        rise = stop[crossing, 1] - start[crossing, 1]
        share = np.divide(height - start[crossing, 1], rise, out=np.zeros_like(rise), where=np.abs(rise) > 1e-9)
        at = start[crossing, 0] + share * (stop[crossing, 0] - start[crossing, 0])
        found.append([float(at.min()) if len(at) else float(centre[0]), height])
    return outline.to_lps(np.array(found))
