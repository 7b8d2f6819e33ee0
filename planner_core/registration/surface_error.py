"""How far a surface match can be off: covariance from residuals that are not independent of their neighbours.

Fifty thousand points are not fifty thousand observations: blur, streaks and scanner errors move neighbouring
edges together. The residuals' own correlation over distance is measured (variogram) and carried through the fit
(sandwich covariance of weighted least squares; White 1980, Econometrica 48:817, for correlated errors as in
Conley 1999, J Econometrics 92:1; M).
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from scipy.spatial import cKDTree

from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.registration.surface_fit import OFFSET_PRIOR_MM, SurfaceFit, normal_rows
from planner_core.registration.surface_sample import even_share

COVER_MM = 1.0
"""Spacing of the thin cover on which correlations are computed, mm (our choice: below the correlation lengths
met)."""

MOST_POINTS = 1800
"""Points of that cover at most: their pairs are a matrix (our choice, 25 MB)."""

BINS_MM = (0.3, 0.8, 1.3, 1.8, 2.5, 3.5, 5.0, 7.0, 10.0)
"""Bin limits of the variogram, mm; beyond it residuals are taken as independent."""

LENGTHS_MM = (0.5, 0.8, 1.2, 1.8, 2.6, 3.8, 5.5, 8.0)
"""Correlation lengths tried."""

UNSEEN_SHIFT_MM, UNSEEN_TURN_RAD = 0.0145, 0.00054
"""Error of the whole surface per axis, and as a turn per axis, that no residual shows: trueness of the surface scan
(median 0.015, up to 0.024 mm; PMC6981254, PMC7966190; S) and of the edge rule; set so that the stated 95 % holds in
tests/studies."""

STREAK_SHIFT_MM, STREAK_TURN_RAD = 0.03, 0.00153
"""The same, added in a streaked mouth: blooming and streaks are not the same on all sides (Coelho-Silva et al.
2021, DMFR 50:20210063; S for the fact); set in tests/studies."""

CLEAN_RMS_MM, STREAKED_RMS_MM = 0.095, 0.165
"""Residuals of a clean and of a streaked mouth, mm: they say how streaked the surroundings of the fit are (seen in
tests/studies)."""

SEEN_FACTOR = 0.62
"""Factor on the error that the residuals show, set so that the stated 95 % holds in tests/studies: the correlation
is measured on what the fit has left, and part of it is the surface's own detail."""


@frozen(eq=False)
class Correlation:
    """How residuals go together over distance: ``share * exp(-distance / length_mm)``; the rest is each point's."""

    share: float
    length_mm: float
    scale: float
    """Root mean square of residual over expected error of a single edge."""


def residual_correlation(points_mm: AnyArray, ratio: AnyArray, weight: AnyArray) -> Correlation:
    """Measure how residuals (over their expected error) go together over distance."""
    root = np.sqrt(weight)
    centred = ratio * root
    power = float((centred**2).sum() / weight.sum())
    tree = cKDTree(points_mm)
    pairs = tree.query_pairs(BINS_MM[-1], output_type="ndarray")
    if len(pairs) < 50 or power <= 0:
        return Correlation(1.0, LENGTHS_MM[-1], float(np.sqrt(max(power, 0.0))))
    distance = np.linalg.norm(points_mm[pairs[:, 0]] - points_mm[pairs[:, 1]], axis=1)
    product = centred[pairs[:, 0]] * centred[pairs[:, 1]]
    mass = root[pairs[:, 0]] * root[pairs[:, 1]]
    which = np.digitize(distance, BINS_MM)
    middle, value, count = [], [], []
    for k in range(len(BINS_MM)):
        inside = which == k
        if inside.sum() > 30:
            middle.append(float(distance[inside].mean()))
            value.append(float(product[inside].sum() / mass[inside].sum() / power))
            count.append(float(inside.sum()))
    return _fitted(np.array(middle), np.array(value), np.sqrt(np.array(count)), float(np.sqrt(power)))


def _fitted(middle: FloatArray, value: FloatArray, weight: FloatArray, scale: float) -> Correlation:
    best = (np.inf, 1.0, LENGTHS_MM[0])
    for length in LENGTHS_MM:
        shape = np.exp(-middle / length)
        share = float(np.clip((weight * shape * value).sum() / (weight * shape * shape).sum(), 0.05, 1.0))
        misfit = float((weight * (value - share * shape) ** 2).sum())
        if misfit < best[0]:
            best = (misfit, share, length)
    return Correlation(best[1], best[2], scale)


def surface_covariance(fit: SurfaceFit) -> tuple[PoseCovariance, Correlation, float]:
    """Give the covariance of a surface fit, the residuals' correlation, and how many observations really count.

    Returns
    -------
    covariance : PoseCovariance
    correlation : Correlation
    observations : float
        Number of independent observations that would leave the same error.
    """
    used = np.flatnonzero(fit.weight > 0.01)
    about = fit.about_lps_mm
    if len(used) < 20:
        return PoseCovariance(np.diag([0.1] * 3 + [25.0] * 3), about), Correlation(1.0, 8.0, 1.0), 0.0
    all_points = fit.pose.apply(fit.sample.points_mm[used])
    step = COVER_MM
    cover = even_share(all_points, step)
    while len(cover) > MOST_POINTS:
        step *= 1.15
        cover = even_share(all_points, step)
    thin = used[cover]
    points, weight, sigma = all_points[cover], fit.weight[thin], fit.sigma_mm[thin]
    correlation = residual_correlation(points, fit.residual_mm[thin] / sigma, weight)
    rows = np.zeros((len(thin), 9))
    rows[:, :6] = normal_rows(points, fit.pose.apply_direction(fit.sample.normals[thin]), about)
    rows[np.arange(len(thin)), 6 + fit.kind[thin]] = 1.0
    spread = sigma * max(correlation.scale, 0.5)
    weighted = rows * (weight / sigma**2)[:, None]
    matrix = weighted.T @ rows + np.diag([1e-6] * 6 + list(1.0 / np.asarray(OFFSET_PRIOR_MM) ** 2))
    distance = np.linalg.norm(points[:, None] - points[None], axis=2)
    joint = correlation.share * np.exp(-distance / correlation.length_mm)
    own = (1.0 - correlation.share) * len(thin) / len(used)
    joint[np.diag_indices(len(thin))] = correlation.share + own
    meat = (weighted * spread[:, None]).T @ joint @ (weighted * spread[:, None])
    meat[6:, 6:] += np.diag(1.0 / np.asarray(OFFSET_PRIOR_MM) ** 2)
    inverse = np.linalg.inv(matrix)
    covariance = (inverse @ meat @ inverse)[:6, :6]
    covariance = (covariance + covariance.T) / 2.0 * SEEN_FACTOR**2
    typical = float(np.median(spread)) ** 2
    observations = 3.0 * typical / max(1e-12, float(np.trace(covariance[3:, 3:])))
    # A surface that holds some direction not at all leaves rounding there that is larger than what it knows.
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2.0)
    covariance = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return PoseCovariance(covariance + unseen_covariance(streak_level(fit)), about), correlation, observations


def streak_level(fit: SurfaceFit) -> float:
    """Give how streaked it is around the fit: 0 as in a clean mouth, 1 as in one full of ceramic, at most 2."""
    weight = fit.weight * fit.sample.areas_mm2
    square = np.where(fit.weight > 0, np.nan_to_num(fit.residual_mm) ** 2, 0.0)
    rms = float(np.sqrt((weight * square).sum() / max(1e-12, float(weight.sum()))))
    return float(np.clip((rms - CLEAN_RMS_MM) / (STREAKED_RMS_MM - CLEAN_RMS_MM), 0.0, 2.0))


def unseen_covariance(streak: float) -> FloatArray:
    """Give the covariance (6, 6) that no residual shows, for a streak level of 0 to 2."""
    turn = UNSEEN_TURN_RAD**2 + (streak * STREAK_TURN_RAD) ** 2
    shift = UNSEEN_SHIFT_MM**2 + (streak * STREAK_SHIFT_MM) ** 2
    return np.asarray(np.diag([turn] * 3 + [shift] * 3))
