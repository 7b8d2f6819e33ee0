"""What follows from a plan, as the window shows it: one value, made together, for one plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.anatomy.ridge import Ridge
from planner_core.anatomy.ridge_table import RidgeTable
from planner_core.anatomy.soft_tissue import SoftTissue
from planner_core.case.plan import Plan
from planner_core.findings import Finding

WIDTH_DEPTH_MM = 1.0
"""The ridge width under the strip is that at this depth below the crest, mm."""


@frozen(eq=False)
class Tracks:
    """What runs under the strip, by station; nan where it cannot be told.

    Parameters
    ----------
    stations_mm, scatter, width_mm, height_mm : arrays of shape (n,)
        Scatter level 0..1 near the ridge; ridge width `WIDTH_DEPTH_MM` below the crest; height of the ridge.
    table : RidgeTable or None
        Everything that was measured at these stations.
    soft : SoftTissue or None
        Thickness of the soft tissue, where a surface scan is matched.
    """

    stations_mm: NDArray[np.float64]
    scatter: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    height_mm: NDArray[np.float64]
    table: RidgeTable | None = None
    soft: SoftTissue | None = None
    before_cut: RidgeTable | None = None
    """The same stations without the planned bone reduction, where they were measured."""

    def nearest(self, station_mm: float) -> int:
        """Give the number of the station nearest to a place along the arch."""
        return int(np.argmin(np.abs(self.stations_mm - station_mm)))

    @property
    def ridges(self) -> tuple[Ridge | None, ...]:
        """Everything that was measured at each station."""
        return (None,) * len(self.stations_mm) if self.table is None else tuple(self.table.rows)

    def ridge_at(self, station_mm: float) -> Ridge | None:
        """Give what was measured nearest to a station."""
        return self.ridges[self.nearest(station_mm)]


@frozen(eq=False)
class Numbers:
    """Results derived from `plan`; empty where an input is missing or the work is not done yet."""

    plan: Plan
    links: tuple[Any, ...] = ()
    rows: tuple[Any, ...] = ()
    """Rows of the ledger, every fixture."""
    beside: Mapping[str, Any] = field(factory=dict)
    """What surrounds each fixture besides its ledger, by site."""
    budgets: Mapping[str, Any] = field(factory=dict)
    """Error budget by site."""
    scan_check: Any = None
    choice: Any = None
    """The choice of guide, once it was worked out for this plan."""
    evaluation: Any = None
    """Draws, assumptions, helps and drift, once they were worked out for this plan."""
    findings: tuple[Finding, ...] = ()
    """Everything open in the plan, blockers first."""
    tracks: Tracks | None = None
    is_complete: bool = False
    """False while parts are still being computed."""
