"""A planned bone reduction: a plane whose far side is taken away, with what is lost."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from planner_core.anatomy.marked import BoneCut
from planner_core.anatomy.meshes import only_triangles
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface


def level_cut(arch: ArchCurve, crest_lps_mm: ArrayLike, reduce_mm: float) -> BoneCut:
    """Give the cut parallel to the occlusal plane that takes `reduce_mm` off at a crest point, shape (3,)."""
    if not reduce_mm > 0:
        raise PlannerError(f"A bone reduction of {reduce_mm:g} mm takes nothing away.", "Give more than 0 mm.")
    out = np.asarray(arch.up_lps) * (1.0 if arch.jaw is Jaw.LOWER else -1.0)
    return BoneCut(np.asarray(crest_lps_mm, dtype=np.float64) - reduce_mm * out, out)


def cut_surface(bone: BoneSurface, cut: BoneCut) -> BoneSurface:
    """Give the bone surface after the cut: corners over the plane are put onto it, the cut face is their fan.

    Distances to the cut face are right; the surface stays closed where it was.
    """
    surface = bone.surface
    over = cut.over_mm(surface.points_mm)
    of_triangle = over[surface.triangles]
    touched = (of_triangle > 0).any(axis=1) & (of_triangle <= 0).any(axis=1)
    gone = (of_triangle > 0).all(axis=1)
    if not touched.any():
        return bone
    # Only the cap is flattened onto the plane; its outline then moves along the wall by less than a triangle.
    points = np.where(over[:, None] > 0, surface.points_mm - over[:, None] * cut.normal_lps, surface.points_mm)
    flat = Surface(points, surface.triangles, surface.frame)
    keep = ~gone | (flat.face_areas_mm2 > 1e-9)
    # Flattened triangles that now look down belong to undercuts of what was taken away.
    keep &= ~(gone & (flat.face_normals @ cut.normal_lps < 0))
    return BoneSurface(only_triangles(flat, keep), bone.level, bone.sigma_mm)
