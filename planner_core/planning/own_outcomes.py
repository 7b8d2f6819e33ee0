"""A clinic's own measured outcomes, planned against achieved, read from a CSV file and kept with their source.

One line is one fixture. Comma or semicolon, decimal point (or decimal comma with semicolons), UTF-8; empty lines
and lines that start with # are left out. Lengths in mm, angles in degrees.

guide      which guide the fixture belonged to; fixtures of one guide count less than fixtures of several
site       ISO 3950 number
length_mm  true length of the fixture
entry_mm   distance between planned and achieved platform centre
apex_mm    distance between planned and achieved apex
angle_deg  angle between the planned and the achieved axis
support    teeth, mucosa, bone or none
guidance   free hand, pilot only, all drills, all drills and fixture
kind       clinical or bench; clinical if the column is missing. Bench figures are shown and never mixed in.
date       ISO 8601, if wanted
"""

from __future__ import annotations

import csv
import hashlib
from pathlib import Path

import numpy as np
from attrs import evolve, frozen

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.planning.drilling import Guidance, Support

NEEDED = ("guide", "site", "length_mm", "entry_mm", "apex_mm", "angle_deg", "support", "guidance")
OPTIONAL = ("kind", "date")

LARGEST_FILE_BYTES = 5_000_000
"""A file longer than this is no list of outcomes (our choice)."""

PLAUSIBLE = {"length_mm": (4.0, 25.0), "entry_mm": (0.0, 15.0), "apex_mm": (0.0, 20.0), "angle_deg": (0.0, 45.0)}
"""Numbers outside these are taken for mistakes of unit or column (our choice)."""

ROUNDING_MM, ROUNDING_DEG = 0.15, 0.6
"""By how much entry, apex and angle may miss each other because they were written down rounded (our choice)."""

CLINICAL, BENCH = "clinical", "bench"


@frozen
class OutcomeLine:
    """One fixture of a past case, as read; see the module for the fields."""

    line: int
    guide: str
    site: str
    length_mm: float
    entry_mm: float
    apex_mm: float
    angle_deg: float
    support: Support
    guidance: Guidance
    kind: str = CLINICAL
    date: str = ""


@frozen
class OwnData:
    """The clinic's outcomes as a case keeps them.

    Parameters
    ----------
    source : str
        Name of the file.
    sha256 : str
        Of the file as it was read, so that a result can be traced to it.
    read_on : str
        ISO 8601 date.
    left_out : tuple of str
        One sentence for each line that could not be used.
    """

    source: str
    sha256: str
    read_on: str
    lines: tuple[OutcomeLine, ...]
    left_out: tuple[str, ...] = ()

    def without_identity(self) -> OwnData:
        """Give the outcomes with guides counted instead of named, and without file name, dates and faulty lines."""
        numbers = {name: k for k, name in enumerate(dict.fromkeys(line.guide for line in self.lines), 1)}
        lines = tuple(evolve(line, guide=f"guide {numbers[line.guide]}", date="") for line in self.lines)
        return evolve(self, source="own outcomes", read_on="", lines=lines, left_out=())

    def of_kind(self, kind: str) -> tuple[OutcomeLine, ...]:
        """Give the lines of one kind."""
        return tuple(line for line in self.lines if line.kind == kind)


def read_outcomes(path: Path, read_on: str = "") -> tuple[OwnData, tuple[Finding, ...]]:
    """Read a file of outcomes; lines with errors are left out, each with a finding that names line and column.

    Raises
    ------
    PlannerError
        If the file cannot be read, a column is missing or unknown, or no line can be used.
    """
    raw, rows, comma = _rows(path)
    lines, findings = [], []
    for number, row in rows:
        try:
            lines.append(_line(number, row, comma))
        except PlannerError as fault:
            findings.append(Finding(Severity.WARNING, "outcome-line", f"Line {number}: {fault.message}", path.name))
    if not lines:
        first = findings[0].text if findings else "It has no lines."
        raise PlannerError(f"No line of {path.name} can be used. {first}", "Correct the file and read it again.")
    digest = hashlib.sha256(raw).hexdigest()
    data = OwnData(path.name, digest, read_on, tuple(lines), tuple(f.text for f in findings))
    return data, tuple(findings)


def _rows(path: Path) -> tuple[bytes, list[tuple[int, dict[str, str]]], bool]:
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise PlannerError(f"{path.name} is too large for a list of outcomes.", "Choose another file.")
        raw = path.read_bytes()
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PlannerError(f"{path.name} is not text in UTF-8.", "Save it as CSV in UTF-8.") from None
    except OSError as fault:
        raise PlannerError(f"{path.name} cannot be read: {fault.strerror}.", "Choose another file.") from None
    lines = [(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip() and line.strip()[0] != "#"]
    if not lines:
        raise PlannerError(f"{path.name} is empty.", "Choose another file.")
    separator = ";" if lines[0][1].count(";") > lines[0][1].count(",") else ","
    header = [cell.strip().lower() for cell in next(csv.reader([lines[0][1]], delimiter=separator))]
    missing = [name for name in NEEDED if name not in header]
    unknown = sorted(set(header) - {*NEEDED, *OPTIONAL, ""})
    if missing:
        raise PlannerError(
            f"{path.name} has no column {missing[0]!r}.", f"Outcomes need: {', '.join(NEEDED)}; one header line."
        )
    if unknown:
        raise PlannerError(
            f"{path.name} has a column {unknown[0]!r} that outcomes do not know.",
            f"Known: {', '.join((*NEEDED, *OPTIONAL))}.",
        )
    rows = []
    for number, line in lines[1:]:
        try:
            cells = next(csv.reader([line], delimiter=separator, strict=True))
        except csv.Error as fault:
            raise PlannerError(f"{path.name}, line {number}: {fault}.", "Correct the line.") from None
        rows.append((number, dict(zip(header, (c.strip() for c in cells), strict=False))))
    return raw, rows, separator == ";"


def _line(number: int, row: dict[str, str], comma: bool) -> OutcomeLine:
    for column in NEEDED:
        if not row.get(column):
            raise PlannerError(f"{column} is empty.", "")
    site = row["site"]
    if len(site) != 2 or site[0] not in "1234" or site[1] not in "12345678":
        raise PlannerError(f"site {site!r} is not a number from 11 to 48 (ISO 3950).", "")
    kind = row.get("kind") or CLINICAL
    if kind not in (CLINICAL, BENCH):
        raise PlannerError(f"kind {kind!r} is neither clinical nor bench.", "")
    numbers = {column: _number(column, row[column], comma) for column in PLAUSIBLE}
    _fit_together(**numbers)
    return OutcomeLine(
        number,
        row["guide"],
        site,
        numbers["length_mm"],
        numbers["entry_mm"],
        numbers["apex_mm"],
        numbers["angle_deg"],
        _support(row["support"]),
        _guidance(row["guidance"]),
        kind,
        row.get("date", ""),
    )


def _support(text: str) -> Support:
    if text not in set(Support):
        raise PlannerError(f"support {text!r} is none of: {', '.join(Support)}.", "")
    return Support(text)


def _guidance(text: str) -> Guidance:
    if text not in set(Guidance):
        raise PlannerError(f"guidance {text!r} is none of: {', '.join(Guidance)}.", "")
    return Guidance(text)


def _number(column: str, text: str, comma: bool) -> float:
    try:
        value = float(text.replace(",", ".") if comma else text)
    except ValueError:
        raise PlannerError(f"{column} {text!r} is not a number.", "") from None
    low, high = PLAUSIBLE[column]
    if not low <= value <= high:
        raise PlannerError(f"{column} {text} lies outside {low:g} to {high:g}.", "")
    return value


def _fit_together(length_mm: float, entry_mm: float, apex_mm: float, angle_deg: float) -> None:
    """Refuse what no rigid fixture can do: apex and entry differ by at most the chord that the turn makes."""
    chord = 2.0 * length_mm * float(np.sin(np.radians(angle_deg + ROUNDING_DEG) / 2.0)) + ROUNDING_MM
    if abs(apex_mm - entry_mm) > chord:
        raise PlannerError(
            f"entry {entry_mm:g} mm, apex {apex_mm:g} mm and angle {angle_deg:g} degrees cannot belong to one "
            f"fixture of {length_mm:g} mm.",
            "",
        )
