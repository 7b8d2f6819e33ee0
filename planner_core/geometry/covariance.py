"""Small rigid errors as a six-vector with covariance, and what they do to a point."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly

SIX_VECTOR_ORDER = ("rot_x_rad", "rot_y_rad", "rot_z_rad", "x_mm", "y_mm", "z_mm")
"""Order of every six-vector in the program: rotation about the LPS axes (rad), then translation (mm)."""


def cross_matrix(vector: ArrayLike) -> FloatArray:
    """Give the matrix [v] with [v] w = v x w, for `vector` of shape (3,)."""
    x, y, z = np.asarray(vector, dtype=np.float64)
    return np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])


@frozen(eq=False)
class PoseCovariance:
    """Mean and covariance of a small rigid displacement about a point.

    The displacement of a point p is ``translation + rotation x (p - about)``; the six-vector is ordered as
    `SIX_VECTOR_ORDER`, in LPS axes.

    Parameters
    ----------
    covariance : array of shape (6, 6)
        Symmetric, positive semidefinite; rad^2, rad mm, mm^2.
    about_lps_mm : array of shape (3,)
        The point that the rotation is about.
    mean : array of shape (6,)
        Bias; zero when not given.
    """

    covariance: FloatArray = field(converter=readonly)
    about_lps_mm: FloatArray = field(converter=readonly)
    mean: FloatArray = field(converter=readonly, factory=lambda: np.zeros(6))

    def __attrs_post_init__(self) -> None:
        shapes = (self.covariance.shape, self.about_lps_mm.shape, self.mean.shape)
        if shapes != ((6, 6), (3,), (6,)) or not np.isfinite(self.covariance).all():
            raise PlannerError("A pose covariance needs a finite 6x6 matrix, a point and a mean.", "")
        scale = max(1e-12, float(np.abs(self.covariance).max()))
        if float(np.abs(self.covariance - self.covariance.T).max()) > 1e-6 * scale:
            raise PlannerError("A pose covariance must be symmetric.", "")
        if float(np.linalg.eigvalsh(self.covariance).min()) < -1e-6 * scale:
            raise PlannerError("A pose covariance must not be negative in any direction.", "")

    @classmethod
    def zero(cls, about_lps_mm: ArrayLike = (0.0, 0.0, 0.0)) -> PoseCovariance:
        """Give the covariance of no error at all."""
        return cls(np.zeros((6, 6)), about_lps_mm)

    def jacobian_at(self, point_lps_mm: ArrayLike) -> FloatArray:
        """Give the 3x6 matrix that takes the six-vector to the displacement of a point (mm)."""
        lever = np.asarray(point_lps_mm, dtype=np.float64) - self.about_lps_mm
        return np.hstack([-cross_matrix(lever), np.eye(3)])

    def covariance_at(self, point_lps_mm: ArrayLike) -> FloatArray:
        """Give the 3x3 covariance (mm^2) of the displacement of a point, shape (3,)."""
        jacobian = self.jacobian_at(point_lps_mm)
        return jacobian @ self.covariance @ jacobian.T

    def mean_at(self, point_lps_mm: ArrayLike) -> FloatArray:
        """Give the mean displacement (mm), shape (3,), of a point."""
        return self.jacobian_at(point_lps_mm) @ self.mean

    def rms_at(self, point_lps_mm: ArrayLike) -> float:
        """Give the root mean square 3-D displacement (mm) of a point, bias included."""
        bias = self.mean_at(point_lps_mm)
        return float(np.sqrt(np.trace(self.covariance_at(point_lps_mm)) + bias @ bias))

    def moved_to(self, about_lps_mm: ArrayLike) -> PoseCovariance:
        """Give the same error written about another point."""
        target = np.asarray(about_lps_mm, dtype=np.float64)
        shift = np.eye(6)
        shift[3:, :3] = -cross_matrix(target - self.about_lps_mm)
        return PoseCovariance(shift @ self.covariance @ shift.T, target, shift @ self.mean)

    def plus(self, other: PoseCovariance) -> PoseCovariance:
        """Give the sum of two independent errors, written about this one's point."""
        moved = other.moved_to(self.about_lps_mm)
        return PoseCovariance(self.covariance + moved.covariance, self.about_lps_mm, self.mean + moved.mean)


def distance_p95_mm(covariance_mm2: ArrayLike, mean_mm: ArrayLike = (0.0, 0.0, 0.0)) -> float:
    """Give the 95th percentile of the length of a normal 3-vector.

    Three-moment chi-square fit to the quadratic form (Imhof 1961, Biometrika 48:419, after Pearson; M): exact for
    isotropic errors, within 2 % of Monte Carlo otherwise (tests/core/geometry).
    """
    covariance = np.asarray(covariance_mm2, dtype=np.float64)
    mean = np.asarray(mean_mm, dtype=np.float64)
    eigenvalues, vectors = np.linalg.eigh(covariance)
    eigenvalues = np.clip(eigenvalues, 0.0, None)
    shift2 = (vectors.T @ mean) ** 2
    power = [float(np.sum(eigenvalues**k) + k * np.sum(eigenvalues ** (k - 1) * shift2)) for k in (1, 2, 3)]
    if power[1] <= 1e-18:
        return float(np.sqrt(max(power[0], 0.0)))
    from scipy.stats import chi2

    degrees = power[1] ** 3 / power[2] ** 2
    quantile = float(chi2.ppf(0.95, degrees))
    squared = power[0] + np.sqrt(power[1] / degrees) * (quantile - degrees)
    return float(np.sqrt(max(squared, 0.0)))
