"""A new case from what is left of a damaged one."""

from __future__ import annotations

from pathlib import Path

from planner_core.case.case_file import CaseStore
from planner_core.findings import Finding
from planner_core.progress import Progress, part_of, silent


def salvage(folder: Path, target: Path, progress: Progress = silent) -> tuple[Finding, ...]:
    """Save the newest plan that can still be read into a new case, without the parts whose files are gone.

    Returns
    -------
    tuple of Finding
        What is missing in the new case.

    Raises
    ------
    PlannerError
        If nothing can be read, or the new place cannot be written.
    """
    with CaseStore.open(folder, read_only=True) as damaged:
        plan = damaged.plan()
        damaged.blobs.bring_into_memory(part_of(progress, 0.0, 0.5))
        findings = tuple(f for f in damaged.findings if f.code != "case-read-only")
        CaseStore.create(target, damaged.author, plan, part_of(progress, 0.5, 1.0)).close()
    return findings
