"""Mental foramen and anterior loop on simulated jaws whose canal ends at a known opening."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from phantoms.quick import quick_volume
from phantoms.scenes import random_mouth
from phantoms.truth import Truth
from planner_core.anatomy.canal_trace import trace_canal
from planner_core.anatomy.foramen import anterior_loop, mental_foramen
from planner_core.anatomy.structures import ArchCurve, Jaw, Side
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume

SEEDS = (901, 902)


@cache
def mouth(seed: int) -> tuple[Volume, Truth, ArchCurve]:
    scene = random_mouth(seed, restorations="none", markers=False)
    volume, truth = quick_volume(scene, 0.35, 55.0, seed)
    stations = np.linspace(-60, 60, 18)
    row = np.column_stack([scene.lower.curve.at(stations), np.full(len(stations), -9.0)])
    up = scene.lps_from_scene.apply_direction([0.0, 0.0, 1.0])
    return volume, truth, ArchCurve(Jaw.LOWER, scene.lps_from_scene.apply(row), up)


def canal_lines(truth: Truth, volume: Volume) -> dict[Side, FloatArray]:
    """Give each canal's centre line from the foramen backwards."""
    lines = {}
    for canal in truth.canals:
        line = np.asarray(canal.centre_lps_mm)[::-1]
        lines[Side(canal.side)] = line[volume.contains(line)]
    return lines


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("side", list(Side))
def test_the_foramen_is_found_at_the_canals_end(seed: int, side: Side) -> None:
    volume, truth, arch = mouth(seed)
    line = canal_lines(truth, volume)[side]
    clicks = line[[len(line) // 12, len(line) // 2, -3]]
    canal = trace_canal(volume, side, clicks)
    foramen = mental_foramen(volume, canal)
    true_end = next(np.asarray(c.foramen_lps_mm) for c in truth.canals if Side(c.side) is side)
    assert foramen is not None
    assert np.linalg.norm(foramen.point_lps_mm - true_end) < 3.1, "within the height of a foramen"
    loop = anterior_loop(canal, foramen, arch)
    if loop.traced:
        stations = np.array([arch.station_of(point) for point in line])
        here = arch.station_of(true_end)
        forward = 1.0 if np.median(stations) > here else -1.0
        true_loop = max(0.0, float(((here - stations) * forward).max()))
        assert loop.length_mm == pytest.approx(true_loop, abs=2.0)
        assert loop.keep_away_mm >= loop.length_mm + 2.0
    else:
        assert loop.keep_away_mm == pytest.approx(4.4)
