"""Lengths of normal vectors, one-sided chances and their limits: the statistics of the error budget.

Checked against the constants of Maxwell (three axes) and Rayleigh (two axes) and by Monte Carlo.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, gammaincinv, gammaln, ndtr, ndtri

from planner_core.geometry.frames import FloatArray

MAXWELL_MEAN = float(np.sqrt(8.0 / np.pi))
"""Mean length over the standard deviation per axis, isotropic normal error in space: 1.5958 (C)."""

RAYLEIGH_MEAN = float(np.sqrt(np.pi / 2.0))
"""Mean length over the standard deviation per axis, isotropic normal error in a plane: 1.2533 (C)."""


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
    square = covariance @ covariance
    c1 = np.trace(covariance, axis1=-2, axis2=-1) + np.einsum("...i,...i->...", mean, mean)
    c2 = np.trace(square, axis1=-2, axis2=-1) + 2.0 * np.einsum("...i,...ij,...j->...", mean, covariance, mean)
    c3 = np.einsum("...ij,...ji->...", square, covariance) + 3.0 * np.einsum(
        "...i,...ij,...j->...", mean, square, mean
    )
    certain = (c2 <= 1e-16) | (c3 <= 1e-24)
    degrees = np.where(certain, 1.0, c2**3 / np.where(certain, 1.0, c3) ** 2)
    quantile = 2.0 * gammaincinv(degrees / 2.0, np.asarray(level, dtype=np.float64))
    squared = np.where(certain, c1, c1 + np.sqrt(np.abs(c2) / degrees) * (quantile - degrees))
    return np.asarray(np.sqrt(np.clip(squared, 0.0, None)))


def chance_beyond(leeway_mm: ArrayLike, sigma_mm: ArrayLike, bias_mm: ArrayLike = 0.0) -> FloatArray:
    """Give the one-sided chance that a normal error along one direction exceeds the leeway (0..1)."""
    sigma = np.asarray(sigma_mm, dtype=np.float64)
    excess = np.asarray(bias_mm, dtype=np.float64) - np.asarray(leeway_mm, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(sigma > 0.0, excess / np.where(sigma > 0.0, sigma, 1.0), np.sign(excess) * np.inf)
    return np.asarray(ndtr(np.where(np.isnan(scaled), 0.0, scaled)))


def need_mm(sigma_mm: ArrayLike, limit: ArrayLike, bias_mm: ArrayLike = 0.0) -> FloatArray:
    """Give the leeway at which the one-sided chance equals the limit, mm."""
    return np.asarray(np.asarray(sigma_mm) * -ndtri(np.asarray(limit, dtype=np.float64)) + np.asarray(bias_mm))


def binomial_limits(hits: int, draws: int, level: float = 0.95) -> tuple[float, float]:
    """Give Clopper and Pearson's exact confidence limits of a share (Biometrika 1934, 26:404; M)."""
    tail = (1.0 - level) / 2.0
    low = 0.0 if hits == 0 else float(betaincinv(hits, draws - hits + 1, tail))
    high = 1.0 if hits == draws else float(betaincinv(hits + 1, draws - hits, 1.0 - tail))
    return low, high
