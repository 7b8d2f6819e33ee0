"""What every command shares: where its words go, open cases, and how findings are told."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from planner_core.case.case_file import CaseStore
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.findings import Finding
from planner_core.progress import Progress, silent

Arguments = argparse.Namespace
Commands = Any  # argparse's sub-parsers have no public type


def add_command(
    commands: Commands, name: str, help_text: str, run: Any, epilog: str = ""
) -> argparse.ArgumentParser:
    """Add a command with the options that all have."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help_text,
        description=help_text,
        epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    parser.set_defaults(run=run)
    return parser


def tell(arguments: Arguments, result: Mapping[str, Any], lines: Iterable[str]) -> None:
    """Print the result: as JSON where that was asked for, else the lines."""
    if arguments.json:
        print(json.dumps(plain_numbers(result), ensure_ascii=False, indent=1))
        return
    for line in lines:
        print(line)


def plain_numbers(value: Any) -> Any:
    """Give a value as JSON takes it: arrays as lists, what is no number as null."""
    if isinstance(value, Mapping):
        return {str(key): plain_numbers(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain_numbers(value.tolist())
    if isinstance(value, list | tuple):
        return [plain_numbers(item) for item in value]
    if isinstance(value, np.generic):
        return plain_numbers(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return str(value) if isinstance(value, Path) else value


def findings_json(findings: Iterable[Finding]) -> list[dict[str, str]]:
    """Give findings for the JSON output."""
    return [{"severity": f.severity.value, "code": f.code, "text": f.text, "where": f.where} for f in findings]


def findings_lines(findings: Iterable[Finding]) -> list[str]:
    """Give findings as lines."""
    return [f"{f.severity.value}: {f.text}" for f in findings]


def open_case(path: Path, read_only: bool = False) -> CaseStore:
    """Open a case for a command; one that must write needs a case that can be written to."""
    store = CaseStore.open(path, read_only=read_only)
    if not read_only and store.read_only:
        reason = store.read_only_reason
        store.close()
        raise PlannerError(reason, "Close the other window, or work on a copy of the case.")
    return store


def checked_plan(path: Path, progress: Progress) -> Plan:
    """Read the plan of a case, with its scan checked: by what the case keeps, or anew."""
    from planner_core.case.derived import scan_check_of  # not needed by every command

    with open_case(path, read_only=True) as store:
        plan = store.plan()
        store.bring_into_memory()
        if plan.scan is not None:
            scan_check_of(plan, progress, store)
        return plan


def is_case(path: Path) -> bool:
    """Tell whether a path is a case folder."""
    return (path / "case.db").is_file()


def progress_of(arguments: Arguments) -> Progress:
    """Give a progress line on standard error where a person is looking, else none."""
    if arguments.json or not sys.stderr.isatty():
        return silent
    return _Line()


class _Line:
    """One line that is written over."""

    def __init__(self) -> None:
        self._last = ""

    def __call__(self, fraction: float, text: str = "") -> None:
        line = f"{100 * fraction:3.0f} % {text}"[:78]
        if line != self._last:
            self._last = line
            sys.stderr.write("\r" + line.ljust(78) + ("\r" + " " * 78 + "\r" if fraction >= 1 else ""))
            sys.stderr.flush()
