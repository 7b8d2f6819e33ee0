"""Two independent matches of one surface in one weighted estimate."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance, distance_p95_mm
from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform
from planner_core.registration.match import Match, Road
from planner_core.registration.rigid_fit import moved_by
from planner_core.registration.surface_trust import TRUST_P95_MM

DISAGREE_P = 0.01
"""Chance under which two matches count as disagreeing beyond their stated errors (our choice)."""

REFUSE_P = 1e-6
"""Chance under which their combination is not trusted (our choice)."""


def small_motion(first: RigidTransform, second: RigidTransform, about_lps_mm: AnyArray) -> FloatArray:
    """Give the six-vector about a point that takes where `first` puts things to where `second` puts them."""
    turn = second.rotation @ first.rotation.T
    skew = 0.5 * np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    sine = float(np.linalg.norm(skew))
    angle = float(np.arctan2(sine, (np.trace(turn) - 1.0) / 2.0))
    vector = skew * (angle / sine) if sine > 1e-12 else skew
    source = first.inverse().apply(about_lps_mm)
    return np.concatenate([vector, second.apply(source) - np.asarray(about_lps_mm)])


def combine_matches(first: Match, second: Match, sites_lps_mm: AnyArray | None = None) -> Match:
    """Combine two matches whose errors are independent, for example by markers and by the surface.

    Each is weighted by its information (inverse covariance), direction by direction: a surface that may slide
    along the
    arch is held there by a marker. Where they disagree by more than their stated errors explain, the covariance
    is widened and a finding says so; far beyond, the result is not trusted.

    Parameters
    ----------
    first, second : Match
        Of the same surface.
    sites_lps_mm : array of shape (n, 3), optional
        Planned sites, at which the error must be small.
    """
    if first.lps_from_surface.source != second.lps_from_surface.source:
        raise PlannerError(
            f"A match of {first.lps_from_surface.source} and one of {second.lps_from_surface.source} cannot "
            "be combined.",
            "Combine two matches of the same surface.",
        )
    about = first.covariance.about_lps_mm
    gap = small_motion(first.lps_from_surface, second.lps_from_surface, about)
    a = first.covariance.covariance + 1e-14 * np.eye(6)
    b = second.covariance.moved_to(about).covariance + 1e-14 * np.eye(6)
    gain = a @ np.linalg.inv(a + b)
    pose = moved_by(first.lps_from_surface, gain @ gap, about)
    joint = a - gain @ a
    squares = float(gap @ np.linalg.solve(a + b, gap))
    chance = float(chi2.sf(squares, 6))
    findings = [*first.findings, *second.findings]
    # What spoke against one match alone is judged anew for both together; a mirror image or a wrong scale stays.
    lasting = [f for f in findings if f.severity is not Severity.BLOCKER or f.code == "mirrored"]
    reasons = [f.text for f in lasting if f.severity is Severity.BLOCKER]
    widen = max(1.0, squares / 6.0) if chance < DISAGREE_P else 1.0
    if chance < DISAGREE_P:
        apart = float(np.linalg.norm(gap[3:]))
        severity = Severity.BLOCKER if chance < REFUSE_P else Severity.WARNING
        text = (
            f"The match by {first.road} and the match by {second.road} lie {apart:.1f} mm apart, more than "
            "their stated "
            "errors explain: look at the sections before you use either."
        )
        lasting.append(Finding(severity, "roads-disagree", text))
        if severity is Severity.BLOCKER:
            reasons.append(text)
    covariance = PoseCovariance((joint + joint.T) / 2.0 * widen, about)
    if sites_lps_mm is not None:
        reasons += _too_uncertain(covariance, sites_lps_mm)
    residuals = np.concatenate([first.residuals_mm, second.residuals_mm])
    return Match(
        road=Road.COMBINED,
        lps_from_surface=pose,
        covariance=covariance,
        # A few markers count as much as thousands of edges here; each match weighs its own residuals.
        residual_rms_mm=float(np.sqrt((first.residual_rms_mm**2 + second.residual_rms_mm**2) / 2.0)),
        residuals_mm=residuals,
        trusted=not reasons,
        reasons=tuple(reasons),
        findings=tuple(lasting),
        used_share=max(first.used_share, second.used_share),
    )


def _too_uncertain(covariance: PoseCovariance, sites_lps_mm: AnyArray) -> list[str]:
    worst = max(distance_p95_mm(covariance.covariance_at(site)) for site in np.atleast_2d(sites_lps_mm))
    if worst <= TRUST_P95_MM:
        return []
    return [
        f"The error to be expected at a planned site is {worst:.1f} mm (95 %), more than {TRUST_P95_MM:.1f} mm."
    ]
