"""Laying a surface scan onto a volume by its surface: start, robust fit, error, and whether to trust it."""

from __future__ import annotations

import numpy as np
from attrs import evolve, field, frozen

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform, readonly, readonly_or_none
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.edges import GreyField, edges_along
from planner_core.registration.match import Match, Road
from planner_core.registration.rough_start import rough_starts
from planner_core.registration.settle import mirror_share, settle
from planner_core.registration.surface_error import Correlation, surface_covariance
from planner_core.registration.surface_fit import Degradation, SurfaceFit, edge_kinds
from planner_core.registration.surface_sample import (
    SurfaceSample,
    looks_inside_out,
    sample_surface,
    smoothed_normals,
)
from planner_core.registration.surface_scale import scale_finding
from planner_core.registration.surface_trust import (
    LEAST_SHARE,
    SurfaceEvidence,
    judge_surface,
    mirrored_finding,
    wrong_arch_finding,
)

MAP_HALF_WIDTH_MM = 2.0
"""The distance map looks this far along the normals, mm (our choice)."""

RIVAL_SCORE = 0.7
"""Second places that score less than this share of the best are not looked at again."""


@frozen(eq=False)
class SurfaceMatch:
    """A match by the surface, and what it looks like on the surface.

    Parameters
    ----------
    match : Match
    distance_mm : array of shape (surface points,)
        Signed distance of the volume's own edge from each point along its outward normal, mm; positive where the
        volume's edge lies outside the scan; nan where no edge was found within `MAP_HALF_WIDTH_MM`.
    weight : array of shape (surface points,)
        How much each point carried the match, 0..1.
    correlation : Correlation
    observations : float
        Independent observations that the surface really amounts to.
    used_area_mm2 : float
    """

    match: Match
    distance_mm: FloatArray = field(converter=readonly)
    weight: FloatArray = field(converter=readonly)
    correlation: Correlation
    observations: float
    used_area_mm2: float
    edge_offsets_mm: FloatArray = field(converter=readonly)
    """Shared offset of the edges at gingiva, tooth and saturated restoration, mm."""
    runner_up: float | None = None
    """Score of the second-best place relative to the best one, when the start was searched for."""
    sites_lps_mm: FloatArray | None = field(converter=readonly_or_none, default=None)


def match_surface(
    volume: Volume,
    surface: Surface,
    *,
    start: RigidTransform | None = None,
    jaw_up: float | None = None,
    sites_lps_mm: AnyArray | None = None,
    region: AnyArray | None = None,
    degradation: Degradation | None = None,
    levels: GreyLevels | None = None,
    points: int = 50_000,
    progress: Progress = silent,
) -> SurfaceMatch:
    """Match a surface scan of one jaw to a volume.

    Parameters
    ----------
    volume : Volume
    surface : Surface
        In its own frame; one jaw only.
    start : RigidTransform, optional
        LPS from surface, a few mm and degrees off at most (for example from three clicks); searched for when not
        given.
    jaw_up : float, optional
        +1 lower jaw (chewing side to the head), -1 upper jaw; helps the search.
    sites_lps_mm : array of shape (n, 3), optional
        Planned sites, at which the error must be small; the whole surface when not given.
    region : bool array of shape (surface points,), optional
        Painted region; True = may be used.
    degradation : callable, optional
        The scan check's level (0..1) at LPS points, for example ``ScanCheck.level_at``.

    Raises
    ------
    PlannerError
        If the surface has too few points, or nothing in the volume resembles it.
    """
    grey = calibrate_grey(volume) if levels is None else levels
    field_ = GreyField.of(volume, grey)
    sample = sample_surface(surface, region, points)
    if start is not None and start.source != surface.frame:
        raise PlannerError(f"The start is from {start.source}, the surface is in {surface.frame}.", "Click anew.")
    if start is None:
        candidates = rough_starts(
            volume, grey, field_, sample, surface.frame, jaw_up=jaw_up,
            progress=part_of(progress, 0.0, 0.7),
        )  # fmt: skip
        if not candidates:
            raise PlannerError("No place for the surface was found in the scan.", "Click three matching points.")
        near = [candidates[0]] + [c for c in candidates[1:3] if c.score > RIVAL_SCORE * candidates[0].score]
        starts = [candidate.fit.pose for candidate in near]
    else:
        starts = [start]
    fit, runner_up = settle(field_, sample, starts, degradation, part_of(progress, 0.7, 0.95))
    result = _judged(field_, surface, sample, fit, runner_up, sites_lps_mm, searched=start is None)
    mirrored, own = mirror_share(field_, sample, fit)
    if fit.used_share < LEAST_SHARE and start is None:
        flipped = _mirrored(sample)
        found = rough_starts(volume, grey, field_, flipped, surface.frame, jaw_up=jaw_up, quick=True)
        mirrored = max([mirrored, *(candidate.score for candidate in found)])
    result = _with_finding(result, mirrored_finding(mirrored, own))
    sized = scale_finding(field_, sample, fit)
    result = evolve(result, match=evolve(result.match, findings=(*result.match.findings, *sized)))
    if jaw_up is not None and start is None and not result.match.trusted:
        found = rough_starts(volume, grey, field_, sample, surface.frame, jaw_up=-jaw_up, quick=True)
        other = max((candidate.score for candidate in found), default=0.0)
        result = _with_finding(result, wrong_arch_finding(other, own, jaw_up > 0))
    progress(1.0, "")
    return result


def _judged(
    field_: GreyField,
    surface: Surface,
    sample: SurfaceSample,
    fit: SurfaceFit,
    runner_up: float | None,
    sites_lps_mm: AnyArray | None,
    searched: bool,
) -> SurfaceMatch:
    covariance, correlation, observations = surface_covariance(fit)
    area = float((fit.sample.areas_mm2 * fit.weight).sum())
    ends = fit.pose.apply(surface.points_mm[:: max(1, len(surface.points_mm) // 400)])
    sites = ends if sites_lps_mm is None else np.atleast_2d(np.asarray(sites_lps_mm, dtype=np.float64))
    good = np.isfinite(fit.residual_mm)
    weight_sum = float(fit.weight[good].sum())
    squares = float((fit.weight[good] * fit.residual_mm[good] ** 2).sum())
    rms = float(np.sqrt(squares / weight_sum)) if weight_sum > 0 else 0.0
    evidence = SurfaceEvidence(fit, covariance, area, runner_up, sites, sites_lps_mm is not None, rms, searched)
    reasons = judge_surface(evidence)
    carried = np.zeros(len(surface.points_mm))
    carried[fit.sample.index] = fit.weight
    match = Match(
        road=Road.SURFACE,
        lps_from_surface=fit.pose,
        covariance=covariance,
        residual_rms_mm=rms,
        residuals_mm=np.abs(fit.residual_mm[good]),
        trusted=not reasons,
        reasons=reasons,
        findings=tuple(Finding(Severity.BLOCKER, "surface-match-untrusted", text) for text in reasons),
        used_share=fit.used_share,
    )
    return SurfaceMatch(
        match, distance_map_mm(field_, surface, fit.pose), carried, correlation, observations, area,
        fit.offsets_mm, runner_up, None if sites_lps_mm is None else sites,
    )  # fmt: skip


def distance_map_mm(field_: GreyField, surface: Surface, pose: RigidTransform) -> FloatArray:
    """Give the signed distance (mm) from each surface point to the volume's edge along its normal (nan: none)."""
    normals = pose.apply_direction(smoothed_normals(surface))
    if looks_inside_out(surface):
        normals = -normals
    edges = edges_along(field_, pose.apply(surface.points_mm), normals, MAP_HALF_WIDTH_MM)
    # Borders that cannot be the scanned surface (bone under gingiva) would show a distance that means nothing.
    return np.where(edge_kinds(edges, field_.bone) >= 0, edges.offset_mm, np.nan).astype(np.float64)


def _mirrored(sample: SurfaceSample) -> SurfaceSample:
    """Give the mirror image of a sample."""
    mirror = np.array([-1.0, 1.0, 1.0])
    return SurfaceSample(sample.points_mm * mirror, sample.normals * mirror, sample.areas_mm2, sample.index)


def _with_finding(result: SurfaceMatch, finding: Finding | None) -> SurfaceMatch:
    if finding is None:
        return result
    match = evolve(
        result.match,
        trusted=False,
        reasons=(finding.text, *result.match.reasons),
        findings=(finding, *result.match.findings),
    )
    return evolve(result, match=match)
