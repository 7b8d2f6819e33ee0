"""What localisation errors of points do to a rigid fit: closed form, any geometry, unequal or anisotropic errors.

Convention: a localisation error ("FLE") is the root mean square **3-D** error; one axis carries FLE / sqrt(3)
(Fitzpatrick, West, Maurer 1998, IEEE Trans Med Imaging 17:694; common trap, see FACTS section 4).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import AnyArray, FloatArray

NEAR_LINE_MM = 1.0
"""Smallest root mean square distance of the points from the straight line through them, mm (our choice: under it
a localisation error of 0.2 mm turns the jaw about the line by several degrees)."""

MAX_TURN_SD_DEG = 5.0
"""Largest standard deviation of the turn about the points' own line that is accepted, degrees (our choice: 5
degrees move a point 20 mm off the line by 1.7 mm)."""

IN_PLANE_MM = 0.5
"""Points whose root mean square distance from their plane is below this count as lying in one plane, mm (our
choice: about the localisation error of a hand-picked pair, so a mirrored set could not be told by it)."""


def as_points(points_mm: ArrayLike) -> FloatArray:
    """Give points as a float array of shape (n, 3), or refuse what is none."""
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or not np.isfinite(points).all():
        raise PlannerError("Points need three finite coordinates each, in mm.", "Check the numbers given.")
    return points


def isotropic_covariances(fle_mm: ArrayLike, count: int) -> FloatArray:
    """Give one 3x3 covariance (mm^2) per point, shape (count, 3, 3), from RMS 3-D errors (one or one per point)."""
    fle = np.broadcast_to(np.asarray(fle_mm, dtype=np.float64), (count,))
    if not np.isfinite(fle).all() or (fle <= 0).any():
        raise PlannerError(
            "A localisation error must be a positive number of mm.",
            "Give the error of each point, for example 0.3.",
        )
    return np.asarray((fle**2 / 3.0)[:, None, None] * np.eye(3))


def point_jacobians(points_mm: ArrayLike, about_mm: ArrayLike) -> FloatArray:
    """Give the matrices (n, 3, 6) that take a six-vector about `about_mm` to the displacement of each point."""
    lever = np.asarray(points_mm, dtype=np.float64) - np.asarray(about_mm, dtype=np.float64)
    jacobians = np.zeros((len(lever), 3, 6))
    x, y, z = lever.T
    jacobians[:, 0, 1], jacobians[:, 0, 2] = z, -y
    jacobians[:, 1, 0], jacobians[:, 1, 2] = -z, x
    jacobians[:, 2, 0], jacobians[:, 2, 1] = y, -x
    jacobians[:, :, 3:] = np.eye(3)
    return jacobians


def point_information(points_mm: ArrayLike, covariances_mm2: AnyArray, about_mm: ArrayLike) -> FloatArray:
    """Give the 6x6 information matrix of a rigid pose seen through points: sum of J^T C^-1 J.

    Parameters
    ----------
    points_mm : array of shape (n, 3)
        In the frame in which the pose error is wanted.
    covariances_mm2 : array of shape (n, 3, 3)
        Localisation covariance of each point (both ends together).
    about_mm : array of shape (3,)
    """
    jacobians = point_jacobians(points_mm, about_mm)
    weighted = np.linalg.solve(np.asarray(covariances_mm2, dtype=np.float64), jacobians)
    return np.asarray(np.einsum("nki,nkj->ij", jacobians, weighted))


def spread_mm(points_mm: ArrayLike) -> FloatArray:
    """Give the root mean square extents of points along their principal axes, largest first, shape (3,), mm."""
    points = as_points(points_mm)
    centred = points - points.mean(axis=0)
    values = np.linalg.svd(centred, compute_uv=False)
    return np.asarray(np.concatenate([values, np.zeros(3)])[:3] / np.sqrt(len(points)))


def distance_from_line_mm(points_mm: ArrayLike) -> float:
    """Give the root mean square distance (mm) of points from the straight line that fits them best."""
    return float(np.hypot(*spread_mm(points_mm)[1:]))


def refuse_poor_geometry(points_mm: ArrayLike, covariances_mm2: AnyArray) -> None:
    """Refuse sets of points that cannot carry a rigid match, with the reason.

    Raises
    ------
    PlannerError
        If there are fewer than three points, or they lie nearly on one line.
    """
    points = as_points(points_mm)
    if len(points) < 3:
        raise PlannerError(
            f"A match needs at least three pairs of points; there {'is' if len(points) == 1 else 'are'} "
            f"{len(points)}.",
            "Add pairs until there are three, better five, around the planned sites.",
        )
    off_line = distance_from_line_mm(points)
    remedy = "Add a pair well away from that line, for example on the other side of the arch."
    if off_line < NEAR_LINE_MM:
        raise PlannerError(
            f"The {len(points)} points lie nearly on one line ({off_line:.1f} mm rms away from it), so the "
            "turn about "
            "that line is not known.",
            remedy,
        )
    covariance = np.linalg.inv(point_information(points, covariances_mm2, points.mean(axis=0)))
    turn_deg = float(np.degrees(np.sqrt(np.linalg.eigvalsh(covariance[:3, :3]).max())))
    if turn_deg > MAX_TURN_SD_DEG:
        raise PlannerError(
            f"The {len(points)} points lie nearly on one line for their localisation error ({off_line:.1f} mm "
            "rms away "
            f"from it): the turn about it is only known to {turn_deg:.0f} degrees (one standard deviation).",
            remedy,
        )


def lie_in_one_plane(points_mm: ArrayLike) -> bool:
    """Tell whether points lie so nearly in one plane that a mirror image could not be told from the original."""
    return bool(spread_mm(points_mm)[2] < IN_PLANE_MM)


def point_covariance(fiducials_mm: ArrayLike, fle_mm: ArrayLike | AnyArray) -> PoseCovariance:
    """Give the pose covariance of a rigid fit through points, to first order.

    For equal isotropic errors its trace at a point is equation 46 of Fitzpatrick, West, Maurer 1998 (IEEE Trans
    Med
    Imaging 17:694, doi 10.1109/42.736021; S); unequal and anisotropic errors follow from the same normal
    equations
    for the maximum-likelihood fit.

    Parameters
    ----------
    fiducials_mm : array of shape (n, 3)
        Points in the target frame (LPS), n >= 3.
    fle_mm : float, array of shape (n,) or array of shape (n, 3, 3)
        RMS 3-D localisation error (both ends), one for all or one per point; or a covariance in mm^2 per point.

    Raises
    ------
    PlannerError
        If the points cannot carry a rigid pose.
    """
    points = as_points(fiducials_mm)
    errors = np.asarray(fle_mm, dtype=np.float64)
    covariances = errors if errors.ndim == 3 else isotropic_covariances(errors, len(points))
    refuse_poor_geometry(points, covariances)
    weights = 3.0 / np.trace(covariances, axis1=1, axis2=2)
    about = np.average(points, axis=0, weights=weights)
    covariance = np.linalg.inv(point_information(points, covariances, about))
    return PoseCovariance((covariance + covariance.T) / 2.0, about)


def expected_tre_rms_mm(
    fiducials_mm: ArrayLike, target_mm: ArrayLike, fle_mm: ArrayLike | AnyArray
) -> float | FloatArray:
    """Give the root mean square error to be expected at targets of a fit through points (mm).

    Parameters
    ----------
    fiducials_mm : array of shape (n, 3), n >= 3
    target_mm : array of shape (3,) or (m, 3)
        Same frame as the fiducials.
    fle_mm : see `point_covariance`

    Returns
    -------
    float or array of shape (m,)
    """
    pose = point_covariance(fiducials_mm, fle_mm)
    targets = np.asarray(target_mm, dtype=np.float64)
    rms = rms_field_mm(pose, np.atleast_2d(targets))
    return float(rms[0]) if targets.ndim == 1 else rms


def rms_field_mm(pose: PoseCovariance, points_lps_mm: ArrayLike) -> FloatArray:
    """Give the root mean square displacement (mm), shape (n,), of many points, shape (n, 3), at once."""
    jacobians = point_jacobians(points_lps_mm, pose.about_lps_mm)
    variance = np.einsum("nij,jk,nik->n", jacobians, pose.covariance, jacobians)
    bias = jacobians @ pose.mean
    return np.asarray(np.sqrt(np.clip(variance + (bias**2).sum(axis=1), 0.0, None)))
