"""The altered copy of the scan with fewer streaks; for looking only, kept in memory, never stored."""

from __future__ import annotations

from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check, scan_check_of
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.imaging.reduction import ReducedView, reduced_view
from planner_core.progress import Progress, part_of, silent

_reduced: Memory[ReducedView] = Memory(1)


def known_reduced(plan: Plan) -> ReducedView | None:
    """Give the altered copy if it has been made."""
    if plan.scan is None:
        return None
    return _reduced.known(plan.scan.volume, known_scan_check(plan))


def reduced_of(plan: Plan, progress: Progress = silent) -> ReducedView:
    """Make the altered copy; seconds the first time.

    Raises
    ------
    PlannerError
        Without a scan.
    """
    if plan.scan is None:
        raise PlannerError("There is no scan.", "Open a scan first.")
    volume = plan.scan.volume
    check = scan_check_of(plan, part_of(progress, 0.0, 0.5))
    return _reduced.get(lambda: reduced_view(volume, check, part_of(progress, 0.5, 1.0)), volume, check)
