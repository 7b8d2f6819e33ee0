"""Spheres through points: robust, with the covariance of the centre."""

from __future__ import annotations

from functools import cache

import numpy as np
from attrs import field, frozen

from planner_core.geometry.frames import AnyArray, FloatArray, readonly


@frozen(eq=False)
class SphereFit:
    """A sphere fitted to points.

    Parameters
    ----------
    centre_mm : array of shape (3,)
    radius_mm : float
    rms_mm : float
        Weighted root mean square distance of the points from the sphere.
    covariance_mm2 : array of shape (3, 3)
        Of the centre, were every point independent with the error `rms_mm`.
    weight : array of shape (n,)
        How much each point counted, 0..1.
    """

    centre_mm: FloatArray = field(converter=readonly)
    radius_mm: float
    rms_mm: float
    covariance_mm2: FloatArray = field(converter=readonly)
    weight: FloatArray = field(converter=readonly)


def fit_sphere(
    points_mm: AnyArray,
    start_mm: AnyArray,
    radius_mm: float,
    base_weight: AnyArray | None = None,
    reject_mm: float = 0.4,
    radius_prior_mm: float | None = None,
) -> SphereFit | None:
    """Fit a sphere by Gauss-Newton with Tukey's weights; None where the points hold none.

    Parameters
    ----------
    points_mm : array of shape (n, 3)
    start_mm : array of shape (3,)
    radius_mm : float
        Start of the radius.
    base_weight : array of shape (n,), optional
        For example areas.
    reject_mm : float
        Points further from the sphere than this count nothing.
    radius_prior_mm : float, optional
        Standard deviation of a prior on the radius about its start.
    """
    points = np.asarray(points_mm, dtype=np.float64)
    base = np.ones(len(points)) if base_weight is None else np.asarray(base_weight, dtype=np.float64)
    centre, radius, start_radius = np.array(start_mm, dtype=np.float64), radius_mm, radius_mm
    weight = base
    matrix, rms = np.eye(4), 0.0
    for _ in range(12):
        away = points - centre
        distance = np.linalg.norm(away, axis=1)
        ok = distance > 1e-6
        left = np.where(ok, distance - radius, 1e9)
        robust = (1.0 - np.minimum(np.abs(left) / reject_mm, 1.0) ** 2) ** 2
        weight = base * robust
        total = float(weight.sum())
        if int((robust > 0.05).sum()) < 12 or total <= 0:
            return None
        rows = np.hstack([away / np.maximum(distance, 1e-6)[:, None], np.ones((len(points), 1))])
        matrix = (rows * weight[:, None]).T @ rows
        right = rows.T @ (weight * left)
        rms = float(np.sqrt((weight * np.minimum(left**2, reject_mm**2)).sum() / total))
        if radius_prior_mm is not None:
            pull = max(rms, 0.02) ** 2 / radius_prior_mm**2 * total / len(points)
            matrix[3, 3] += pull
            right[3] += pull * (start_radius - radius)
        matrix += 1e-9 * total * np.eye(4)
        step = np.linalg.solve(matrix, right)
        centre, radius = centre + step[:3], radius + float(step[3])
        if not 0.1 < radius < 10.0 or not np.isfinite(centre).all():
            return None
        if float(np.abs(step).max()) < 1e-5:
            break
    mean_weight = float(weight.sum()) / max(1, int((weight > 0).sum()))
    covariance = np.linalg.inv(matrix)[:3, :3] * mean_weight * rms**2
    return SphereFit(centre, radius, rms, (covariance + covariance.T) / 2.0, weight)


@cache
def directions(count: int = 162) -> FloatArray:
    """Give unit vectors spread evenly over the sphere (golden-angle spiral), shape (count, 3)."""
    index = np.arange(count) + 0.5
    height = 1.0 - 2.0 * index / count
    turn = np.pi * (1.0 + np.sqrt(5.0)) * index
    ring = np.sqrt(1.0 - height**2)
    return readonly(np.column_stack([ring * np.cos(turn), ring * np.sin(turn), height]))
