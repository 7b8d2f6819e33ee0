"""What paired points say against themselves: scale, mirror image, a moved marker, and what they cannot tell."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import field, frozen
from scipy.stats import chi2

from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.registration.point_error import (
    distance_from_line_mm,
    lie_in_one_plane,
    point_jacobians,
)
from planner_core.registration.rigid_fit import likeliest_rigid, umeyama

SCALE_TOLERANCE = 0.02
"""Departure of the best-fit scale from 1 that is a finding (FACTS section 2, scale row: cone-beam against
calliper off by 1.8 to 6.9 %, Int J Implant Dent 2021, s40729-021-00343-w; S). Scale is never applied."""

DISAGREE_P = 0.01
"""Chance under which residuals count as larger than the stated localisation errors explain (our choice)."""

REFUSE_P = 1e-6
"""Chance under which disagreeing pairs are no longer trusted (our choice: beyond any rounding of stated
errors)."""

MIRROR_RATIO = 1.0 / 3.0
"""A mirrored fit with less than this share of the proper fit's residual names a mirrored set (our choice)."""

NAMES_FROM = 5
"""From this many pairs on, leaving one out leaves enough to name a moved one (four pairs leave three distances'
worth of redundancy behind: too little to tell which)."""


@frozen(eq=False)
class PairChecks:
    """What the checks found, and by how much the covariance must be widened."""

    findings: tuple[Finding, ...]
    widen: float
    scale: float
    moved: int | None
    """Index of the pair that leave-one-out names as moved, None when none can be named."""
    deletion_mm: FloatArray = field(converter=readonly)
    """Distance of each pair from where the other pairs expect it, shape (n,), mm; empty for fewer than four."""


def fit_chi2(source_mm: AnyArray, target_mm: AnyArray, covariances_mm2: AnyArray) -> float:
    """Give the weighted sum of squared residuals of the likeliest rigid fit (3 n - 6 degrees of freedom)."""
    pose, _ = likeliest_rigid(source_mm, target_mm, covariances_mm2)
    left = target_mm - pose.apply(source_mm)
    return float(np.einsum("ni,nij,nj->", left, np.linalg.inv(covariances_mm2), left))


def leave_one_out(
    source_mm: AnyArray, target_mm: AnyArray, covariances_mm2: AnyArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give for each pair what the fit through the others says of it.

    Returns
    -------
    distance_mm : array of shape (n,)
        Length of the pair's residual from the fit through the others.
    chance : array of shape (n,)
        Chance of such a distance if the pair had only its stated error.
    rest_chance : array of shape (n,)
        Chance of the others' own residuals; 1 where they have no redundancy.
    """
    count = len(source_mm)
    distance, chance, rest = np.zeros(count), np.ones(count), np.ones(count)
    for i in range(count):
        keep = np.arange(count) != i
        if distance_from_line_mm(source_mm[keep]) < 1e-3:
            continue
        pose, error = likeliest_rigid(source_mm[keep], target_mm[keep], covariances_mm2[keep])
        left = target_mm[i] - pose.apply(source_mm[i])
        jacobian = point_jacobians(pose.apply(source_mm[i])[None], error.about_lps_mm)[0]
        spread = covariances_mm2[i] + jacobian @ error.covariance @ jacobian.T
        distance[i] = np.linalg.norm(left)
        chance[i] = chi2.sf(float(left @ np.linalg.solve(spread, left)), 3)
        others = target_mm[keep] - pose.apply(source_mm[keep])
        squares = float(np.einsum("ni,nij,nj->", others, np.linalg.inv(covariances_mm2[keep]), others))
        rest[i] = chi2.sf(squares, max(1, 3 * (count - 1) - 6))
    return distance, chance, rest


def moved_pair(chance: FloatArray, rest_chance: FloatArray) -> int | None:
    """Give the one pair without which the others agree, or None when it cannot be named."""
    if len(chance) < NAMES_FROM:
        return None
    suspects = np.flatnonzero(rest_chance > DISAGREE_P)
    if len(suspects) == 0:
        return None
    # The named pair must stand out: any other explanation must be much less likely.
    order = suspects[np.argsort(-rest_chance[suspects])]
    best = int(order[0])
    if len(order) > 1 and rest_chance[order[1]] > 0.2 * rest_chance[best]:
        return None
    return best if chance[best] < DISAGREE_P else None


def check_pairs(
    source_mm: AnyArray, target_mm: AnyArray, covariances_mm2: AnyArray, names: Sequence[str]
) -> PairChecks:
    """Check paired points for scale, mirror image and moved markers.

    Parameters
    ----------
    source_mm, target_mm : array of shape (n, 3), n >= 3
    covariances_mm2 : array of shape (n, 3, 3)
    names : sequence of str
        Marker names as the user sees them.
    """
    count = len(source_mm)
    findings: list[Finding] = []
    _, _, scale, _ = umeyama(source_mm, target_mm)
    findings += scale_findings(scale)
    findings += _handedness(source_mm, target_mm, covariances_mm2)
    squares = fit_chi2(source_mm, target_mm, covariances_mm2)
    freedom = 3 * count - 6
    chance = float(chi2.sf(squares, freedom))
    moved: int | None = None
    distance = np.zeros(0)
    if count > 3:
        distance, single, rest = leave_one_out(source_mm, target_mm, covariances_mm2)
        if chance < DISAGREE_P:
            moved = moved_pair(single, rest)
    widen = max(1.0, squares / freedom) if chance < DISAGREE_P else 1.0
    if chance < DISAGREE_P:
        findings.append(_disagreement(names, distance, moved, chance, float(np.sqrt(squares / freedom))))
    if count == 3:
        findings.append(
            Finding(
                Severity.NOTE,
                "three-pairs",
                "Three pairs agree or disagree only by their distances: a moved one cannot be named. Five or "
                "more can "
                "name it.",
            )
        )
    return PairChecks(tuple(findings), widen, scale, moved, distance)


def scale_findings(scale: float) -> list[Finding]:
    """Give the finding that two scans differ in size; empty within `SCALE_TOLERANCE`. Never applied."""
    if abs(scale - 1.0) <= SCALE_TOLERANCE:
        return []
    return [
        Finding(
            Severity.WARNING,
            "scale-off",
            f"The two scans fit best with a scale of {scale:.3f} instead of 1: check the unit and the "
            "calibration of "
            "both. The scale was not applied.",
        )
    ]


def _handedness(source_mm: AnyArray, target_mm: AnyArray, covariances_mm2: AnyArray) -> list[Finding]:
    if lie_in_one_plane(source_mm) or lie_in_one_plane(target_mm):
        return [
            Finding(
                Severity.NOTE,
                "handedness-unproven",
                "All pairs lie in one plane, so they cannot show whether one of the scans is mirrored. One "
                "more pair "
                "off that plane can.",
            )
        ]
    pose, _ = likeliest_rigid(source_mm, target_mm, covariances_mm2)
    proper = float(np.sqrt(np.mean(np.sum((target_mm - pose.apply(source_mm)) ** 2, axis=1))))
    rotation, shift, _, _ = umeyama(source_mm * [-1.0, 1.0, 1.0], target_mm, with_scale=False)
    left = target_mm - ((source_mm * [-1.0, 1.0, 1.0]) @ rotation.T + shift)
    mirrored = float(np.sqrt(np.mean(np.sum(left**2, axis=1))))
    disagrees = chi2.sf(fit_chi2(source_mm, target_mm, covariances_mm2), 3 * len(source_mm) - 6) < DISAGREE_P
    if disagrees and mirrored < MIRROR_RATIO * proper:
        return [
            Finding(
                Severity.BLOCKER,
                "mirrored",
                f"The pairs fit a mirror image ({mirrored:.2f} mm rms) far better than the scan itself "
                f"({proper:.2f} mm "
                "rms): one of the scans is mirrored, or left and right were exchanged.",
            )
        ]
    return []


def _disagreement(
    names: Sequence[str], distance_mm: FloatArray, moved: int | None, chance: float, ratio: float
) -> Finding:
    start = f"The pairs disagree {ratio:.1f} times more than their stated localisation errors explain"
    if moved is not None:
        return Finding(
            Severity.WARNING,
            "moved-marker",
            f"{start}; without {names[moved]} the others agree: it has moved, or was misnamed, by about "
            f"{float(distance_mm[moved]):.1f} mm. Leave it out or set it again.",
            where=names[moved],
        )
    few = len(names) < NAMES_FROM
    why = f"with {len(names)} pairs it cannot be told which one is off" if few else "no single pair explains it"
    severity = Severity.BLOCKER if chance < REFUSE_P else Severity.WARNING
    return Finding(severity, "pairs-disagree", f"{start}; {why}. Check them, or add pairs until there are five.")
