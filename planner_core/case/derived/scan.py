"""What follows from the scan: its check, kept in the case."""

from __future__ import annotations

from contextlib import suppress

from planner_core.case.case_file import CaseStore
from planner_core.case.derived.memory import Memory
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan_check import ScanCheck, check_scan
from planner_core.imaging.scan_check_kept import from_kept_form, kept_form, kept_key
from planner_core.progress import Progress, part_of, silent

STAGE = "scan check"
"""Name of the scan check among the derived results of a case."""

_checks: Memory[ScanCheck] = Memory(2)


def known_scan_check(plan: Plan) -> ScanCheck | None:
    """Give the scan check if it has been made already."""
    return None if plan.scan is None else _checks.known(plan.scan.volume)


def scan_check_of(plan: Plan, progress: Progress = silent, store: CaseStore | None = None) -> ScanCheck:
    """Give the scan check; takes seconds the first time for a scan.

    Parameters
    ----------
    plan : Plan
    progress : Progress
    store : CaseStore, optional
        The case of the plan: the check is taken from it, or made and kept there.

    Raises
    ------
    PlannerError
        If the plan has no scan.
    """
    scan = plan.scan
    if scan is None:
        raise PlannerError("There is no scan to check.", "Import the scan first.")
    return _checks.get(lambda: kept_scan_check(scan.volume, store, progress), scan.volume)


def kept_scan_check(volume: Volume, store: CaseStore | None, progress: Progress = silent) -> ScanCheck:
    """Give the check of a scan out of its case, or make it and keep it there; safe to call from a job."""
    if store is None:
        return check_scan(volume, progress)
    key = kept_key(volume, part_of(progress, 0.0, 0.05))
    # A check that cannot be read or kept costs the time to make it, no more.
    with suppress(PlannerError):
        data = store.recall(STAGE, key)
        found = None if data is None else from_kept_form(data)
        if found is not None:
            return found
    check = check_scan(volume, part_of(progress, 0.05, 1.0))
    if not store.read_only:
        with suppress(PlannerError):
            store.remember(STAGE, key, kept_form(check))
    return check


def remember_scan_check(plan: Plan, check: ScanCheck) -> None:
    """Remember a check that a job made or read from the case, for the plan's scan."""
    if plan.scan is not None:
        _checks.put(check, plan.scan.volume)
