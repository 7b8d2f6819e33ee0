"""Whether a surface scan and a volume are of one size: best-fit scale of a surface match, for a warning only."""

from __future__ import annotations

import numpy as np
from attrs import evolve

from planner_core.findings import Finding
from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform
from planner_core.registration.edges import GreyField
from planner_core.registration.pair_checks import scale_findings
from planner_core.registration.rigid_fit import moved_by
from planner_core.registration.surface_fit import (
    OFFSET_PRIOR_MM,
    Stage,
    SurfaceFit,
    look,
    normal_rows,
)
from planner_core.registration.surface_sample import SurfaceSample

STAGES = (Stage(6000, 2.5, 2.0, 5), Stage(6000, 1.6, 1.1, 5))
"""Wide first: with a scale of 3 % the ends of an arch are 0.8 mm off."""

MOST_SCALE = 0.10
"""A scale is held within this of 1 (our choice: further off nothing would have been found)."""

MOST_ERROR = 0.005
"""Standard error of the scale up to which it says anything (our choice: a quarter of the tolerance)."""


def best_scale(field_: GreyField, sample: SurfaceSample, fit: SurfaceFit) -> tuple[float, float]:
    """Give the scale about which the surface fits the volume's edges best, and its standard error.

    The pose of `fit` is the start; neither it nor the surface is changed.
    """
    middle = np.average(sample.points_mm, axis=0, weights=sample.areas_mm2)
    pose, scale, offsets, error = fit.pose, 1.0, np.array(fit.offsets_mm), np.inf
    for stage in STAGES:
        thin = sample.thinned(stage.points)
        for _ in range(stage.iterations):
            sized = evolve(thin, points_mm=middle + scale * (thin.points_mm - middle))
            seen = look(field_, sized, pose, stage, offsets, None)
            used = seen.weight > 0
            if used.sum() < 50:
                return 1.0, np.inf
            step, error = _step(seen, pose, middle, used)
            pose = moved_by(pose, step[:6], seen.about_lps_mm)
            # The pose turns about the middle of the points, the scale works about the surface's own middle.
            scale = float(np.clip(scale * (1.0 + step[9]), 1.0 - MOST_SCALE, 1.0 + MOST_SCALE))
            offsets = np.clip(step[6:9], -2.0 * np.array(OFFSET_PRIOR_MM), 2.0 * np.array(OFFSET_PRIOR_MM))
    return scale, error


def _step(seen: SurfaceFit, pose: RigidTransform, middle: FloatArray, used: AnyArray) -> tuple[FloatArray, float]:
    """Solve for pose, shared offsets and scale at once."""
    points = pose.apply(seen.sample.points_mm[used])
    normals = pose.apply_direction(seen.sample.normals[used])
    rows = np.zeros((len(points), 10))
    rows[:, :6] = normal_rows(points, normals, seen.about_lps_mm)
    kind = seen.kind[used]
    rows[np.arange(len(kind)), 6 + kind] = 1.0
    rows[:, 9] = ((points - pose.apply(middle)) * normals).sum(axis=1)
    areas = seen.sample.areas_mm2[used]
    weight = seen.weight[used] / seen.sigma_mm[used] ** 2 * areas
    matrix = (rows * weight[:, None]).T @ rows
    matrix[6:9, 6:9] += np.diag(1.0 / np.array(OFFSET_PRIOR_MM) ** 2)
    matrix += 1e-6 * np.eye(10)
    step = np.linalg.solve(matrix, rows.T @ (weight * (seen.residual_mm[used] + seen.offsets_mm[kind])))
    return np.asarray(step, dtype=np.float64), float(np.sqrt(np.linalg.inv(matrix)[9, 9]))


def scale_finding(field_: GreyField, sample: SurfaceSample, fit: SurfaceFit) -> list[Finding]:
    """Give the finding that surface and volume differ in size; empty while they do not or it cannot be told."""
    scale, error = best_scale(field_, sample, fit)
    return scale_findings(scale) if error < MOST_ERROR else []
