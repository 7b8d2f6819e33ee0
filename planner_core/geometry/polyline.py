"""Curves in space as points joined by straight pieces."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray


def lengths_mm(points_mm: ArrayLike) -> FloatArray:
    """Give the length along the polyline at each of its points, shape (n,), starting at zero."""
    points = np.asarray(points_mm, dtype=np.float64)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def at_lengths(points_mm: ArrayLike, wanted_mm: ArrayLike) -> FloatArray:
    """Give the points at the wanted lengths along a polyline, shape (k, 3); clamped at the ends."""
    points = np.asarray(points_mm, dtype=np.float64)
    along = lengths_mm(points)
    wanted = np.atleast_1d(np.asarray(wanted_mm, dtype=np.float64))
    return np.stack([np.interp(wanted, along, points[:, k]) for k in range(points.shape[1])], axis=1)


def smooth_through(control_mm: ArrayLike, step_mm: float) -> FloatArray:
    """Give a smooth curve through control points, sampled about every `step_mm` along its true length.

    Natural cubic spline over the square root of the chord lengths (centripetal parameter, Lee 1989; M): it passes
    through every point and makes no loops between unevenly spaced ones.

    Parameters
    ----------
    control_mm : array of shape (n, 3), n >= 2
    step_mm : float
        Spacing of the samples, mm.

    Raises
    ------
    PlannerError
        If there are fewer than two different points.
    """
    control = np.asarray(control_mm, dtype=np.float64)
    if control.ndim != 2 or len(control) < 2:
        raise PlannerError("A curve needs at least two points.", "Click one more point.")
    chords = np.linalg.norm(np.diff(control, axis=0), axis=1)
    keep = np.concatenate([[True], chords > 1e-9])
    control, chords = control[keep], chords[chords > 1e-9]
    if len(control) < 2:
        raise PlannerError("The points of the curve lie on one spot.", "Click points further apart.")
    parameter = np.concatenate([[0.0], np.cumsum(np.sqrt(chords))])
    spline = CubicSpline(parameter, control, axis=0, bc_type="natural")
    fine = spline(np.linspace(0.0, parameter[-1], max(64, 32 * len(control))))
    along = lengths_mm(fine)
    count = max(2, int(np.ceil(along[-1] / step_mm)) + 1)
    return at_lengths(fine, np.linspace(0.0, along[-1], count))


def tangents(points_mm: ArrayLike) -> FloatArray:
    """Give unit tangents at the points of a polyline, shape (n, 3)."""
    points = np.asarray(points_mm, dtype=np.float64)
    slopes = np.gradient(points, axis=0)
    length = np.linalg.norm(slopes, axis=1, keepdims=True)
    return np.asarray(slopes / np.where(length > 0, length, 1.0))
