"""Smaller copies of a surface for drawing and matching, with the deviation that they have."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.imaging.scan import ImportedSurface
from planner_core.progress import Progress, silent

MOST_ROUNDS = 12
"""Cell sizes tried until the wanted number of triangles is met (our choice: each halves the interval)."""

CLOSE_ENOUGH = 0.85
"""A result with at least this share of the wanted triangles is taken (our choice)."""

NEIGHBOURS = 12
"""Triangles looked at for the distance of one point (our choice; fewer can only overstate the distance)."""

FLAT_SINGULAR = 1e-3
"""Directions in which the planes of a cell say less than this share of the best one are left at the mean (Lindstrom
2000 uses the same value; M)."""


@frozen(eq=False)
class Decimated:
    """A smaller surface, and how far the original's points lie from it (mm, never understated)."""

    surface: Surface
    deviation_max_mm: float
    deviation_p95_mm: float


def decimate(surface: Surface, most_triangles: int, progress: Progress = silent) -> Decimated:
    """Reduce a surface by clustering its points, each cluster's point where its planes meet best.

    Quadric clustering (Lindstrom, SIGGRAPH 2000; M): quick and robust; it may join sheets
    closer than a cell.

    Parameters
    ----------
    surface : Surface
    most_triangles : int
        Upper bound of the result.

    Raises
    ------
    PlannerError
        If fewer than four triangles are asked for.
    """
    if most_triangles < 4:
        raise PlannerError(f"A surface of {most_triangles} triangles is no surface.", "Ask for more triangles.")
    if len(surface.triangles) <= most_triangles:
        return Decimated(surface, 0.0, 0.0)
    area = float(surface.face_areas_mm2.sum())
    low, high = 0.0, 4.0 * float(np.sqrt(area / most_triangles)) + 1e-9
    best: Surface | None = None
    cell = float(np.sqrt(2.2 * area / most_triangles))
    for turn in range(MOST_ROUNDS):
        progress(0.8 * turn / MOST_ROUNDS, "Reducing the surface")
        tried = _clustered(surface, cell)
        if len(tried.triangles) > most_triangles:
            low = cell
            high = max(high, 2.0 * cell)
        else:
            high = cell
            if best is None or len(tried.triangles) > len(best.triangles):
                best = tried
            if len(tried.triangles) >= CLOSE_ENOUGH * most_triangles:
                break
        cell = 0.5 * (low + high)
    if best is None or len(best.triangles) == 0:
        raise PlannerError("The surface cannot be reduced that far.", "Ask for more triangles.")
    progress(0.85, "Measuring the deviation")
    away = distances_mm(surface.points_mm, best)
    progress(1.0, "Surface reduced")
    return Decimated(best, float(away.max()), float(np.quantile(away, 0.95)))


def taken_smaller(read: ImportedSurface, smaller: Decimated) -> ImportedSurface:
    """Give an imported surface in its reduced form; how far it deviates becomes a finding, which stays."""
    text = (
        f"The surface was reduced from {len(read.surface.triangles)} to {len(smaller.surface.triangles)} "
        f"triangles; it lies within {smaller.deviation_p95_mm:.3f} mm of the file's for 95 % of the points, within "
        f"{smaller.deviation_max_mm:.3f} mm for all."
    )
    finding = Finding(Severity.NOTE, "surface-reduced", text)
    return ImportedSurface(smaller.surface, read.unit, (*read.findings, finding))


def _clustered(surface: Surface, cell_mm: float) -> Surface:
    """Join all points of a cell into one and keep the triangles that still have three corners."""
    points = surface.points_mm
    index = np.floor((points - points.min(axis=0)) / cell_mm).astype(np.int64)
    size = index.max(axis=0) + 1
    keys = (index[:, 0] * size[1] + index[:, 1]) * size[2] + index[:, 2]
    cluster = np.unique(keys, return_inverse=True)[1].reshape(-1)
    triangles = cluster[surface.triangles]
    kept = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 2] != triangles[:, 0])
    )
    triangles = triangles[kept]
    canonical = np.sort(triangles, axis=1)
    first = np.unique(canonical, axis=0, return_index=True)[1]
    places = _best_points(surface, cluster, int(cluster.max()) + 1, cell_mm)
    triangles = triangles[np.sort(first)]
    used = np.zeros(len(places), dtype=bool)
    used[triangles] = True
    return Surface(places[used], (np.cumsum(used) - 1)[triangles].astype(np.int32), surface.frame)


def _best_points(surface: Surface, cluster: NDArray[np.int64], count: int, cell_mm: float) -> FloatArray:
    """For each cluster the point nearest to the planes of its triangles, held near the mean of its points."""
    members = np.bincount(cluster, minlength=count)
    mean = np.stack(
        [np.bincount(cluster, surface.points_mm[:, k], minlength=count) / members for k in range(3)], axis=1
    )
    normals = surface.face_normals * surface.face_areas_mm2[:, np.newaxis]
    corner = surface.points_mm[surface.triangles[:, 0]]
    matrix = np.zeros((count, 3, 3))
    vector = np.zeros((count, 3))
    for k in range(3):
        owner = cluster[surface.triangles[:, k]]
        away = np.einsum("ij,ij->i", normals, corner - mean[owner])
        for i in range(3):
            vector[:, i] += np.bincount(owner, normals[:, i] * away, minlength=count)
            for j in range(3):
                matrix[:, i, j] += np.bincount(owner, normals[:, i] * normals[:, j], minlength=count)
    values, axes = np.linalg.eigh(matrix)
    strong = values > FLAT_SINGULAR * values[:, -1:]
    inverse = np.where(strong, 1.0 / np.where(strong, values, 1.0), 0.0)
    shift = np.einsum("nij,nj,nkj,nk->ni", axes, inverse, axes, vector)
    length = np.linalg.norm(shift, axis=1, keepdims=True)
    limit = cell_mm
    return np.asarray(mean + shift * np.minimum(1.0, limit / np.maximum(length, 1e-12)))


def distances_mm(points_mm: FloatArray, surface: Surface) -> FloatArray:
    """Give distances of points, shape (n, 3), to a surface; exact for the triangles looked at, never too small."""
    corners = surface.points_mm[surface.triangles]
    tree = cKDTree(corners.mean(axis=1))
    nearest = tree.query(points_mm, k=min(NEIGHBOURS, len(corners)), workers=1)[1].reshape(len(points_mm), -1)
    best = np.full(len(points_mm), np.inf)
    for column in range(nearest.shape[1]):
        np.minimum(best, _to_triangle(points_mm, corners[nearest[:, column]]), out=best)
    return best


def _to_triangle(points: FloatArray, corners: FloatArray) -> FloatArray:
    """Distance of each point to its own triangle: to the plane inside, to the edges outside."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    normal = np.cross(b - a, c - a)
    squared = np.einsum("ij,ij->i", normal, normal)
    inside = squared > 1e-18
    away = np.full(len(points), np.inf)
    for start, stop in ((a, b), (b, c), (c, a)):
        along = stop - start
        length = np.maximum(np.einsum("ij,ij->i", along, along), 1e-18)
        share = np.clip(np.einsum("ij,ij->i", points - start, along) / length, 0.0, 1.0)
        away = np.minimum(away, np.linalg.norm(points - start - share[:, np.newaxis] * along, axis=1))
        inside &= np.einsum("ij,ij->i", np.cross(along, points - start), normal) >= 0.0
    height = np.abs(np.einsum("ij,ij->i", points - a, normal)) / np.sqrt(np.maximum(squared, 1e-18))
    return np.where(inside, height, away)
