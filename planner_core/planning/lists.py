"""The clinic's own lists of fixtures, sleeves, drills and abutments from CSV files.

One file holds one kind; the header says which. Comma or semicolon, decimal point (or decimal comma with
semicolons), UTF-8; empty lines and lines that start with # are left out. Sizes in mm, angles in degrees.

fixtures   id, label, diameter_mm, length_mm and, if wanted, platform_diameter_mm, body_taper_deg, apex_length_mm,
           apex_share, material, profile_mm, thread_depth_mm, core_taper_deg, connection_height_mm. `length_mm` is
           the true length from platform to apex. `profile_mm` is the outline itself as depth:radius pairs with
           spaces between, for example "0:2.05 1:2.1 9:1.7 10:1.0".
sleeves    id, label, inner_diameter_mm, outer_diameter_mm, height_mm, gap_mm, clearance_mm
drills     list_id, list_label, step_label, diameter_mm and, if wanted, depth_below_platform_mm, speed_rpm, guided
           (yes or no), tip_overshoot_mm (the same on every line of a list)
abutments  id, label, angle_deg, height_mm and, if wanted, rotational_positions
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.planning.catalogue import Abutment, Catalogue, parametric_profile
from planner_core.planning.drilling import DrillList, DrillStep, Sleeve
from planner_core.planning.fixture import FixtureShape

LARGEST_FILE_BYTES = 5_000_000
"""A list longer than this is no list of parts (our choice)."""

_NEEDED = {
    "fixtures": ("id", "label", "diameter_mm", "length_mm"),
    "sleeves": ("id", "label", "inner_diameter_mm", "outer_diameter_mm", "height_mm", "gap_mm", "clearance_mm"),
    "drills": ("list_id", "list_label", "step_label", "diameter_mm"),
    "abutments": ("id", "label", "angle_deg", "height_mm"),
}
_OPTIONAL = {
    "fixtures": (
        "platform_diameter_mm", "body_taper_deg", "apex_length_mm", "apex_share", "material", "profile_mm",
        "thread_depth_mm", "core_taper_deg", "connection_height_mm",
    ),
    "sleeves": (),
    "drills": ("depth_below_platform_mm", "speed_rpm", "guided", "tip_overshoot_mm"),
    "abutments": ("rotational_positions",),
}  # fmt: skip


def columns_of(kind: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Give the columns that a kind of list needs, and those that may follow."""
    return _NEEDED[kind], _OPTIONAL[kind]


KINDS = tuple(_NEEDED)
"""The kinds of list."""

_PLAUSIBLE_MM = {
    "diameter_mm": (0.5, 10.0),
    "length_mm": (3.0, 60.0),
    "platform_diameter_mm": (1.5, 10.0),
    "height_mm": (0.1, 20.0),
    "gap_mm": (0.0, 15.0),
    "clearance_mm": (0.0, 1.0),
    "inner_diameter_mm": (1.0, 12.0),
    "outer_diameter_mm": (1.5, 14.0),
    "tip_overshoot_mm": (0.0, 5.0),
    "angle_deg": (0.0, 60.0),
    "thread_depth_mm": (0.0, 1.5),
    "core_taper_deg": (0.0, 15.0),
    "connection_height_mm": (0.0, 12.0),
}
"""Sizes outside these are taken for mistakes of unit or column (our choice)."""


def load_catalogue_csv(path: Path) -> tuple[Catalogue, tuple[Finding, ...]]:
    """Read a list; lines with errors are left out, each with a finding that names line, column and value.

    Raises
    ------
    PlannerError
        If the file cannot be read, its header names no kind of list, or no line of it can be used.
    """
    kind, rows, comma = _table(_text(path), path.name)
    findings: list[Finding] = []
    read: list[tuple[int, dict[str, Any]]] = []
    for line, row in rows:
        try:
            read.append((line, _parsed(kind, row, comma)))
        except PlannerError as fault:
            findings.append(Finding(Severity.WARNING, "list-line", f"Line {line}: {fault.message}", path.name))
    builders: dict[str, Callable[[list[tuple[int, dict[str, Any]]], list[Finding], str], Catalogue]] = {
        "fixtures": _fixtures,
        "sleeves": _sleeves,
        "drills": _drills,
        "abutments": _abutments,
    }
    found = builders[kind](read, findings, path.name)
    if not (found.fixtures or found.sleeves or found.drill_lists or found.abutments):
        first = findings[0].text if findings else "It has no lines."
        raise PlannerError(f"No line of {path.name} can be used. {first}", "Correct the list and read it again.")
    return found, tuple(findings)


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > LARGEST_FILE_BYTES:
            raise PlannerError(f"{path.name} is too large for a list of parts.", "Choose another file.")
        return path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise PlannerError(f"{path.name} is not text in UTF-8.", "Save it as CSV in UTF-8.") from None
    except OSError as fault:
        raise PlannerError(f"{path.name} cannot be read: {fault.strerror}.", "Choose another file.") from None


def _table(text: str, name: str) -> tuple[str, list[tuple[int, dict[str, str]]], bool]:
    lines = [(k, line) for k, line in enumerate(text.splitlines(), 1) if line.strip() and line.strip()[0] != "#"]
    if not lines:
        raise PlannerError(f"{name} is empty.", "Choose another file.")
    separator = ";" if lines[0][1].count(";") > lines[0][1].count(",") else ","
    header = [cell.strip().lower() for cell in next(csv.reader([lines[0][1]], delimiter=separator))]
    kind = next((k for k, needed in _NEEDED.items() if set(needed) <= set(header)), None)
    if kind is None:
        raise PlannerError(
            f"The header of {name} names no kind of list: {', '.join(header[:6])}.",
            "Fixtures need id, label, diameter_mm, length_mm; the Fixtures panel names the columns of all kinds.",
        )
    unknown = set(header) - set(_NEEDED[kind]) - set(_OPTIONAL[kind]) - {""}
    if unknown:
        raise PlannerError(
            f"{name} has a column {sorted(unknown)[0]!r} that a list of {kind} does not know.",
            f"Known: {', '.join((*_NEEDED[kind], *_OPTIONAL[kind]))}.",
        )
    rows = []
    for k, line in lines[1:]:
        cells = next(csv.reader(io.StringIO(line), delimiter=separator))
        rows.append((k, dict(zip(header, (c.strip() for c in cells), strict=False))))
    return kind, rows, separator == ";"


def _parsed(kind: str, row: Mapping[str, str], comma: bool) -> dict[str, Any]:
    for column in _NEEDED[kind]:
        if not row.get(column):
            raise PlannerError(f"{column} is missing.", "")
    parsed: dict[str, Any] = {}
    for column, cell in row.items():
        if not cell or not column:
            continue
        if column in ("id", "label", "list_id", "list_label", "step_label", "material", "profile_mm"):
            parsed[column] = cell
        elif column == "guided":
            if cell.lower() not in ("yes", "no"):
                raise PlannerError(f"guided is {cell!r}, not yes or no.", "")
            parsed[column] = cell.lower() == "yes"
        else:
            parsed[column] = _number(column, cell, comma)
    return parsed


def _number(column: str, cell: str, comma: bool) -> float | int:
    try:
        value = float(cell.replace(",", ".") if comma else cell)
    except ValueError:
        raise PlannerError(f"{column} is {cell!r}, not a number.", "") from None
    low, high = _PLAUSIBLE_MM.get(column, (0.0, 1e5))
    if not np.isfinite(value) or not low <= value <= high:
        raise PlannerError(f"{column} is {cell}, outside {low:g} to {high:g}.", "")
    return int(value) if column in ("speed_rpm", "rotational_positions") else value


def _kept(
    read: list[tuple[int, dict[str, Any]]],
    findings: list[Finding],
    name: str,
    make: Callable[[dict[str, Any]], Any],
) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for line, row in read:
        try:
            made = make(row)
        except PlannerError as fault:
            findings.append(Finding(Severity.WARNING, "list-line", f"Line {line}: {fault.message}", name))
            continue
        if row["id"] in found:
            text = f"Line {line}: {row['id']!r} stands in the list already; the first one counts."
            findings.append(Finding(Severity.WARNING, "list-line", text, name))
            continue
        found[row["id"]] = made
    return found


def _fixtures(read: list[tuple[int, dict[str, Any]]], findings: list[Finding], name: str) -> Catalogue:
    return Catalogue(fixtures=_kept(read, findings, name, _fixture))


def _fixture(row: dict[str, Any]) -> FixtureShape:
    diameter, length = row["diameter_mm"], row["length_mm"]
    platform = row.get("platform_diameter_mm", diameter)
    if "profile_mm" in row:
        profile = _profile(row["profile_mm"], diameter, length)
    else:
        extra = {k: row[k] for k in ("body_taper_deg", "apex_length_mm", "apex_share") if k in row}
        profile = parametric_profile(diameter, length, platform_diameter_mm=platform, **extra)
    form = {k: row[k] for k in ("thread_depth_mm", "core_taper_deg", "connection_height_mm") if k in row}
    return FixtureShape(
        row["id"],
        row["label"],
        diameter,
        length,
        platform,
        profile,
        row.get("material", "titanium"),
        generic=False,
        **form,
    )


def _profile(text: str, diameter: float, length: float) -> np.ndarray:
    try:
        rows = [tuple(float(v) for v in pair.split(":")) for pair in text.split()]
        profile = np.array(rows, dtype=np.float64)
        if profile.ndim != 2 or profile.shape[1] != 2 or len(profile) < 2:
            raise ValueError
    except ValueError:
        raise PlannerError(f"profile_mm {text[:40]!r} is not depth:radius pairs.", "") from None
    if profile[0, 0] != 0.0 or abs(profile[-1, 0] - length) > 0.01:
        raise PlannerError(
            f"profile_mm goes from {profile[0, 0]:g} to {profile[-1, 0]:g}, not 0 to {length:g}.", ""
        )
    if abs(2.0 * profile[:, 1].max() - diameter) > 0.5:
        wide = 2.0 * profile[:, 1].max()
        raise PlannerError(f"profile_mm is {wide:.2f} wide, the diameter is {diameter:g}: give radii.", "")
    return profile


def _sleeves(read: list[tuple[int, dict[str, Any]]], findings: list[Finding], name: str) -> Catalogue:
    def make(row: dict[str, Any]) -> Sleeve:
        return Sleeve(**{key: value for key, value in row.items() if key != "id"})

    return Catalogue(sleeves=_kept(read, findings, name, make))


def _abutments(read: list[tuple[int, dict[str, Any]]], findings: list[Finding], name: str) -> Catalogue:
    def make(row: dict[str, Any]) -> Abutment:
        return Abutment(
            row["label"],
            row["angle_deg"],
            row["height_mm"],
            max(1, row.get("rotational_positions", 1)),
            generic=False,
        )

    return Catalogue(abutments=_kept(read, findings, name, make))


def _drills(read: list[tuple[int, dict[str, Any]]], findings: list[Finding], name: str) -> Catalogue:
    steps: dict[str, list[DrillStep]] = {}
    labels: dict[str, str] = {}
    tips: dict[str, float | None] = {}
    for line, row in read:
        key = row["list_id"]
        tip = row.get("tip_overshoot_mm")
        if key in tips and tips[key] != tip:
            text = f"Line {line}: the tip overshoot differs within the list {key!r}; the largest counts."
            findings.append(Finding(Severity.WARNING, "list-line", text, name))
        known = [t for t in (tips.get(key), tip) if t is not None]
        tips[key] = max(known) if known else None
        labels.setdefault(key, row["list_label"])
        steps.setdefault(key, []).append(
            DrillStep(
                row["step_label"],
                row["diameter_mm"],
                row.get("depth_below_platform_mm"),
                row.get("speed_rpm"),
                row.get("guided", True),
            )
        )
    lists = {
        key: DrillList(labels[key], tuple(members), generic=False, tip_overshoot_mm=tips[key])
        for key, members in steps.items()
    }
    return Catalogue(drill_lists=lists)
