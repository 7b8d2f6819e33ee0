"""The bone after teeth were taken out in the plan: their sockets are left in its surface."""

from __future__ import annotations

from collections.abc import Iterable

import manifold3d
import numpy as np
from scipy.spatial import cKDTree

from planner_core.anatomy.marked import MarkedTooth
from planner_core.anatomy.meshes import keep_large_pieces, only_triangles
from planner_core.anatomy.structures import BoneSurface
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface

SOCKET_GAP_MM = 0.2
"""The socket is wider than the root by the gap of its ligament, mm (0.15 to 0.4 mm; M)."""

CROWN_RIM_MM = 0.6
"""About the crown more is taken away, mm: bone and tooth are drawn apart, and no shell of the crown may stay (our
choice: two voxels)."""

CRUMB_SHARE = 0.02
"""Pieces of less area than this share of the largest are crumbs of the crown (our choice)."""


def bone_without(bone: BoneSurface, teeth: Iterable[MarkedTooth]) -> BoneSurface:
    """Give the bone surface with the sockets that these teeth leave.

    A solid difference where both are closed; else the walls of the socket are put in the place of what lies in the
    tooth, with an open seam.
    """
    surface = bone.surface
    for tooth in teeth:
        tool = _widened(tooth)
        cut = _difference(surface, tool)
        surface = _stitched(surface, tool) if cut is None else cut
    if surface is bone.surface:
        return bone
    return BoneSurface(keep_large_pieces(surface, CRUMB_SHARE), bone.level, bone.sigma_mm)


def _widened(tooth: MarkedTooth) -> Surface:
    """Give the tooth's surface moved outwards by the ligament's gap, and by more about its crown."""
    surface = tooth.surface
    below = (surface.points_mm - tooth.neck_lps_mm) @ tooth.axis_lps
    # The step from crown to root is a slope of 2 mm, so that the surface does not fold.
    by = np.interp(below, [-1.0, 1.0], [CROWN_RIM_MM, SOCKET_GAP_MM])
    return Surface(surface.points_mm + by[:, None] * surface.point_normals, surface.triangles, surface.frame)


def _solid(surface: Surface) -> manifold3d.Manifold | None:
    mesh = manifold3d.Mesh64(
        np.array(surface.points_mm, order="C"), np.array(surface.triangles, dtype=np.uint64, order="C")
    )
    mesh.merge()
    solid = manifold3d.Manifold(mesh)
    return solid if solid.status() == manifold3d.Error.NoError and not solid.is_empty() else None


def _difference(surface: Surface, tool: Surface) -> Surface | None:
    """Give what is left of a closed surface without a closed tool; None where one of them is not closed."""
    body, taken = _solid(surface), _solid(tool)
    if body is None or taken is None:
        return None
    left = (body - taken).to_mesh64()
    return Surface(np.asarray(left.vert_properties)[:, :3], np.asarray(left.tri_verts, np.int32), surface.frame)


def _stitched(surface: Surface, tool: Surface) -> Surface:
    """Drop the triangles within the tool and add the tool's wall within the surface, turned over."""
    outside = ~_inside(tool, surface.points_mm)
    kept = only_triangles(surface, np.asarray(outside[surface.triangles].all(axis=1)))
    within = _inside(surface, tool.points_mm)
    wall = only_triangles(tool, np.asarray(within[tool.triangles].all(axis=1)))
    count = len(kept.points_mm)
    return Surface(
        np.vstack([kept.points_mm, wall.points_mm]),
        np.vstack([kept.triangles, wall.triangles[:, ::-1] + count]).astype(np.int32),
        surface.frame,
    )


def _inside(surface: Surface, points: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.bool_]]:
    """Tell which points lie behind the nearest part of a surface (its own points stand for it)."""
    _, near = cKDTree(surface.points_mm).query(points)
    offset = points - surface.points_mm[near]
    return np.asarray(np.einsum("ij,ij->i", offset, surface.point_normals[near]) < 0.0)
