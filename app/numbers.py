"""What follows from a plan, as the window shows it: one value, made together, for one plan."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.case.plan import Plan
from planner_core.findings import Finding


@frozen(eq=False)
class Tracks:
    """What runs under the strip, by station; nan where it cannot be told.

    Parameters
    ----------
    stations_mm, scatter, width_mm, height_mm : arrays of shape (n,)
        Scatter level 0..1 near the ridge; ridge width `WIDTH_DEPTH_MM` below the crest; height of the ridge.
    """

    stations_mm: NDArray[np.float64]
    scatter: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    height_mm: NDArray[np.float64]


@frozen(eq=False)
class Numbers:
    """Results derived from `plan`; empty where an input is missing or the work is not done yet."""

    plan: Plan
    links: tuple[Any, ...] = ()
    rows: tuple[Any, ...] = ()
    """Rows of the ledger, every fixture."""
    budgets: Mapping[str, Any] = field(factory=dict)
    """Error budget by site."""
    scan_check: Any = None
    choice: Any = None
    """The choice of guide, once it was worked out for this plan."""
    findings: tuple[Finding, ...] = ()
    """Everything open in the plan, blockers first."""
    tracks: Tracks | None = None
    is_complete: bool = False
    """False while parts are still being computed."""
