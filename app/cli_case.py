"""Commands about the case as a whole: check, pack, unpack, history."""

from __future__ import annotations

from pathlib import Path

from app.cli_shared import (
    Arguments,
    Commands,
    add_command,
    findings_json,
    findings_lines,
    open_case,
    progress_of,
    tell,
)
from planner_core.case.check import check
from planner_core.case.pack import pack, pack_without_identity, unpack
from planner_core.case.rescue import salvage
from planner_core.errors import PlannerError
from planner_core.findings import Finding


def register(commands: Commands) -> None:
    """Add the commands."""
    look = add_command(commands, "check", "verify every revision and every file of a case", _check)
    look.add_argument("case", type=Path)
    look.add_argument("--save-to", type=Path, metavar="NEW", help="save what can still be read into a new case")
    history = add_command(commands, "history", "every revision of a case: who, when, what", _history)
    history.add_argument("case", type=Path)
    put = add_command(commands, "pack", "put a case into one zip", _pack)
    put.add_argument("case", type=Path)
    put.add_argument("zip", type=Path)
    put.add_argument("--without-identity", action="store_true", help="the present plan only, no name or date")
    take = add_command(commands, "unpack", "take a case out of its zip, verified", _unpack)
    take.add_argument("zip", type=Path)
    take.add_argument("case", type=Path)


def _check(arguments: Arguments) -> None:
    report = check(arguments.case, progress_of(arguments))
    result = {
        "whole": report.whole,
        "revisions": report.revisions,
        "blobs": report.blobs,
        "head": report.head,
        "sha256": report.sha256,
        "findings": findings_json(report.findings),
    }
    words = "The case is whole" if report.whole else "The case is damaged"
    lines = [f"{words}: {report.revisions} revisions, {report.blobs} files.", *findings_lines(report.findings)]
    if arguments.save_to is not None:
        saved = salvage(arguments.case, arguments.save_to, progress_of(arguments))
        result["saved_to"] = str(arguments.save_to)
        result["saved_findings"] = findings_json(saved)
        lines += [f"What can be read is in {arguments.save_to}.", *findings_lines(saved)]
    tell(arguments, result, lines)


def _history(arguments: Arguments) -> None:
    with open_case(arguments.case, read_only=True) as store:
        head, rows = store.head().number, store.history()
    result = {
        "head": head,
        "revisions": [
            {
                "number": r.number,
                "parent": r.parent,
                "time_utc": r.time_utc,
                "author": r.author,
                "label": r.label,
                "sha256": r.sha256,
            }
            for r in rows
        ],
    }
    lines = [
        f"{'>' if r.number == head else ' '} {r.number:4} {r.time_utc[:19]} {r.author:12} {r.label}"
        + (f"  (after {r.parent})" if r.parent not in (None, r.number - 1) else "")
        for r in rows
    ]
    tell(arguments, result, lines)


def _pack(arguments: Arguments) -> None:
    if arguments.zip.exists():
        raise PlannerError(f"There is something at {arguments.zip} already.", "Choose another name.")
    findings: list[Finding] = []
    result: dict[str, object] = {"zip": str(arguments.zip)}
    if arguments.without_identity:
        result["code"], found = pack_without_identity(arguments.case, arguments.zip, progress_of(arguments))
        findings = list(found)
    else:
        pack(arguments.case, arguments.zip, progress_of(arguments))
    size = arguments.zip.stat().st_size
    result |= {"bytes": size, "findings": findings_json(findings)}
    code = f", code {result['code']}" if "code" in result else ""
    tell(arguments, result, [f"{arguments.zip}: {size / 1e6:.1f} MB{code}", *findings_lines(findings)])


def _unpack(arguments: Arguments) -> None:
    unpack(arguments.zip, arguments.case, progress_of(arguments))
    tell(arguments, {"case": str(arguments.case)}, [f"The case is in {arguments.case}."])
