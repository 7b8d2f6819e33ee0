"""Lengths of normal vectors, one-sided chances and their limits: the statistics of the error budget.

Checked against the constants of Maxwell (three axes) and Rayleigh (two axes) and by Monte Carlo.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammainc, gammaincinv, gammaln, ndtr, ndtri

from planner_core.geometry.frames import FloatArray

MAXWELL_MEAN = float(np.sqrt(8.0 / np.pi))
"""Mean length over the standard deviation per axis, isotropic normal error in space: 1.5958 (C)."""

RAYLEIGH_MEAN = float(np.sqrt(np.pi / 2.0))
"""Mean length over the standard deviation per axis, isotropic normal error in a plane: 1.2533 (C)."""


NEED_STEPS = 4
"""Steps to a need, Newton's on the logarithm kept between bounds (our choice: within 1 um on the tested ones)."""

INVERSE_ROOT_2PI = float(1.0 / np.sqrt(2.0 * np.pi))

NEWTON_STEPS = 2
"""Steps to the quantile of a mixture (our choice: within 0.1 % on the tested ones)."""


def mean_lengths(covariances: ArrayLike, means: ArrayLike) -> FloatArray:
    """Give the mean length of normal vectors.

    The squared length is taken as a gamma variable of the same mean and variance: exact for isotropic errors of
    one, two or three axes without bias, within 4 % otherwise (tests).

    Parameters
    ----------
    covariances : array of shape (..., d, d)
    means : array of shape (..., d)

    Returns
    -------
    array of shape (...)
    """
    covariance = np.asarray(covariances, dtype=np.float64)
    mean = np.asarray(means, dtype=np.float64)
    first = np.trace(covariance, axis1=-2, axis2=-1) + np.einsum("...i,...i->...", mean, mean)
    second = 2.0 * np.einsum("...ij,...ij->...", covariance, covariance) + 4.0 * np.einsum(
        "...i,...ij,...j->...", mean, covariance, mean
    )
    certain = second <= 1e-16
    shape = np.where(certain, 1.0, first**2 / np.where(certain, 1.0, second))
    scaled = np.exp(gammaln(shape + 0.5) - gammaln(shape)) / np.sqrt(shape)
    return np.asarray(np.sqrt(np.clip(first, 0.0, None)) * np.where(certain, 1.0, scaled))


def length_quantiles(covariances: ArrayLike, means: ArrayLike, level: ArrayLike = 0.95) -> FloatArray:
    """Give quantiles of the length of normal vectors.

    Three-moment chi-square fit to the quadratic form (Imhof 1961, Biometrika 48:419; M), as
    `geometry.covariance.distance_p95_mm` but for many at once and any number of axes.

    Parameters
    ----------
    covariances : array of shape (..., d, d)
    means : array of shape (..., d)
    level : number or array of shape (...)
    """
    covariance = np.asarray(covariances, dtype=np.float64)
    mean = np.asarray(means, dtype=np.float64)
    c1, c2, c3 = _cumulants(covariance, mean)
    certain = (c2 <= 1e-16) | (c3 <= 1e-24)
    degrees = np.where(certain, 1.0, c2**3 / np.where(certain, 1.0, c3) ** 2)
    quantile = 2.0 * gammaincinv(degrees / 2.0, np.asarray(level, dtype=np.float64))
    squared = np.where(certain, c1, c1 + np.sqrt(np.abs(c2) / degrees) * (quantile - degrees))
    return np.asarray(np.sqrt(np.clip(squared, 0.0, None)))


def mixture_quantiles(
    covariances: ArrayLike, means: ArrayLike, weights: ArrayLike, level: float = 0.95
) -> FloatArray:
    """Give quantiles of the length of a vector that follows one of several normal laws.

    Each law's length has the three-moment fit of `length_quantiles`; the quantile of the mixture is found by Newton
    steps from the mean of the laws' own.

    Parameters
    ----------
    covariances : array of shape (c, ..., d, d)
    means : array of shape (..., d)
    weights : array of shape (c,), summing to one
    """
    covariance = np.asarray(covariances, dtype=np.float64)
    mean = np.asarray(means, dtype=np.float64)
    weight = np.asarray(weights, dtype=np.float64).reshape(-1, *[1] * (covariance.ndim - 3))
    c1, c2, c3 = _cumulants(covariance, mean)
    certain = (c2 <= 1e-16) | (c3 <= 1e-24)
    c2 = np.where(certain, 1e-12, c2)
    half = np.where(certain, 0.5, c2**3 / np.where(certain, 1.0, c3) ** 2 / 2.0)
    slope = np.sqrt(2.0 * half / c2)
    # Wilson and Hilferty's cube (1931; M) is near enough to start from.
    ninth = 1.0 / (9.0 * half)
    start = half * np.maximum(1.0 - ninth + float(ndtri(level)) * np.sqrt(ninth), 0.05) ** 3
    own = np.sqrt(np.maximum(c1 + 2.0 * (start - half) / slope, 0.0))
    q = (weight * own).sum(axis=0)
    log_norm = gammaln(half)
    for _ in range(NEWTON_STEPS):
        x = np.maximum(half + (q * q - c1) * (0.5 * slope), 1e-12)
        share = (weight * gammainc(half, x)).sum(axis=0)
        density = np.exp((half - 1.0) * np.log(x) - x - log_norm) * slope
        rise = np.maximum((weight * density).sum(axis=0) * q, 1e-6)
        q = np.minimum(np.maximum(q - (share - level) / rise, 0.5 * q), 2.0 * q)
    return np.asarray(np.where(certain.all(axis=0), own.max(axis=0), q))


def _cumulants(covariance: FloatArray, mean: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give the three power sums of a quadratic form's law: c_k = sum of lambda^k (1 + k shift^2)."""
    square = covariance @ covariance
    along = (covariance @ mean[..., None])[..., 0]
    c1 = np.trace(covariance, axis1=-2, axis2=-1) + (mean * mean).sum(axis=-1)
    c2 = np.trace(square, axis1=-2, axis2=-1) + 2.0 * (mean * along).sum(axis=-1)
    c3 = (square * covariance).sum(axis=(-1, -2)) + 3.0 * (along * along).sum(axis=-1)
    return c1, c2, c3


def chance_beyond(leeway_mm: ArrayLike, sigma_mm: ArrayLike, bias_mm: ArrayLike = 0.0) -> FloatArray:
    """Give the one-sided chance that a normal error along one direction exceeds the leeway (0..1)."""
    excess = np.asarray(bias_mm, dtype=np.float64) - np.asarray(leeway_mm, dtype=np.float64)
    # Without any spread the chance is 0 or 1, and a half where leeway and bias are equal.
    return np.asarray(ndtr(excess / np.maximum(np.asarray(sigma_mm, dtype=np.float64), 1e-12)))


def need_mm(
    sigma_mm: ArrayLike, limit: ArrayLike, bias_mm: ArrayLike = 0.0, weights: ArrayLike = (1.0,)
) -> FloatArray:
    """Give the leeway at which the one-sided chance of a mixture of normal errors equals the limit, mm.

    Parameters
    ----------
    sigma_mm : array of shape (c, n)
        Of each law; with one law its first axis may be missing.
    limit, bias_mm : arrays of shape (n,)
    weights : array of shape (c,)
    """
    weight = np.asarray(weights, dtype=np.float64)
    sigma = np.asarray(sigma_mm, dtype=np.float64)
    if len(weight) == 1:
        sigma = sigma.reshape(1, -1) if sigma.ndim <= 1 else sigma
    sigma = np.maximum(sigma, 1e-12)
    wanted, bias = np.asarray(limit, dtype=np.float64), np.asarray(bias_mm, dtype=np.float64)
    # One law alone needs its own multiple of its spread; the mixture lies between the least and the most of these.
    multiple = -ndtri(np.minimum(wanted, 0.5))
    low, high = multiple * sigma.min(axis=0), multiple * sigma.max(axis=0)
    inverse = 1.0 / sigma
    # No less than what any one law needs for its own share of the chance; near the answer already.
    own = np.maximum(-ndtri(np.minimum(wanted / weight[:, None], 0.5)), 0.0)
    x = np.maximum((own * sigma).max(axis=0), low)
    for _ in range(NEED_STEPS):
        scaled = x * inverse
        chance = weight @ ndtr(-scaled)
        low, high = np.where(chance > wanted, x, low), np.where(chance > wanted, high, x)
        fall = weight @ (np.exp(-0.5 * scaled * scaled) * inverse) * INVERSE_ROOT_2PI
        step = np.log(np.maximum(chance, 1e-300) / wanted) * chance / np.maximum(fall, 1e-300)
        x = np.where((x + step >= low) & (x + step <= high), x + step, (low + high) / 2.0)
    return np.asarray(x + bias)


def binomial_limits(hits: int, draws: int, level: float = 0.95) -> tuple[float, float]:
    """Give Clopper and Pearson's exact confidence limits of a share (Biometrika 1934, 26:404; M)."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if hits == 0 else float(betaincinv(hits, draws - hits + 1, tail))
    high = 1.0 if hits == draws else float(betaincinv(hits + 1, draws - hits, 1.0 - tail))
    return low, high
