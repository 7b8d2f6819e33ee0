"""The mechanical drill simulation against statics by hand, and a small run of its study."""

import argparse

import numpy as np
import pytest

from tests.studies import drill
from tests.studies.drill_simulation import Patch, canal_gap, settle

UP = np.array([0.0, 0.0, 1.0])


def three_feet(stiffness: float = 100.0) -> list[Patch]:
    places = [[20.0, 0.0, 0.0], [-10.0, 17.3, 0.0], [-10.0, -17.3, 0.0]]
    feet = [Patch(np.array(p), UP, stiffness, 0.0) for p in places]
    side = [Patch(np.array(p), np.array(d), 10.0, 0.0, clasps=True) for p in places for d in ([1, 0, 0], [0, 1, 0])]
    return feet + side


def push_down(newton: float, guides: int = 1) -> np.ndarray:
    return np.tile([0.0, 0.0, 0.0, 0.0, 0.0, -newton], (guides, 1))


def test_a_pressed_guide_sinks_by_force_over_stiffness():
    feet = three_feet()
    pose = settle(feet, np.zeros((1, len(feet))), np.zeros(3), push_down(30.0))
    assert pose[0, 5] == pytest.approx(-30.0 / 300.0, rel=1e-3)
    assert np.allclose(pose[0, :5], 0.0, atol=1e-6)


def test_a_raised_foot_lifts_and_tilts_as_three_points_ask():
    feet = three_feet(1e4)
    errors = np.zeros((1, len(feet)))
    errors[0, 0] = 0.3
    pose = settle(feet, errors, np.zeros(3), push_down(30.0))
    height = pose[0, 5] - pose[0, 1] * 20.0
    assert height == pytest.approx(0.3, abs=0.005)
    assert pose[0, 5] == pytest.approx(0.1, abs=0.005)


def test_tissue_does_not_pull():
    feet = three_feet()
    errors = np.zeros((1, len(feet)))
    errors[0, :3] = -1.0
    pose = settle(feet, errors, np.zeros(3), push_down(-0.3))
    # Springs that held both ways would let it rise by a thousandth of a millimetre.
    assert pose[0, 5] > 1.0


def test_more_guides_settle_as_each_would_alone():
    rng = np.random.default_rng(2)
    feet = three_feet(500.0)
    errors = rng.normal(scale=0.2, size=(40, len(feet)))
    together = settle(feet, errors, np.zeros(3), push_down(30.0, 40))
    alone = np.concatenate([settle(feet, e[None], np.zeros(3), push_down(30.0)) for e in errors])
    assert np.allclose(together, alone, atol=1e-3)


def test_distance_of_a_drill_to_a_canal_beside_and_below():
    tool = np.array([[0.0, 2.0], [10.0, 2.0]])
    run = np.array([[0.0, -20.0, 0.0], [0.0, 20.0, 0.0]])
    beside = canal_gap(np.zeros((1, 3)), -UP[None], tool, run + np.array([5.0, 0.0, -5.0]), 1.0)
    below = canal_gap(np.zeros((1, 3)), -UP[None], tool, run + np.array([0.0, 0.0, -13.0]), 1.0)
    through = canal_gap(np.zeros((1, 3)), -UP[None], tool, run + np.array([0.0, 0.0, -9.0]), 1.0)
    assert beside[0] == pytest.approx(2.0, abs=0.01)
    assert below[0] == pytest.approx(2.0, abs=0.01)
    assert through[0] < 0.0


def study(seed: int, holes: int = 600) -> dict:
    return drill.run(argparse.Namespace(holes=holes, configs=8, seed=seed))


@pytest.mark.slow
def test_the_stated_envelope_holds_in_a_small_run():
    result = study(3)
    coverage = result["coverage"]
    # A small run: its own interval over guides, widened by one part in a hundred for the few configurations.
    assert coverage["low95"] - 0.01 <= 0.95 <= coverage["high95"] + 0.02, drill.table(result)
    assert result["play_halved"]["coverage"]["mean"] < coverage["mean"]
    for row in result["reliability"]:
        assert row["happened_low95"] <= row["stated_to"], row


def test_the_study_repeats_itself():
    first, again = study(5, 60), study(5, 60)
    assert first == again
    assert "envelope" in drill.table(first)
