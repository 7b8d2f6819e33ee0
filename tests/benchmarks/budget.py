"""The error budget: first order at every step of a drag, Monte Carlo for the record."""

from __future__ import annotations

import time

import numpy as np

from planner_core.planning.error_budget import budgets
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import ledger
from planner_core.planning.monte_carlo import DRAWS, monte_carlo
from tests.benchmarks.ledger import scene


def rows() -> list[dict[str, object]]:
    """Give the rows of the benchmark table."""
    obstacles, fixtures = scene()
    clearances = ledger(fixtures, obstacles).rows
    guide = GuideInputs()
    first, drawn = [], []
    for _ in range(40):
        start = time.perf_counter()
        budgets(fixtures, guide=guide, rows=clearances)
        first.append(time.perf_counter() - start)
    monte_carlo(fixtures, obstacles, guide=guide, rows=clearances, draws=100)
    for _ in range(3):
        start = time.perf_counter()
        monte_carlo(fixtures, obstacles, guide=guide, rows=clearances)
        drawn.append(time.perf_counter() - start)
    return [
        {"work": "first order budget, 8 fixtures", "ours": 1e3 * float(np.median(first)), "peer": None,
         "ratio": None, "bar": "at most 2 ms", "unit": "ms"},
        {"work": f"Monte Carlo budget, {DRAWS:,} draws, 8 fixtures", "ours": float(np.median(drawn)), "peer": None,
         "ratio": None, "bar": "under 1 s on two cores", "unit": "s"},
    ]  # fmt: skip


if __name__ == "__main__":
    for row in rows():
        print(row)
