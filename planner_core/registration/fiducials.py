"""Matching by pairs of points: the fit, its error, and what the pairs cannot tell."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from planner_core.findings import Severity
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import AnyArray
from planner_core.registration.match import Match, PointPair, Road
from planner_core.registration.pair_checks import check_pairs
from planner_core.registration.point_error import (
    as_points,
    expected_tre_rms_mm,
    isotropic_covariances,
    point_covariance,
    refuse_poor_geometry,
)
from planner_core.registration.rigid_fit import likeliest_rigid, rigid_from_points, umeyama

__all__ = [
    "expected_tre_rms_mm",
    "match_paired",
    "match_points",
    "point_covariance",
    "rigid_from_points",
    "umeyama",
]


def match_points(pairs: Sequence[PointPair], surface_frame: str) -> Match:
    """Match a surface scan to the volume by pairs of points named by hand.

    The covariance follows from where the points lie and how well each is localised, never from the residual alone
    (Fitzpatrick 2009: the residual tells nothing about the error). Where the residuals are larger than the stated
    localisation errors can explain, the covariance is widened by their ratio and a finding says so.

    Parameters
    ----------
    pairs : sequence of PointPair
        Three or more, not nearly on one line.
    surface_frame : str
        Frame of the surface scan.

    Raises
    ------
    PlannerError
        For fewer than three pairs or a set that lies nearly on one line.
    """
    source = np.array([pair.surface_mm for pair in pairs], dtype=np.float64).reshape(-1, 3)
    target = np.array([pair.lps_mm for pair in pairs], dtype=np.float64).reshape(-1, 3)
    errors = np.array([pair.localisation_mm for pair in pairs], dtype=np.float64)
    return match_paired(
        source, target, isotropic_covariances(errors, len(pairs)), [p.name for p in pairs], surface_frame
    )


def match_paired(
    source_mm: AnyArray,
    target_mm: AnyArray,
    covariances_mm2: AnyArray,
    names: Sequence[str],
    surface_frame: str,
    road: Road = Road.POINTS,
) -> Match:
    """Match paired points with a covariance each; see `match_points`."""
    source, target = as_points(source_mm), as_points(target_mm)
    refuse_poor_geometry(source, covariances_mm2)
    refuse_poor_geometry(target, covariances_mm2)
    pose, covariance = likeliest_rigid(source, target, covariances_mm2, source=surface_frame)
    residuals = np.linalg.norm(target - pose.apply(source), axis=1)
    checked = check_pairs(source, target, covariances_mm2, names)
    widened = PoseCovariance(covariance.covariance * checked.widen, covariance.about_lps_mm, covariance.mean)
    reasons = tuple(f.text for f in checked.findings if f.severity is Severity.BLOCKER)
    return Match(
        road=road,
        lps_from_surface=pose,
        covariance=widened,
        residual_rms_mm=float(np.sqrt(np.mean(residuals**2))),
        residuals_mm=residuals,
        trusted=not reasons,
        reasons=reasons,
        findings=checked.findings,
    )
