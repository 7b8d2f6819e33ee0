"""Robust fit of a surface to the grey-value edges of a volume: graduated scale, Gauss-Newton on the rigid pose.

Each surface point asks the volume where its own edge lies along its normal (`edges`). Points without an edge,
points
whose edge lies far off (bone under gingiva, the opposing tooth, a streak) and points in degraded places count
less or
not at all (Tukey's biweight, scale shrinking from stage to stage; Black & Rangarajan 1996, Int J Comput Vis
19:57; M).
A shared offset per kind of border takes up what blur and blooming do to every edge alike (ceramic looks thicker
than it
is; Coelho-Silva et al. 2021, DMFR 50:20210063; S), so that it does not pull the pose.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform, readonly
from planner_core.progress import Progress, silent
from planner_core.registration.edges import CLIP_RELATIVE, Edges, GreyField, edges_along
from planner_core.registration.point_error import point_jacobians
from planner_core.registration.rigid_fit import moved_by
from planner_core.registration.surface_sample import SurfaceSample

Degradation = Callable[[FloatArray], AnyArray]
"""Gives the degradation (0 clean to 1 useless) at LPS points of shape (n, 3)."""

EDGE_FLOOR_MM = 0.06
"""Error of a single edge in a clean scan, mm (mean surface error of a cone-beam model of a dry phantom 0.052 mm,
Int J
Implant Dent 2019, s40729-019-0171-9; S)."""

DEGRADED_AT = 0.35
"""Degradation at which an edge's variance has doubled (our choice, tested in tests/studies)."""

DENSE_FROM = 1.5
"""Relative grey value from which the inside counts as tooth or bone rather than gingiva (between soft tissue, 1,
and enamel, 2 to 3; NIST XCOM at 60 keV, M)."""

CONTACT_ABOVE = 0.45
"""A border against soft tissue or a neighbour falls only to this level or higher; against air it falls lower."""

BONE_UNDER = 0.6
"""A border from bone to more than this (relative grey value) is bone under gingiva, not tooth. Without this rule
gingiva settles on bone (seen in tests/studies)."""

BONE_REACH, BONE_LEAST, BONE_MOST = 1.12, 2.2, 2.7
"""What is less dense than the first times the scan's own compact bone counts as bone, within the other two bounds
(relative grey values: bone lies at 1.5 to 2.4, enamel at 2.8 and more; NIST XCOM at 60 keV, M)."""

OFFSET_PRIOR_MM = (0.12, 0.12, 0.35)
"""How far the shared edge offset of gingiva, tooth and saturated restoration may go, one standard deviation, mm
(surface of cone-beam models off by 0.06 to 0.15 mm, J Dent Rehabil Appl Sci 2016;32:60; S; ceramic: our
choice)."""

MOST_OFFSET = 2.0
"""An offset is held within this many of its standard deviations."""

TUKEY = 4.685
"""Tukey's constant for 95 % efficiency on normal residuals (Holland & Welsch 1977; M)."""


@frozen
class Stage:
    """One stage of the graduated fit."""

    points: int
    half_width_mm: float
    reject_mm: float
    """Residuals beyond this count nothing."""
    iterations: int


COARSE_STAGES = (Stage(2500, 4.0, 4.0, 4), Stage(4000, 2.5, 2.0, 4), Stage(6000, 1.6, 1.2, 4))
FINAL_STAGES = (Stage(10_000, 1.5, 0.8, 6), Stage(50_000, 1.2, 0.6, 3))

CONVERGED_MM = 0.004
"""A step that moves no point further than this ends a stage, mm (our choice: far below every error here)."""


@frozen(eq=False)
class SurfaceFit:
    """A pose with what carried it; arrays of shape (n,) are by sample point."""

    pose: RigidTransform
    sample: SurfaceSample
    edges: Edges
    kind: NDArray[np.int8]
    """0 gingiva, 1 tooth, 2 saturated restoration, -1 no edge."""
    residual_mm: FloatArray = field(converter=readonly)
    """Edge offset along the normal less the shared offset of its kind; nan where no edge was found."""
    sigma_mm: FloatArray = field(converter=readonly)
    """Error expected of each single edge."""
    weight: FloatArray = field(converter=readonly)
    """Robust weight 0..1; zero where no edge was found."""
    offsets_mm: FloatArray = field(converter=readonly)
    """Shared edge offset of gingiva, tooth and restoration."""
    about_lps_mm: FloatArray = field(converter=readonly)

    @property
    def used_share(self) -> float:
        """Share of the surface's area that carried the fit."""
        areas = self.sample.areas_mm2
        return float((areas * self.weight).sum() / areas.sum())


def edge_kinds(edges: Edges, bone: float) -> NDArray[np.int8]:
    """Give the kind of each border: 0 gingiva, 1 tooth, 2 saturated restoration, -1 no border of a surface scan.

    `bone` is compact bone on the relative scale.
    """
    kind = np.full(len(edges.offset_mm), -1, np.int8)
    bone_up_to = min(max(BONE_REACH * bone, BONE_LEAST), BONE_MOST)
    found = edges.found
    kind[found & (edges.inside < DENSE_FROM)] = 0
    kind[found & (edges.inside >= DENSE_FROM)] = 1
    kind[found & (edges.inside >= 0.98 * CLIP_RELATIVE)] = 2
    # Soft tissue against soft tissue is no border of the scanned surface, nor is bone against the gingiva over it.
    kind[(kind == 0) & (edges.outside > CONTACT_ABOVE)] = -1
    kind[(kind == 1) & (edges.inside < bone_up_to) & (edges.outside > BONE_UNDER)] = -1
    return kind


def edge_sigma_mm(edges: Edges, noise: float, degraded: AnyArray | None) -> FloatArray:
    """Give the error (mm) of each edge: floor, noise over slope, and degradation at its place."""
    slope = np.clip(np.nan_to_num(edges.slope, nan=0.05), 0.05, None)
    variance = EDGE_FLOOR_MM**2 + (0.7 * noise / slope) ** 2
    if degraded is not None:
        variance = variance * (1.0 + (np.clip(degraded, 0.0, 1.0) / DEGRADED_AT) ** 2)
    return np.asarray(np.sqrt(variance), dtype=np.float64)


def tukey(residual: AnyArray, limit: AnyArray | float) -> FloatArray:
    """Give Tukey's weights: 1 at zero, 0 from `limit` on."""
    share = np.minimum(np.abs(residual) / limit, 1.0)
    return np.asarray((1.0 - share**2) ** 2)


def normal_rows(points_lps_mm: AnyArray, normals_lps: AnyArray, about_lps_mm: AnyArray) -> FloatArray:
    """Give the rows (n, 6) that take a six-vector to the displacement of each point along its normal."""
    return np.hstack([np.cross(points_lps_mm - about_lps_mm, normals_lps), np.asarray(normals_lps)])


def fit_surface(
    field_: GreyField,
    sample: SurfaceSample,
    start: RigidTransform,
    *,
    stages: tuple[Stage, ...] = COARSE_STAGES + FINAL_STAGES,
    degradation: Degradation | None = None,
    progress: Progress = silent,
) -> SurfaceFit:
    """Fit a surface to the volume's edges from a start that is near enough (a few mm, a few degrees).

    Parameters
    ----------
    field_ : GreyField
    sample : SurfaceSample
        In the source frame of `start`.
    start : RigidTransform
        LPS from surface.
    degradation : callable, optional
        The scan check's map.
    """
    pose, offsets = start, np.zeros(3)
    fit: SurfaceFit | None = None
    for number, stage in enumerate(stages):
        progress(number / len(stages), "Fitting the surface to the edges of the scan")
        part = sample.thinned(stage.points)
        # The map is smooth against the steps of a stage: read once.
        level = None if degradation is None else _fixed(degradation(pose.apply(part.points_mm)))
        for _ in range(stage.iterations):
            fit = look(field_, part, pose, stage, offsets, level)
            step, offsets = _solve(fit)
            pose = moved_by(pose, step, fit.about_lps_mm)
            reach = np.abs(point_jacobians(pose.apply(part.points_mm[:200]), fit.about_lps_mm) @ step).max()
            if reach < CONVERGED_MM:
                break
    progress(1.0, "")
    return look(field_, sample.thinned(stages[-1].points), pose, stages[-1], offsets, degradation)


def _fixed(level: AnyArray) -> Degradation:
    """Give a map that answers with levels read before."""
    return lambda _points: level


def look(
    field_: GreyField,
    sample: SurfaceSample,
    pose: RigidTransform,
    stage: Stage,
    offsets_mm: AnyArray,
    degradation: Degradation | None,
) -> SurfaceFit:
    """Find the edges at a pose and give each its weight."""
    points = pose.apply(sample.points_mm)
    edges = edges_along(field_, points, pose.apply_direction(sample.normals), stage.half_width_mm)
    kind = edge_kinds(edges, field_.bone)
    residual = np.where(kind >= 0, edges.offset_mm - offsets_mm[np.maximum(kind, 0)], np.nan)
    degraded = None if degradation is None else np.asarray(degradation(points), dtype=np.float64)
    sigma = edge_sigma_mm(edges, field_.noise, degraded)
    good = np.isfinite(residual)
    weight = np.zeros(len(residual))
    if good.any():
        ratio = residual[good] / sigma[good]
        centre = float(np.median(ratio))
        spread = 1.4826 * float(np.median(np.abs(ratio - centre)))
        limit = np.minimum(stage.reject_mm, TUKEY * max(spread, 1.0) * sigma[good])
        if stage.reject_mm > 1.0:
            limit = np.full(good.sum(), stage.reject_mm)
        weight[good] = tukey(residual[good], limit)
    return SurfaceFit(pose, sample, edges, kind, residual, sigma, weight, offsets_mm, points.mean(axis=0))


def normal_equations(fit: SurfaceFit) -> tuple[FloatArray, FloatArray]:
    """Give matrix (9, 9) and right side (9,) of pose and shared offsets, each point weighted as independent."""
    used = fit.weight > 0
    points = fit.pose.apply(fit.sample.points_mm[used])
    rows = np.zeros((int(used.sum()), 9))
    rows[:, :6] = normal_rows(points, fit.pose.apply_direction(fit.sample.normals[used]), fit.about_lps_mm)
    kind = fit.kind[used]
    rows[np.arange(len(kind)), 6 + kind] = 1.0
    value = fit.residual_mm[used] + fit.offsets_mm[kind]
    areas = fit.sample.areas_mm2[used]
    # Far from the surface no edge may be found at all: nothing pulls then.
    usual = float(areas.mean()) if len(areas) else 1.0
    weight = fit.weight[used] / fit.sigma_mm[used] ** 2 * areas / usual
    matrix = (rows * weight[:, None]).T @ rows
    return matrix, rows.T @ (weight * value)


def _solve(fit: SurfaceFit) -> tuple[FloatArray, FloatArray]:
    matrix, right = normal_equations(fit)
    # Neighbouring points repeat each other, so that the prior is scaled to one point per square millimetre.
    repeat = max(1.0, len(fit.weight) / float(fit.sample.areas_mm2.sum()))
    prior = repeat / np.asarray(OFFSET_PRIOR_MM) ** 2
    matrix[6:, 6:] += np.diag(prior)
    # A direction that nothing holds must not run away: a weak pull to where it is (1 mm, 3 degrees).
    matrix[:3, :3] += np.eye(3) * 400.0
    matrix[3:6, 3:6] += np.eye(3)
    solution = np.linalg.solve(matrix, right)
    limit = MOST_OFFSET * np.asarray(OFFSET_PRIOR_MM)
    if np.all(np.abs(solution[6:]) <= limit):
        return np.asarray(solution[:6]), np.asarray(solution[6:])
    # A kind with few points must not explain a wrong edge by its offset: hold it at the limit and solve for the
    # pose.
    held = np.clip(solution[6:], -limit, limit)
    pose = np.linalg.solve(matrix[:6, :6], right[:6] - matrix[:6, 6:] @ held)
    return np.asarray(pose), np.asarray(held)
