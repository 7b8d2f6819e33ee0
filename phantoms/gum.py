"""Bone and gingiva of a jaw as signed distances in straightened coordinates and in the jaw frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from phantoms import measure, paint
from phantoms.jaw import GUM, GUM_TOP, Jaw
from phantoms.scene import bone_box
from phantoms.teeth import smooth_max
from planner_core.geometry.frames import FloatArray


def bone_distance_at(jaw: Jaw, station_mm: float, offset_mm: float, height_mm: float) -> float:
    """Give the signed distance (mm, negative inside) to the bone's outer surface."""
    return float(paint.read_bone(jaw.bone, station_mm, offset_mm, height_mm, bone_box(jaw)))


def gum_distance(jaw: Jaw, station_mm: float, offset_mm: float, height_mm: float) -> float:
    """Give the signed distance (mm, negative inside) to the gingiva's surface."""
    thickness = np.interp(station_mm, jaw.curve.stations_mm, jaw.table[:, GUM])
    top = np.interp(station_mm, jaw.curve.stations_mm, jaw.table[:, GUM_TOP])
    bone = bone_distance_at(jaw, station_mm, offset_mm, height_mm)
    return float(smooth_max(bone - thickness, height_mm - top, 0.8))


def straightened(jaw: Jaw, points_mm: ArrayLike) -> FloatArray:
    """Take points (n, 3) of the jaw frame to (station, offset, height)."""
    points = np.ascontiguousarray(np.atleast_2d(np.asarray(points_mm, dtype=np.float64)))
    curve, stations = np.ascontiguousarray(jaw.curve.points_mm), np.ascontiguousarray(jaw.curve.stations_mm)
    return np.column_stack([measure.nearest_on_curve(points, curve, stations), points[:, 2]])


def bone_distance(jaw: Jaw, points_mm: ArrayLike) -> FloatArray:
    """Give the bone's signed distance (mm) at points (n, 3) of the jaw frame."""
    return np.asarray(measure.bone_points(jaw.bone, straightened(jaw, points_mm), bone_box(jaw)))
