"""Least-squares and maximum-likelihood rigid fits between paired points."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance, cross_matrix
from planner_core.geometry.frames import LPS, AnyArray, FloatArray, RigidTransform, rotation_about
from planner_core.registration.point_error import as_points, point_information, point_jacobians

STEP_DONE = 1e-10
"""A Gauss-Newton step shorter than this (rad, mm) ends the iteration (float noise; our choice)."""


def _paired(source: ArrayLike, target: ArrayLike) -> tuple[FloatArray, FloatArray]:
    a, b = np.asarray(source, dtype=np.float64), np.asarray(target, dtype=np.float64)
    if a.shape != b.shape or a.ndim != 2 or not (np.isfinite(a).all() and np.isfinite(b).all()):
        raise PlannerError(
            f"Points come in pairs: {a.shape} numbers on one side do not fit {b.shape} on the other.",
            "Give as many finite points on both sides.",
        )
    return a, b


def umeyama(
    source: ArrayLike, target: ArrayLike, with_scale: bool = True, weights: ArrayLike | None = None
) -> tuple[FloatArray, FloatArray, float, float]:
    """Give the least-squares rotation, translation and scale between paired points; never a mirror image.

    Umeyama 1991, IEEE PAMI 13:376-380 (S); with ``with_scale=False`` the Arun/Kabsch fit with its proper
    rotation.

    Parameters
    ----------
    source, target : array of shape (n, d)
        Paired points, any dimension d.
    weights : array of shape (n,), optional

    Returns
    -------
    rotation : array of shape (d, d), determinant +1
    translation : array of shape (d,)
    scale : float
    mean_square : float
        Weighted mean square of ``target - (scale rotation source + translation)``.
    """
    a, b = _paired(source, target)
    w = np.ones(len(a)) if weights is None else np.asarray(weights, dtype=np.float64)
    if w.shape != (len(a),) or (w < 0).any() or not w.sum() > 0:
        raise PlannerError("Weights of points must be positive, one per pair.", "Check the weights given.")
    w = w / w.sum()
    mean_a, mean_b = w @ a, w @ b
    centred_a, centred_b = a - mean_a, b - mean_b
    u, d, vt = np.linalg.svd((centred_b * w[:, None]).T @ centred_a)
    signs = np.ones(a.shape[1])
    signs[-1] = np.sign(np.linalg.det(u) * np.linalg.det(vt)) or 1.0
    rotation = u @ np.diag(signs) @ vt
    variance = float(w @ (centred_a**2).sum(axis=1))
    scale = float(d @ signs) / variance if with_scale and variance > 0 else 1.0
    translation = mean_b - scale * rotation @ mean_a
    left = b - (scale * a @ rotation.T + translation)
    return rotation, translation, scale, float(w @ (left**2).sum(axis=1))


def rigid_from_points(
    source_mm: ArrayLike,
    target_mm: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    source: str = "surface",
    target: str = LPS,
) -> RigidTransform:
    """Give the weighted least-squares rigid transform from `source_mm` to `target_mm`; always a proper rotation.

    Parameters
    ----------
    source_mm, target_mm : array of shape (n, 3), n >= 3
    weights : array of shape (n,), optional
        One over the squared localisation error of each pair; equal when not given.
    source, target : str
        Names of the frames.
    """
    a, b = as_points(source_mm), as_points(target_mm)
    if len(a) < 3:
        raise PlannerError("A rigid fit needs at least three pairs of points.", "Add another pair.")
    rotation, translation, _, _ = umeyama(a, b, with_scale=False, weights=weights)
    return RigidTransform.from_parts(rotation, translation, source, target)


def rotation_from_vector(rotation_rad: ArrayLike) -> FloatArray:
    """Give the 3x3 rotation of a rotation vector (axis times angle, rad)."""
    vector = np.asarray(rotation_rad, dtype=np.float64)
    angle = float(np.linalg.norm(vector))
    return np.eye(3) + cross_matrix(vector) if angle < 1e-9 else rotation_about(vector, angle)


def moved_by(transform: RigidTransform, six_vector: AnyArray, about_mm: AnyArray) -> RigidTransform:
    """Give `transform` followed by a small displacement (six-vector about a point of the target frame)."""
    turn = rotation_from_vector(six_vector[:3])
    rotation = turn @ transform.rotation
    u, _, vt = np.linalg.svd(rotation)
    shift = turn @ (transform.translation_mm - about_mm) + about_mm + six_vector[3:]
    return RigidTransform.from_parts(u @ vt, shift, transform.source, transform.target)


def likeliest_rigid(
    source_mm: ArrayLike,
    target_mm: ArrayLike,
    covariances_mm2: AnyArray,
    *,
    source: str = "surface",
    target: str = LPS,
    iterations: int = 50,
) -> tuple[RigidTransform, PoseCovariance]:
    """Give the maximum-likelihood rigid transform for unequal, anisotropic errors, with its covariance.

    Gauss-Newton on the pose from the weighted closed form; for isotropic errors it stays there.

    Parameters
    ----------
    covariances_mm2 : array of shape (n, 3, 3)
        Covariance of each pair's error (both ends together), in axes of the target frame.
    """
    a, b = as_points(source_mm), as_points(target_mm)
    covariances = np.asarray(covariances_mm2, dtype=np.float64)
    weights = 3.0 / np.trace(covariances, axis1=1, axis2=2)
    pose = rigid_from_points(a, b, weights, source=source, target=target)
    inverse = np.linalg.inv(covariances)
    about = np.average(b, axis=0, weights=weights)
    for _ in range(iterations):
        moved = pose.apply(a)
        jacobians = point_jacobians(moved, about)
        normal = np.einsum("nki,nkl,nlj->ij", jacobians, inverse, jacobians)
        right = np.einsum("nki,nkl,nl->i", jacobians, inverse, b - moved)
        step = np.linalg.solve(normal, right)
        pose = moved_by(pose, step, about)
        if float(np.abs(step).max()) < STEP_DONE:
            break
    covariance = np.linalg.inv(point_information(pose.apply(a), covariances, about))
    return pose, PoseCovariance((covariance + covariance.T) / 2.0, about)
