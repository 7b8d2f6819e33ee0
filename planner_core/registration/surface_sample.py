"""Points of a surface that a fit looks at: spread evenly, with normals, areas and the painted region."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.surface import Surface

LEAST_POINTS = 300
"""A surface with fewer usable points is refused (our choice: a single crown scanned at 0.3 mm has about a
thousand)."""

NORMAL_REACH_MM = 0.5
"""Normals are averaged over this distance, mm (our choice: the blur of a cone-beam scan; finer detail is not
seen in
it)."""


BULGE_REACH_MM = 4.0
"""Neighbourhood in which a surface's bulging is looked at, mm (our choice: about half a tooth)."""


@frozen(eq=False)
class SurfaceSample:
    """Points on a surface with unit outward normals.

    Parameters
    ----------
    points_mm, normals : array of shape (n, 3)
        In the surface's frame, mm.
    areas_mm2 : array of shape (n,)
        Area that each point stands for.
    index : int array of shape (n,)
        The surface's own points that they are.
    """

    points_mm: FloatArray = field(converter=readonly)
    normals: FloatArray = field(converter=readonly)
    areas_mm2: FloatArray = field(converter=readonly)
    index: NDArray[np.intp]

    def __len__(self) -> int:
        return len(self.points_mm)

    def thinned(self, count: int) -> SurfaceSample:
        """Give at most `count` points; they are stored so that every beginning is spread evenly."""
        if len(self) <= count:
            return self
        share = float(self.areas_mm2.sum() / max(1e-12, self.areas_mm2[:count].sum()))
        part = slice(0, count)
        return SurfaceSample(
            self.points_mm[part], self.normals[part], self.areas_mm2[part] * share, self.index[part]
        )


def smoothed_normals(surface: Surface, reach_mm: float = NORMAL_REACH_MM) -> FloatArray:
    """Give unit normals at the points averaged over the one-ring until about `reach_mm` is covered."""
    normals = np.array(surface.point_normals)
    if len(surface.triangles) == 0:
        return normals
    edges = np.vstack([surface.triangles[:, [0, 1]], surface.triangles[:, [1, 2]], surface.triangles[:, [2, 0]]])
    length = float(np.median(np.linalg.norm(np.diff(surface.points_mm[edges], axis=1)[:, 0], axis=1)))
    rounds = int(np.clip(round((reach_mm / max(length, 1e-6)) ** 2), 0, 6))
    for _ in range(rounds):
        total = normals.copy()
        for k in range(3):
            total[:, k] += np.bincount(edges[:, 0], normals[edges[:, 1], k], len(normals))
            total[:, k] += np.bincount(edges[:, 1], normals[edges[:, 0], k], len(normals))
        size = np.linalg.norm(total, axis=1, keepdims=True)
        normals = np.divide(total, size, out=np.zeros_like(total), where=size > 1e-12)
    return normals


def sample_surface(
    surface: Surface, region: AnyArray | None = None, count: int = 50_000, seed: int = 0
) -> SurfaceSample:
    """Pick points of a surface for a fit.

    Parameters
    ----------
    region : bool array of shape (number of points,), optional
        True where the surface may be used (painted in); everything when not given.
    count : int
        Most points to pick.

    Raises
    ------
    PlannerError
        If too few points are left, or the region does not fit the surface.
    """
    normals = smoothed_normals(surface)
    usable = np.linalg.norm(normals, axis=1) > 0.5
    if region is not None:
        mask = np.asarray(region, dtype=bool)
        if mask.shape != (len(surface.points_mm),):
            raise PlannerError("The painted region does not fit this surface.", "Paint it anew.")
        usable &= mask
    index = np.flatnonzero(usable)
    if len(index) < LEAST_POINTS:
        raise PlannerError(
            f"Only {len(index)} points of the surface can be used for a match.",
            "Paint a larger region or choose a scan with a finer surface.",
        )
    areas = np.zeros(len(surface.points_mm))
    for k in range(3):
        areas += np.bincount(surface.triangles[:, k], surface.face_areas_mm2 / 3.0, len(areas))
    if looks_inside_out(surface, normals):
        normals = -normals
    index = np.random.default_rng(seed).permutation(index)[:count]
    points = surface.points_mm[index]
    share = float(areas[usable].sum() / max(1e-12, areas[index].sum()))
    return SurfaceSample(points, normals[index], areas[index] * share, index)


def looks_inside_out(surface: Surface, normals: FloatArray | None = None) -> bool:
    """Tell whether the triangles of a scan of teeth or mucosa face inwards (some files are written so).

    Teeth and ridges bulge outwards: a point lies, on the whole, on the outer side of the middle of its
    neighbours.
    """
    directions = surface.point_normals if normals is None else normals
    points = surface.points_mm
    some = np.random.default_rng(0).permutation(len(points))[:4000]
    tree = cKDTree(points[some])
    total = 0.0
    for k, near in zip(some[:1500], tree.query_ball_point(points[some[:1500]], BULGE_REACH_MM), strict=True):
        total += float(directions[k] @ (points[k] - points[some[near]].mean(axis=0)))
    return total < 0.0


def even_share(points_mm: AnyArray, step_mm: float) -> NDArray[np.intp]:
    """Give indices of points no two of which share a cube of `step_mm`: an even, thin cover."""
    cells = np.floor(np.asarray(points_mm) / step_mm).astype(np.int64)
    _, first = np.unique(cells, axis=0, return_index=True)
    return np.sort(first)


def nearest_distance_mm(points_mm: AnyArray, others_mm: AnyArray) -> FloatArray:
    """Give the distance (mm) of each point from the nearest of the others."""
    distance, _ = cKDTree(np.asarray(others_mm)).query(np.asarray(points_mm))
    return np.asarray(distance)
