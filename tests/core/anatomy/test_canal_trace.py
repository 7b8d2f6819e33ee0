"""The traced canal against known tubes; the way through costs against scikit-image's minimal path."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial import cKDTree
from skimage.graph import MCP_Geometric, route_through_array

from planner_core.anatomy.canal_trace import trace_canal, trace_drawn
from planner_core.anatomy.foramen import LOOP_DEFAULT_MM, anterior_loop, mental_foramen
from planner_core.anatomy.grid import coarse_grid
from planner_core.anatomy.marked import DrawnKind
from planner_core.anatomy.shortest import cheapest_path, costs_from
from planner_core.anatomy.structures import Side
from planner_core.anatomy.tube_course import plausible, tube_costs
from planner_core.anatomy.tube_walls import lead_on
from planner_core.errors import PlannerError
from tests.core.anatomy.phantom_shapes import LEVELS, jaw_bar


def dense_truth(count: int = 4000) -> np.ndarray:
    t = np.linspace(-1, 1, count)
    return np.stack([22 * t, 0.8 * np.sin(2 * t), -5.0 + 2.0 * t**2], axis=1)


def clicks_on(truth: np.ndarray, seed: int) -> np.ndarray:
    """Three hand-set points: 0.4 mm per axis (Tomasi et al. 2011)."""
    rng = np.random.default_rng(seed)
    return truth[[300, 2000, 3700]] + rng.normal(0, 0.4, (3, 3))


@pytest.mark.parametrize("seed", range(3))
def test_the_cheapest_way_is_as_cheap_as_skimages(seed: int) -> None:
    rng = np.random.default_rng(seed)
    costs = rng.random((14, 16, 18)).astype(np.float32) + 0.05
    start, stop = (1, 1, 1), (12, 14, 16)
    path, cost = cheapest_path(costs, start, stop)
    peer_path, peer_cost = route_through_array(costs, start, stop, fully_connected=True, geometric=True)
    assert cost == pytest.approx(float(peer_cost), rel=1e-5)
    assert [tuple(place) for place in path.tolist()] == [tuple(int(v) for v in place) for place in peer_path]
    sources = np.zeros(costs.shape, bool)
    sources[start] = True
    everywhere = MCP_Geometric(costs, fully_connected=True).find_costs([start])[0]
    assert_allclose(costs_from(costs, sources), everywhere, rtol=1e-5)


def test_on_the_canals_own_costs_the_way_is_skimages_too() -> None:
    bar = jaw_bar()
    grid = coarse_grid(bar.volume, 0.6)
    costs = tube_costs(grid, LEVELS)
    start, stop = (np.round(grid.to_index(dense_truth()[k])).astype(int) for k in (300, 3700))
    _, cost = cheapest_path(costs, start, stop)
    _, peer = route_through_array(costs, start, stop, fully_connected=True, geometric=True)
    assert cost == pytest.approx(float(peer), rel=1e-5)


def test_walls_cannot_be_entered_and_a_closed_way_is_refused() -> None:
    costs = np.ones((5, 5, 9), np.float32)
    costs[:, :, 4] = -1
    with pytest.raises(PlannerError, match="no way"):
        cheapest_path(costs, (2, 2, 0), (2, 2, 8))
    costs[0, 0, 4] = 1
    path, _ = cheapest_path(costs, (2, 2, 0), (2, 2, 8))
    assert [0, 0, 4] in path.tolist()


@pytest.mark.parametrize("noise", [40.0, 150.0])
@pytest.mark.parametrize(("gain", "offset"), [(1.0, 0.0), (0.3, -500.0)])
def test_a_canal_is_followed_through_noise_on_any_grey_scale(noise: float, gain: float, offset: float) -> None:
    bar = jaw_bar(noise=noise, gain=gain, offset=offset)
    canal = trace_canal(bar.volume, Side.LEFT, clicks_on(dense_truth(), 1))
    error = cKDTree(dense_truth()).query(canal.path_lps_mm)[0]
    assert error.mean() < 0.3
    assert error.max() < 0.6
    assert canal.certain.mean() > 0.9
    assert np.median(canal.diameter_mm) == pytest.approx(2 * bar.canal_radius_mm, abs=0.4)
    assert (error < 2.45 * canal.sigma_mm).mean() > 0.9, "95 % circle of a two-dimensional normal error"


def test_where_the_canal_is_not_seen_its_course_is_uncertain() -> None:
    bar = jaw_bar(gap=(-6.0, 4.0))
    canal = trace_canal(bar.volume, Side.LEFT, clicks_on(dense_truth(), 2), levels=LEVELS)
    x = canal.path_lps_mm[:, 0]
    hidden, open_ = (x > -4.5) & (x < 2.5), (x < -8) | (x > 6)
    assert not canal.certain[hidden].any()
    assert canal.certain[open_].mean() > 0.9
    assert canal.sigma_mm[hidden].min() > 2 * canal.sigma_mm[open_].mean()
    error = cKDTree(dense_truth()).query(canal.path_lps_mm)[0]
    assert error.max() < 1.0
    assert (error < 2.45 * canal.sigma_mm).mean() > 0.9


def test_without_any_canal_nothing_is_certain() -> None:
    bar = jaw_bar(gap=(-30.0, 30.0))
    canal = trace_canal(bar.volume, Side.LEFT, clicks_on(dense_truth(), 3), levels=LEVELS)
    assert canal.certain.mean() < 0.1
    assert canal.sigma_mm.min() >= 0.4


def test_streaks_make_the_course_uncertain() -> None:
    class Streaked:
        def level_at(self, points_lps_mm: np.ndarray) -> np.ndarray:
            return np.where(points_lps_mm[:, 0] > 0, 0.9, 0.0)

    bar = jaw_bar()
    canal = trace_canal(bar.volume, Side.LEFT, clicks_on(dense_truth(), 1), levels=LEVELS, degradation=Streaked())
    assert not canal.certain[canal.path_lps_mm[:, 0] > 1].any()
    assert canal.certain[canal.path_lps_mm[:, 0] < -1].all()


def test_a_click_outside_the_scan_is_refused() -> None:
    bar = jaw_bar()
    with pytest.raises(PlannerError, match="outside the scan"):
        trace_canal(bar.volume, Side.LEFT, [[0, 0, -5], [500, 0, 0]])


def test_a_loop_that_was_not_traced_is_the_published_mean_and_says_so() -> None:
    bar = jaw_bar()
    canal = trace_canal(bar.volume, Side.LEFT, clicks_on(dense_truth(), 1), levels=LEVELS)
    loop = anterior_loop(canal, None)
    assert not loop.traced
    assert loop.length_mm == LOOP_DEFAULT_MM == 2.4
    assert loop.keep_away_mm == pytest.approx(4.4)
    assert "no fixed distance is safe" in loop.note


def test_a_closed_canal_has_no_seen_foramen() -> None:
    bar = jaw_bar()
    canal = trace_canal(bar.volume, Side.LEFT, dense_truth()[[1500, 2000, 3000]], levels=LEVELS)
    foramen = mental_foramen(bar.volume, canal, LEVELS)
    assert foramen is None or not foramen.seen


@pytest.mark.parametrize("kind", [DrawnKind.INCISIVE_CANAL, DrawnKind.SINUS_ARTERY])
def test_a_narrow_tube_is_followed_by_the_same_rules(kind: DrawnKind) -> None:
    """Tubes of 1.4 mm, about what an incisive canal and an artery of the sinus wall measure (common practice)."""
    bar = jaw_bar(canal_radius_mm=0.7, noise=40.0, spacing_mm=0.25)
    found = trace_drawn(bar.volume, kind, "narrow", clicks_on(dense_truth(), 4), levels=LEVELS)
    error = cKDTree(dense_truth()).query(found.points_lps_mm)[0]
    assert error.mean() < 0.25
    assert error[found.certain].max() < 0.6
    assert found.certain.mean() > 0.8
    assert np.median(found.diameter_mm) == pytest.approx(1.4, abs=0.4)
    assert len(found.control_lps_mm) == 3


def test_a_vessel_of_soft_tissue_is_not_followed_by_itself() -> None:
    with pytest.raises(PlannerError, match="cannot be followed"):
        trace_drawn(jaw_bar().volume, DrawnKind.FLOOR_VESSEL, "vessel", clicks_on(dense_truth(), 4))


def test_a_turn_into_a_hollow_is_no_course_of_a_canal() -> None:
    """What once was called certain: a detour of 4 mm over 12 mm of a straight canal."""
    x = np.arange(0.0, 60.0, 0.5)
    bow = np.column_stack([x, 4.0 * np.sin(x / 60.0 * np.pi), np.zeros_like(x)])
    assert plausible(bow).all(), "a canal bows over its whole length"
    strayed = bow.copy()
    strayed[:, 2] = 4.2 * np.exp(-(((x - 35.0) / 3.0) ** 4))
    off = np.abs(strayed[:, 2]) > 1.0
    assert not plausible(strayed)[off].any()
    assert plausible(strayed)[(x < 20) | (x > 50)].all()
    loop = bow.copy()
    loop[:10, 1] += np.linspace(4.0, 0.0, 10)
    assert plausible(loop)[24:].all(), "the front end may turn to the foramen"


def test_what_is_well_measured_leads_a_course_over_what_is_not() -> None:
    rng = np.random.default_rng(4)
    turn = np.arange(80) * 0.5 / 30.0
    truth = np.stack([30.0 * np.cos(turn), 30.0 * np.sin(turn), 0.1 * np.arange(80)], axis=1)
    measured, sigma = truth + rng.normal(0, 0.05, truth.shape), np.full(80, 0.05)
    measured[35:47] += (0.0, 2.0, 1.0)
    sigma[35:47] = 1.0
    led, left = lead_on(measured, sigma)
    error = np.linalg.norm(led - truth, axis=1)
    assert error[:30].mean() < np.linalg.norm(measured - truth, axis=1)[:30].mean()
    assert error[35:47].max() < 0.5
    assert left[41] > 2.0 * left[20]
    assert (error < 2.8 * left).mean() > 0.9
