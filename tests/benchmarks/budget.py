"""The error budget: first order at every step of a drag, Monte Carlo for the record."""

from __future__ import annotations

import time
from typing import Any

import numpy as np

from planner_core.planning.carriers import carried
from planner_core.planning.drilling import Support
from planner_core.planning.error_budget import budgets
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import ledger
from planner_core.planning.monte_carlo import DRAWS, monte_carlo
from planner_core.planning.seating import BearingPlaces, Pin
from tests.benchmarks.ledger import scene


def on_bearings(fixtures: dict[str, PlacedFixture]) -> GuideInputs:
    """Give a guide on eight places round the arch, held by three pins."""
    turn = np.linspace(0.1, np.pi - 0.1, 8)
    points = np.stack([26 * np.cos(turn), -30 * np.sin(turn), np.full(8, 6.0)], axis=1)
    places = BearingPlaces(Support.TEETH, points, np.tile([0.0, 0.0, 1.0], (8, 1)), np.ones(8), "eight teeth")
    pins = tuple(Pin(p, [p[0], p[1], 0.0]) for p in points[[0, 3, 7]])
    return carried(GuideInputs(pins=pins), Support.TEETH, fixtures, {Support.TEETH: places})


def first_order_ms(fixtures: dict[str, PlacedFixture], guide: GuideInputs, clearances: Any) -> float:
    """Give the median time of one budget of all fixtures, ms."""
    times = []
    for _ in range(60):
        start = time.perf_counter()
        budgets(fixtures, guide=guide, rows=clearances)
        times.append(time.perf_counter() - start)
    return 1e3 * float(np.median(times))


def rows() -> list[dict[str, object]]:
    """Give the rows of the benchmark table."""
    obstacles, fixtures = scene()
    clearances = ledger(fixtures, obstacles).rows
    guide = GuideInputs()
    drawn = []
    monte_carlo(fixtures, obstacles, guide=guide, rows=clearances, draws=100)
    for _ in range(3):
        start = time.perf_counter()
        monte_carlo(fixtures, obstacles, guide=guide, rows=clearances)
        drawn.append(time.perf_counter() - start)
    return [
        {"work": "first order budget, 8 fixtures, typical guide",
         "ours": first_order_ms(fixtures, guide, clearances), "peer": None, "ratio": None, "bar": "at most 2 ms",
         "unit": "ms"},
        {"work": "first order budget, 8 fixtures, real bearings and pins",
         "ours": first_order_ms(fixtures, on_bearings(fixtures), clearances), "peer": None, "ratio": None,
         "bar": "at most 2 ms", "unit": "ms"},
        {"work": f"Monte Carlo budget, {DRAWS:,} draws, 8 fixtures", "ours": float(np.median(drawn)), "peer": None,
         "ratio": None, "bar": "under 1 s on two cores", "unit": "s"},
    ]  # fmt: skip


if __name__ == "__main__":
    for row in rows():
        print(row)
