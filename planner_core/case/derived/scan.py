"""What follows from the scan: its check."""

from __future__ import annotations

from planner_core.case.derived.memory import Memory
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.imaging.scan_check import ScanCheck, check_scan
from planner_core.progress import Progress, silent

_checks: Memory[ScanCheck] = Memory(2)


def known_scan_check(plan: Plan) -> ScanCheck | None:
    """Give the scan check if it has been made already."""
    return None if plan.scan is None else _checks.known(plan.scan.volume)


def scan_check_of(plan: Plan, progress: Progress = silent) -> ScanCheck:
    """Give the scan check; takes seconds the first time for a scan.

    Raises
    ------
    PlannerError
        If the plan has no scan.
    """
    scan = plan.scan
    if scan is None:
        raise PlannerError("There is no scan to check.", "Import the scan first.")
    return _checks.get(lambda: check_scan(scan.volume, progress), scan.volume)


def remember_scan_check(plan: Plan, check: ScanCheck) -> None:
    """Remember a check that was made elsewhere (by a job, or read from the case) for the plan's scan."""
    if plan.scan is not None:
        _checks.put(check, plan.scan.volume)
