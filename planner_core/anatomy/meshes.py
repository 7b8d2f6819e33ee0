"""Small operations on triangle surfaces: pieces, smoothing of values over neighbours, volume."""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix
from scipy.sparse.csgraph import connected_components

from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.surface import Surface


def adjacency(surface: Surface) -> csr_matrix:
    """Give the symmetric 0/1 matrix of corners joined by an edge, shape (n, n)."""
    a, b, c = surface.triangles.T
    start = np.concatenate([a, b, c, b, c, a])
    stop = np.concatenate([b, c, a, a, b, c])
    count = len(surface.points_mm)
    matrix = coo_matrix((np.ones(len(start), np.float32), (start, stop)), shape=(count, count)).tocsr()
    matrix.data[:] = 1.0
    return matrix


def neighbour_mean(surface: Surface, values: FloatArray, rounds: int = 1) -> FloatArray:
    """Smooth a value per corner over its neighbours; nan values are filled from them, zero where none is near."""
    joined = adjacency(surface)
    known = np.isfinite(values).astype(np.float64)
    current = np.where(known > 0, values, 0.0)
    for _ in range(rounds):
        weight = joined @ known + known
        total = joined @ (current * known) + current * known
        current = np.divide(total, weight, out=np.zeros_like(total), where=weight > 0)
        known = (weight > 0).astype(np.float64)
    return np.asarray(current)


def only_triangles(surface: Surface, keep: AnyArray) -> Surface:
    """Give the surface of the kept triangles without unused corners; `keep` is a mask of shape (m,)."""
    triangles = surface.triangles[keep]
    used = np.unique(triangles)
    number = np.full(len(surface.points_mm), -1, np.int64)
    number[used] = np.arange(len(used))
    return Surface(surface.points_mm[used], number[triangles], surface.frame)


def keep_large_pieces(surface: Surface, share: float) -> Surface:
    """Leave out pieces whose area is under `share` of the largest one's."""
    count, piece = connected_components(adjacency(surface), directed=False)
    if count == 1:
        return surface
    of_triangle = piece[surface.triangles[:, 0]]
    areas = np.bincount(of_triangle, weights=surface.face_areas_mm2, minlength=count)
    return only_triangles(surface, areas[of_triangle] >= share * areas.max())


def enclosed_mm3(surface: Surface) -> float:
    """Give the volume enclosed by a closed surface (mm^3), positive with outward triangles (divergence theorem)."""
    a, b, c = (surface.points_mm[surface.triangles[:, k]] for k in range(3))
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0)
