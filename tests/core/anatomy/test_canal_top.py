"""The canal's upper wall in a cross-section, against the section of a straight tube."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from planner_core.anatomy.canal_height import canal_top_at
from planner_core.anatomy.outline import Outline
from planner_core.anatomy.structures import Canal, Side

RADIUS_MM, SIGMA_MM = 1.2, 0.2
NO_FRAME: Any = None


def section() -> Outline:
    """The plane x = 0: outwards is +y, up is +z."""
    square = np.array([[-4.0, -20.0], [4.0, -20.0], [4.0, 0.0], [-4.0, 0.0]])
    axes = (np.zeros(3), np.array([0.0, 1, 0]), np.array([0.0, 0, 1]))
    return Outline(0.0, square, np.zeros((4, 2)), np.zeros(4), NO_FRAME, *axes, tooth=False, cut=False)


def canal(lean_deg: float, first_mm: float = -12.0, last_mm: float = 12.0) -> Canal:
    """A straight tube that crosses the plane at z = -10 and climbs by `lean_deg` along the arch."""
    along = np.linspace(first_mm, last_mm, 49)
    path = np.stack([along, np.zeros(49), -10.0 + np.tan(np.radians(lean_deg)) * along], axis=1)
    ones = np.ones(49)
    return Canal(Side.LEFT, path[[0, -1]], path, 2 * RADIUS_MM * ones, SIGMA_MM * ones, ones > 0)


@pytest.mark.parametrize("lean_deg", [0.0, 20.0, -35.0, 50.0])
def test_a_leaning_tube_reaches_as_high_as_its_section_does(lean_deg: float) -> None:
    """A cylinder cut at an angle is an ellipse whose half axis is its radius over the cosine."""
    found = canal_top_at(canal(lean_deg), section())
    assert found is not None
    assert found[0] == pytest.approx(-10.0 + RADIUS_MM / np.cos(np.radians(lean_deg)), abs=0.01)
    # An error along the arch lifts the wall of a leaning tube by its tangent.
    assert found[1] == pytest.approx(SIGMA_MM / np.cos(np.radians(lean_deg)), rel=0.1)


def test_where_the_course_ends_its_height_is_not_known() -> None:
    for first, last in ((0.4, 20.0), (-20.0, -1.0), (-0.5, 20.0)):
        found = canal_top_at(canal(40.0, first, last), section())
        assert found is not None
        assert found[1] == float("inf"), "it may go on steeply: the height is not to be given"
    assert canal_top_at(canal(0.0, 5.0, 20.0), section()) is None
