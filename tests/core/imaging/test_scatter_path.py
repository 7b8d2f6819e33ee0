"""Projection and reconstruction against closed forms, and the difference of a body against what it added."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

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


FOLLOW = """
import numpy as np
from planner_core.imaging.scatter_path import _back_project, _project, beam_path
path = beam_path((77, 125, 128), 0.6, 180)
angles, middle = path.angles_rad, len(path.across) // 2
turns = np.cos(angles), np.sin(angles)
lines = np.zeros((180, 3, len(path.up)), np.float32)
cells, across = np.ones((125, 128, 77), np.float32), path.across[middle - 1 : middle + 2].copy()
_project(cells, *turns, 0, 180, path.distance, across, path.up, lines)
spread = np.zeros((125, 128, 1, 77), np.float32)
views = np.ones((180, 1, len(path.across), len(path.up)), np.float32)
_back_project(views, *turns, path.distance, path.across[0], path.up[0], 60, 64, spread)
"""


def test_nothing_is_read_past_the_last_slice_or_row(tmp_path: Path):
    """Rays through the axis met the last of 77 slices exactly and were rounded to it, in 15 of 180 views."""
    checked = os.environ | {"NUMBA_BOUNDSCHECK": "1", "NUMBA_CACHE_DIR": str(tmp_path)}
    done = subprocess.run([sys.executable, "-c", FOLLOW], env=checked, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-300:]
