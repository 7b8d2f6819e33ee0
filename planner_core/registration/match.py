"""The result of bringing a surface scan into the volume's frame, whichever road it came by."""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from attrs import field, frozen

from planner_core.findings import Finding
from planner_core.geometry.covariance import PoseCovariance, distance_p95_mm
from planner_core.geometry.frames import FloatArray, RigidTransform, readonly


class Road(StrEnum):
    """By what the surface scan was brought into the volume."""

    POINTS = "points"
    """Pairs of points named by hand."""
    MARKERS = "markers"
    """Radiopaque markers found in both."""
    SURFACE = "surface"
    """The surface laid onto the grey-value edges of the volume."""
    DUAL_SCAN = "dual scan"
    """The prosthesis scanned with and without the patient."""
    COMBINED = "combined"
    """Markers and surface in one weighted estimate."""


@frozen(eq=False)
class PointPair:
    """The same spot named in the surface scan and in the volume.

    Parameters
    ----------
    name : str
        Marker or tooth name as the user sees it.
    surface_mm : array of shape (3,)
        In the surface scan's own frame, mm.
    lps_mm : array of shape (3,)
        In the volume's LPS frame, mm.
    localisation_mm : float
        Expected root mean square 3-D localisation error of the pair (both ends, mm).
    """

    name: str
    surface_mm: FloatArray = field(converter=readonly)
    lps_mm: FloatArray = field(converter=readonly)
    localisation_mm: float = 0.5


@frozen(eq=False)
class Match:
    """A rigid match with its error; the residual is never called accuracy.

    Parameters
    ----------
    lps_from_surface : RigidTransform
    covariance : PoseCovariance
        Of the surface's position in LPS, six-vector as `SIX_VECTOR_ORDER`.
    residual_rms_mm : float
        Root mean square residual of what was fitted. Says nothing about the error elsewhere
        (Fitzpatrick 2009, Proc SPIE 7261:726102).
    trusted : bool
        Whether the match may carry a plan; the reasons against stand in `reasons`.
    """

    road: Road
    lps_from_surface: RigidTransform
    covariance: PoseCovariance
    residual_rms_mm: float
    residuals_mm: FloatArray = field(converter=readonly, factory=lambda: np.zeros(0))
    """Residual length of each pair or sample, shape (n,), mm."""
    trusted: bool = True
    reasons: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    used_share: float = 1.0
    """Share of pairs or of surface that carried the match (0..1)."""

    def expected_rms_mm(self, point_lps_mm: FloatArray) -> float:
        """Give the expected root mean square error (mm) of the match at a point, shape (3,)."""
        return self.covariance.rms_at(point_lps_mm)

    def expected_p95_mm(self, point_lps_mm: FloatArray) -> float:
        """Give the error (mm) at a point that the match stays below in 95 of 100 cases."""
        return distance_p95_mm(self.covariance.covariance_at(point_lps_mm), self.covariance.mean_at(point_lps_mm))
