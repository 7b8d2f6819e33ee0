"""Harm beside thin walls, and how far a bias away from an obstacle is believed."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.drilling import DrillList, DrillStep, Sleeve, Support
from planner_core.planning.error_budget import budgets
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.harm import CREDITED_BIAS_MM
from planner_core.planning.ledger import ledger
from planner_core.planning.magnitudes import chance_beyond
from planner_core.planning.monte_carlo import monte_carlo
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Tube
from planner_core.planning.published import PoseSpread

SHAPE = generic_catalogue().fixture("generic-parallel-4.0x10")
OWN = DrillList("own", (DrillStep("last", 3.5),), generic=False, tip_overshoot_mm=0.0)
ONLY_EXECUTION = {
    "making_sigma_mm": 0.0, "making_tilt_deg": 0.0, "tooth_contact_sigma_mm": 1e-6, "tooth_proud_mm": 0.0,
    "load_axial_n": 0.0, "load_lateral_n": 0.0, "depth_stop_sigma_mm": 0.0, "debris_mm": 0.0, "blunder_share": 0.0,
    "operator_spread": 0.0,
}  # fmt: skip


def placed(x=0.0):
    return {"36": PlacedFixture("36", SHAPE, FixturePose([x, 0.0, 0.0], [0.0, 0.0, -1.0]))}


def ridge(half_width_mm, sigma=0.0):
    """Give a ridge with upright walls, 40 mm long and 30 mm high, finely enough cut for the search."""
    corners = [(x, y, z) for x in (-half_width_mm, half_width_mm) for y in (-20.0, 20.0) for z in (-30.0, 1.0)]
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))])
    return Obstacle(
        ObstacleKind.BONE_SURFACE, "bone surface", Surface(np.array(corners), faces), sigma, inside=True
    )


def steady(sigma=0.6):
    """Give a guide whose drill only shifts, alike on all sides."""
    return GuideInputs(
        drills=OWN, values=ONLY_EXECUTION, execution=PoseSpread(sigma, 0.0),
        sleeves={"36": Sleeve("tight", 5.0, 6.0, 5.0, 4.0, 0.0)},
    )  # fmt: skip


@pytest.mark.parametrize("aside", [0.0, 0.3])
def test_both_walls_of_a_thin_ridge_count(aside):
    """Closed form: a shift beyond either wall; against random draws too."""
    fixtures, obstacle, guide = placed(aside), ridge(2.75), steady()
    rows = ledger(fixtures, [obstacle], drills=OWN).rows
    match = PoseCovariance.zero()
    harm = budgets(fixtures, guide=guide, match=match, rows=rows)["36"].harms[0]
    near, far = chance_beyond(1.0 - aside, 0.6), chance_beyond(1.0 + aside, 0.6)
    assert harm.chance == pytest.approx(float(near + far), rel=0.01)
    assert harm.chance > 1.1 * near
    drawn = monte_carlo(fixtures, [obstacle], guide=guide, match=match, rows=rows).sites["36"]
    assert drawn.chances["bone surface"].low * 0.95 <= harm.chance <= drawn.chances["bone surface"].high * 1.05


def test_a_wide_ridge_has_one_wall_that_counts():
    fixtures, guide = placed(8.0), steady()
    rows = ledger(fixtures, [ridge(11.0)], drills=OWN).rows
    harm = budgets(fixtures, guide=guide, match=PoseCovariance.zero(), rows=rows)["36"].harms[0]
    assert harm.leeway_mm == pytest.approx(1.25, abs=0.01)
    assert harm.chance == pytest.approx(float(chance_beyond(harm.leeway_mm, 0.6)), rel=0.01)


def test_need_is_larger_between_two_walls():
    guide, match = steady(), PoseCovariance.zero()
    thin, wide = (
        budgets(fixtures, guide=guide, match=match, rows=ledger(fixtures, [bone], drills=OWN).rows)["36"].harms[0]
        for fixtures, bone in ((placed(), ridge(3.0)), (placed(8.0), ridge(11.0)))
    )
    assert thin.need_mm > wide.need_mm + 0.05


def below(distance):
    z = -10.0 - distance - 400.0
    return Obstacle(ObstacleKind.DRAWN, "flat", Tube([[0.0, 0.0, z]], 400.0), 0.0)


def harm_with(debris_mm, **values):
    guide = GuideInputs(drills=OWN).changed(debris_mm=debris_mm, tooth_proud_mm=0.0, **values)
    rows = ledger(placed(), [below(1.5)], drills=OWN).rows
    first = budgets(placed(), guide=guide, rows=rows)["36"].harms[0]
    drawn = monte_carlo(placed(), [below(1.5)], guide=guide, rows=rows).sites["36"].chance_of_harm
    return first, drawn


def test_a_bias_away_from_an_obstacle_is_credited_no_further_than_published():
    """Eight papers have -0.25 to -0.57 mm, four others -0.08 to +1.13 mm (consensus 2018, S)."""
    some, drawn_some = harm_with(0.15)
    more, drawn_more = harm_with(0.4)
    most, drawn_most = harm_with(0.9)
    assert some.bias_mm == pytest.approx(-0.246, abs=0.02)  # debris, and standing on the highest places
    assert most.bias_mm < more.bias_mm < -CREDITED_BIAS_MM
    assert most.chance == pytest.approx(more.chance, rel=1e-6)
    assert some.chance == pytest.approx(more.chance, rel=0.03)
    for first, drawn in ((some, drawn_some), (more, drawn_more), (most, drawn_most)):
        assert 0.9 * drawn.low <= first.chance <= 1.1 * drawn.high


def test_a_bias_towards_an_obstacle_counts_in_full():
    guide = GuideInputs(support=Support.MUCOSA, drills=OWN)
    rows = ledger(placed(), [below(2.0)], drills=OWN).rows
    chances = [
        budgets(placed(), guide=guide.changed(mucosa_sinks_mm=m, debris_mm=0.0), rows=rows)["36"].harms[0]
        for m in (0.0, 0.25, 0.5)
    ]
    assert chances[0].chance < chances[1].chance < chances[2].chance
    assert chances[2].bias_mm - chances[0].bias_mm == pytest.approx(0.5, abs=1e-6)
