"""The canal by clicks: a smooth tube through them whose uncertainty grows away from them."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.anatomy.canal import CLICK_SIGMA_MM, canal_from_clicks
from planner_core.anatomy.structures import Side
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume

CLICKS = np.array([[20.0, 0, 0], [24, 10, -3], [28, 20, -2], [30, 34, 8]])


def test_the_tube_passes_its_clicks_from_the_foramen_backwards() -> None:
    for order in ([0, 1, 2, 3], [3, 2, 1, 0], [2, 0, 3, 1]):
        canal = canal_from_clicks(Side.LEFT, CLICKS[order])
        assert np.allclose(canal.path_lps_mm[0], CLICKS[0])
        assert np.allclose(canal.path_lps_mm[-1], CLICKS[3])
        for click in CLICKS:
            assert np.linalg.norm(canal.path_lps_mm - click, axis=1).min() < 0.3
    assert np.allclose(canal.diameter_mm, 3.0)
    assert canal.radius_mm[0] == 1.5


def test_uncertainty_grows_away_from_the_clicks_and_with_the_voxel() -> None:
    canal = canal_from_clicks(Side.LEFT, CLICKS)
    assert canal.sigma_mm[0] == pytest.approx(CLICK_SIGMA_MM)
    assert canal.sigma_mm.max() > 1.2 * CLICK_SIGMA_MM
    assert canal.certain[0]
    assert not canal.certain.all(), "the long last piece is only joined up"
    coarse = Volume(np.zeros((4, 4, 4), np.int16), np.diag([1.0, 1.0, 1.0, 1.0]))
    assert canal_from_clicks(Side.LEFT, CLICKS, coarse).sigma_mm[0] > canal.sigma_mm[0]


def test_one_click_or_an_impossible_diameter_is_refused() -> None:
    with pytest.raises(PlannerError, match="at least two points"):
        canal_from_clicks(Side.LEFT, CLICKS[:1])
    with pytest.raises(PlannerError, match="one spot"):
        canal_from_clicks(Side.LEFT, [CLICKS[0], CLICKS[0]])
    with pytest.raises(PlannerError, match="diameter"):
        canal_from_clicks(Side.LEFT, CLICKS, diameter_mm=0)
