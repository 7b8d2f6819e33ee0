"""Statistics of error magnitudes against published constants, exact laws and Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest

from planner_core.geometry.covariance import distance_p95_mm
from planner_core.planning.magnitudes import (
    MAXWELL_MEAN,
    RAYLEIGH_MEAN,
    binomial_limits,
    chance_beyond,
    length_quantiles,
    mean_lengths,
    mixture_quantiles,
    need_mm,
)


def test_constants_of_maxwell_and_rayleigh():
    """FACTS.md section 0, constants for magnitude statistics (C)."""
    assert pytest.approx(1.5958, abs=1e-4) == MAXWELL_MEAN
    assert pytest.approx(1.2533, abs=1e-4) == RAYLEIGH_MEAN
    for axes, mean, p95, p99 in ((3, 1.5958, 1.752, 2.111), (2, 1.2533, 1.953, None)):
        unit, zero = np.eye(axes), np.zeros(axes)
        assert mean_lengths(unit, zero) == pytest.approx(mean, abs=1e-4)
        assert length_quantiles(unit, zero) / mean == pytest.approx(p95, abs=1e-3)
        if p99:
            assert length_quantiles(unit, zero, 0.99) / mean == pytest.approx(p99, abs=1e-3)


def test_mean_of_1_4_mm_in_space():
    """FACTS.md section 0 row 11 (C): sigma 0.877, p95 2.45, beyond 2 mm 15.8 %, one direction 1.1 %."""
    sigma = 1.4 / MAXWELL_MEAN
    assert sigma == pytest.approx(0.877, abs=5e-4)
    covariance = sigma**2 * np.eye(3)
    assert length_quantiles(covariance, np.zeros(3)) == pytest.approx(2.45, abs=0.005)
    assert length_quantiles(covariance, np.zeros(3), 1 - 0.158) == pytest.approx(2.0, abs=0.005)
    assert chance_beyond(2.0, sigma) == pytest.approx(0.011, abs=5e-4)


@pytest.mark.parametrize(("leeway", "percent"), [(3.0, 0.03), (2.0, 1.1), (1.0, 12.7)])
def test_one_sided_distances(leeway, percent):
    assert 100 * chance_beyond(leeway, 0.877) == pytest.approx(percent, abs=0.05)


def test_need_is_where_the_chance_meets_the_limit():
    need = need_mm([0.877], [0.01], [0.1])
    assert chance_beyond(need, 0.877, 0.1) == pytest.approx(0.01, rel=1e-3)
    mixed = need_mm([[0.6], [2.0]], [0.01], [0.0], [0.95, 0.05])
    assert 0.95 * chance_beyond(mixed, 0.6) + 0.05 * chance_beyond(mixed, 2.0) == pytest.approx(0.01, rel=2e-3)


def test_no_spread_at_all():
    assert chance_beyond(1.0, 0.0) == 0.0
    assert chance_beyond(-1.0, 0.0) == 1.0
    assert mean_lengths(np.zeros((3, 3)), [3.0, 4.0, 0.0]) == pytest.approx(5.0)
    assert length_quantiles(np.zeros((3, 3)), [3.0, 4.0, 0.0]) == pytest.approx(5.0)


@pytest.mark.parametrize("seed", range(6))
def test_uneven_and_biased_errors_against_random_draws(seed):
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(3, 3)) * rng.uniform(0.2, 1.5, 3)
    mean = rng.normal(size=3) * 0.8
    lengths = np.linalg.norm(rng.standard_normal((200_000, 3)) @ a.T + mean, axis=1)
    covariance = a @ a.T
    assert mean_lengths(covariance, mean) == pytest.approx(lengths.mean(), rel=0.04)
    assert length_quantiles(covariance, mean) == pytest.approx(np.quantile(lengths, 0.95), rel=0.03)
    assert length_quantiles(covariance, mean) == pytest.approx(distance_p95_mm(covariance, mean), rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_quantile_of_a_mixture_against_random_draws(seed):
    rng = np.random.default_rng(seed)
    roots = [rng.normal(size=(3, 3)) * s for s in (0.4, 0.6, 2.0)]
    weights, mean = np.array([0.5, 0.45, 0.05]), rng.normal(size=3) * 0.3
    law = rng.choice(3, size=400_000, p=weights)
    normal = rng.standard_normal((400_000, 3))
    lengths = np.concatenate([np.linalg.norm(normal[law == k] @ roots[k].T + mean, axis=1) for k in range(3)])
    covariances = np.array([r @ r.T for r in roots])
    assert mixture_quantiles(covariances, mean, weights) == pytest.approx(np.quantile(lengths, 0.95), rel=0.03)
    one = mixture_quantiles(covariances[:1], mean, [1.0])
    assert one == pytest.approx(length_quantiles(covariances[0], mean), rel=1e-3)


@pytest.mark.parametrize(("hits", "draws"), [(0, 20_000), (3, 100), (220, 20_000), (50, 50)])
def test_binomial_limits_agree_with_scipy(hits, draws):
    expected = binomtest(hits, draws).proportion_ci(0.95, method="exact")
    assert binomial_limits(hits, draws) == pytest.approx((expected.low, expected.high), abs=1e-9)


def test_need_of_a_mixture_is_the_leeway_at_which_its_chance_is_the_limit():
    """Against plain halving, over many mixtures with a small share of a wide law."""
    rng = np.random.default_rng(11)
    weights = np.array([0.165, 0.66, 0.165, 0.01])
    base = rng.uniform(0.2, 1.5, 400)
    sigma = np.array([0.8 * base, base, 1.4 * base, np.hypot(base, rng.uniform(1.0, 3.0, 400))])
    limit, bias = rng.choice([0.001, 0.005, 0.01, 0.02, 0.05, 0.2, 0.45], 400), rng.normal(0.0, 0.4, 400)
    low, high = np.full(400, -10.0), np.full(400, 30.0)
    for _ in range(60):
        middle = (low + high) / 2.0
        above = weights @ chance_beyond(middle, sigma, bias) > limit
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    assert np.abs(need_mm(sigma, limit, bias, weights) - low).max() < 0.005
