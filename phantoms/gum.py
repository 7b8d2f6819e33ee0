"""Bone and gingiva of a jaw as signed distances in straightened coordinates and in the jaw frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from phantoms import paint
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
    points = np.atleast_2d(np.asarray(points_mm, dtype=np.float64))
    curve, stations = jaw.curve.points_mm, jaw.curve.stations_mm
    start, step = curve[:-1], np.diff(curve, axis=0)
    relative = points[:, None, :2] - start[None]
    share = np.clip(np.sum(relative * step, axis=2) / np.sum(step * step, axis=1), 0.0, 1.0)
    away = relative - share[..., None] * step
    nearest = np.argmin(np.sum(away**2, axis=2), axis=1)
    rows = np.arange(len(points))
    u, e, d = share[rows, nearest], away[rows, nearest], step[nearest]
    offset = np.sign(e[:, 0] * d[:, 1] - e[:, 1] * d[:, 0]) * np.linalg.norm(e, axis=1)
    station = stations[nearest] + u * np.diff(stations)[nearest]
    return np.stack([station, offset, points[:, 2]], axis=1)


def bone_distance(jaw: Jaw, points_mm: ArrayLike) -> FloatArray:
    """Give the bone's signed distance (mm) at points (n, 3) of the jaw frame."""
    box = bone_box(jaw)
    places = straightened(jaw, points_mm)
    return np.array([paint.read_bone(jaw.bone, s, t, z, box) for s, t, z in places])
