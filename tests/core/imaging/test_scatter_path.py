"""Projection and reconstruction against closed forms, and the difference of a body against what it added."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.errors import Cancelled
from planner_core.imaging.scatter_path import beam_path

SHAPE = (28, 56, 52)


def _ball(radius: float, centre: tuple[float, float, float]) -> np.ndarray:
    z, y, x = np.mgrid[: SHAPE[0], : SHAPE[1], : SHAPE[2]]
    away = np.sqrt((z - centre[0]) ** 2 + (y - centre[1]) ** 2 + (x - centre[2]) ** 2)
    return np.clip(radius + 0.5 - away, 0.0, 1.0).astype(np.float32)


def test_the_longest_line_through_a_ball_is_its_diameter():
    path = beam_path(SHAPE, 0.8, 24)
    lines = path.project(_ball(8.0, (13.5, 27.5, 25.5)))
    assert lines.max() == pytest.approx(16 * 0.8, rel=0.03)
    assert lines.max(axis=(1, 2)).min() == pytest.approx(16 * 0.8, rel=0.05)


def test_reconstruction_gives_back_what_was_projected():
    path = beam_path(SHAPE, 0.8, 180)
    ball = _ball(8.0, (13.5, 32.0, 20.0))
    (back,) = path.reconstruct([path.project(ball)])
    assert back[13, 32, 20] == pytest.approx(1.0, abs=0.03)
    assert back[13, 32, 40] == pytest.approx(0.0, abs=0.02)
    assert np.abs(back - ball)[8:20].mean() < 0.02


def test_two_stacks_are_reconstructed_as_one_by_one():
    path = beam_path(SHAPE, 1.0, 40)
    lines = path.project(_ball(5.0, (13.0, 30.0, 30.0)))
    first, second = path.reconstruct([lines, 2.0 * lines])
    assert second == pytest.approx(2.0 * first, abs=1e-4)


def test_work_can_be_stopped():
    def stop(fraction: float, text: str = "") -> None:
        raise Cancelled

    with pytest.raises(Cancelled):
        beam_path(SHAPE, 1.0, 40).project(_ball(5.0, (13.0, 30.0, 30.0)), stop)
