"""When a match by the surface may carry a plan, and the reasons why not."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from scipy.spatial import cKDTree

from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance, distance_p95_mm
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.registration.surface_error import CLEAN_RMS_MM, STREAKED_RMS_MM
from planner_core.registration.surface_fit import SurfaceFit

LEAST_AREA_MM2 = 250.0
"""Used area under which a match is refused, mm^2 (our choice: about the visible surface of two molars)."""

LEAST_SHARE = 0.2
"""Share of the surface that must find its edge (our choice: a wrong place reaches 0.13; seen in
tests/studies)."""

TRUST_P95_MM = 0.5
"""Largest stated 95 % error at the planned sites for a match to be trusted, mm (our choice: a quarter of the 2 mm
allowance that clinical practice keeps to the canal, Fokas et al. 2018, doi 10.1111/clr.13142; S)."""

SLIDE_RATIO = 0.02
"""Weakest over strongest direction of the used normals' mean square under which the surface counts as flat."""

ONE_SIDED_SHARE = 0.4
"""Extent of the used part over the extent of the whole surface under which it counts as one-sided."""

AMBIGUOUS_RATIO = 0.9
"""A second place that scores this close to the best makes the match ambiguous (our choice; an arch shifted by
one tooth reaches about 0.6 in tests/core/registration)."""

LOOSE_RMS_MM = 0.185
"""Residual above which a place that was found by itself is not trusted, mm: of 462 simulated ones one was trusted
though 1.8 mm off, at 0.195 mm; those begun by three clicks held 0.21 mm there (tests/studies match, seed 4242)."""

CARRIED_TO_MM = 10.0
"""How far past the end of the used surface, along the arch, a planned site may lie in a streaked mouth, mm (our
choice: a molar's width). Of ten simulated sites beyond it four were 0.4 to 0.5 mm off where 0.3 was stated; none
within it was over 0.25 (tests/studies match, seed 5353)."""

STREAKED_FROM_RMS_MM = 0.5 * (CLEAN_RMS_MM + STREAKED_RMS_MM)
"""Residual from which a mouth counts as streaked for this, mm: half way between a clean and a streaked one."""

OTHER_ARCH_GAIN = 1.3
"""The other jaw's orientation that finds this many times more edges names a wrong-arch scan (our choice)."""

MIRROR_GAIN = 1.1
"""A mirror image that finds this many times more edges names a mirrored scan (our choice: in tests/studies the
mirror image of a right-handed scan never finds more than the scan itself)."""


LOST_GAIN = 1.5
"""The same where the scan itself found no place: any other place then finds about as many edges (our choice: 21 %
against 19 % were seen in tests/studies for a right-handed half arch)."""


@frozen(eq=False)
class SurfaceEvidence:
    """What the judgement looks at."""

    fit: SurfaceFit
    covariance: PoseCovariance
    used_area_mm2: float
    runner_up: float | None
    sites_lps_mm: FloatArray = field(converter=readonly)
    sites_given: bool = False
    residual_rms_mm: float = 0.0
    searched: bool = False
    """The start was searched for, not clicked."""


def judge_surface(evidence: SurfaceEvidence) -> tuple[str, ...]:
    """Give the reasons why a surface match cannot be trusted; none when it can."""
    reasons = []
    fit = evidence.fit
    if evidence.used_area_mm2 < LEAST_AREA_MM2:
        reasons.append(
            f"Too little of the surface could be used: {evidence.used_area_mm2:.0f} mm2, at least "
            f"{LEAST_AREA_MM2:.0f} mm2 are needed."
        )
    if fit.used_share < LEAST_SHARE:
        reasons.append(
            f"Only {100 * fit.used_share:.0f} % of the surface finds its edge in the scan; in the right place "
            "it is "
            f"more than {100 * LEAST_SHARE:.0f} %. It may be the other jaw, another patient or a streaked region."
        )
    flat = _flatness(fit)
    if flat < SLIDE_RATIO:
        reasons.append(
            "The used part of the surface is too flat: it could slide along itself. Add the inner and outer "
            "sides of "
            "the teeth."
        )
    if _one_sided(fit):
        reasons.append(
            "The used part of the surface lies on one side only, so that the other side hangs free. Paint in "
            "teeth on "
            "both sides, or add markers there."
        )
    worst = max(
        distance_p95_mm(evidence.covariance.covariance_at(p), evidence.covariance.mean_at(p))
        for p in evidence.sites_lps_mm
    )
    if worst > TRUST_P95_MM:
        where = "a planned site" if evidence.sites_given else "the end of the scanned surface"
        reasons.append(
            f"The error to be expected at {where} is {worst:.1f} mm (95 %), more than {TRUST_P95_MM:.1f} mm."
        )
    if evidence.runner_up is not None and evidence.runner_up > AMBIGUOUS_RATIO:
        reasons.append(
            "The surface fits a second place nearly as well. Click three matching points to say which one is meant."
        )
    if evidence.searched and evidence.residual_rms_mm > LOOSE_RMS_MM:
        reasons.append(
            f"The edges found scatter by {evidence.residual_rms_mm:.2f} mm about the surface: in such streaks a "
            "place found by itself may be a wrong one. Click three matching points, or match by markers."
        )
    if evidence.sites_given and evidence.residual_rms_mm > STREAKED_FROM_RMS_MM:
        beyond = _beyond_mm(fit, evidence.sites_lps_mm)
        if beyond > CARRIED_TO_MM:
            reasons.append(
                f"The used part of the surface ends {beyond:.0f} mm before a planned site; in such streaks it "
                f"carries {CARRIED_TO_MM:.0f} mm at most. Scan or paint in the teeth up to the site, or match by "
                "markers."
            )
    return tuple(reasons)


def _beyond_mm(fit: SurfaceFit, sites_lps_mm: FloatArray) -> float:
    """Give how far the furthest site lies from the used surface, seen along the way in which the arch is thin."""
    used = fit.weight > 0.01
    if used.sum() < 20:
        return 0.0
    points = fit.pose.apply(fit.sample.points_mm[used])
    middle = points.mean(axis=0)
    plane = np.linalg.svd(points - middle, full_matrices=False)[2][:2]
    apart, _ = cKDTree((points - middle) @ plane.T).query((sites_lps_mm - middle) @ plane.T)
    return float(np.max(apart))


def _flatness(fit: SurfaceFit) -> float:
    """Smallest over largest mean square of the used normals along any direction."""
    used = fit.weight > 0.01
    if used.sum() < 20:
        return 0.0
    weights = fit.weight[used] * fit.sample.areas_mm2[used]
    normals = fit.sample.normals[used]
    values = np.linalg.eigvalsh((normals * weights[:, None]).T @ normals)
    return float(values[0] / values[-1])


def _one_sided(fit: SurfaceFit) -> bool:
    """Whether the used part reaches over much less than the whole surface."""
    used = fit.weight > 0.01
    if used.sum() < 20:
        return True
    weights = fit.weight[used] * fit.sample.areas_mm2[used]
    middle = np.average(fit.sample.points_mm[used], axis=0, weights=weights)
    spread = np.average((fit.sample.points_mm[used] - middle) ** 2, axis=0, weights=weights).sum()
    whole = fit.sample.areas_mm2
    centre = np.average(fit.sample.points_mm, axis=0, weights=whole)
    full = np.average((fit.sample.points_mm - centre) ** 2, axis=0, weights=whole).sum()
    return bool(np.sqrt(spread / full) < ONE_SIDED_SHARE)


def mirrored_finding(mirrored_score: float, used_share: float) -> Finding | None:
    """Give the finding that a surface is mirrored, when its mirror image finds far more edges."""
    gain = MIRROR_GAIN if used_share >= LEAST_SHARE else LOST_GAIN
    if mirrored_score < LEAST_SHARE or mirrored_score < gain * used_share:
        return None
    return Finding(
        Severity.BLOCKER,
        "mirrored",
        f"The mirror image of the surface fits the scan better ({100 * mirrored_score:.0f} % of it finds "
        "its edge, "
        f"against {100 * used_share:.0f} %): one of the two is mirrored, or left and right were exchanged.",
    )


def wrong_arch_finding(other_score: float, used_share: float, lower: bool) -> Finding | None:
    """Give the finding that a scan is of the other jaw, when it fits far better the other way up."""
    if other_score < LEAST_SHARE or other_score < OTHER_ARCH_GAIN * used_share:
        return None
    named, real = ("lower", "upper") if lower else ("upper", "lower")
    return Finding(
        Severity.BLOCKER,
        "wrong-arch",
        f"The scan named as the {named} jaw fits far better as the {real} jaw ({100 * other_score:.0f} % of it "
        "finds its "
        f"edge, against {100 * used_share:.0f} %): choose the other scan.",
    )
