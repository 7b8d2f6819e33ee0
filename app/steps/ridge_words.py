"""The ridge in words: lines for a station, rows for the table, courses for the chart, each with its error."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from app.sections.anatomy_paint import measured_line
from app.words import mm, within
from planner_core.anatomy.ridge import WIDTH_DEPTHS_MM, Ridge
from planner_core.anatomy.ridge_plates import PLATE_DEPTHS_MM
from planner_core.anatomy.ridge_table import SIDES, RidgeTable, numbers_of
from planner_core.anatomy.soft_tissue import PLACES
from planner_core.geometry.frames import FloatArray

NOT_HERE = "not measurable here"


def measured(value: float | None, sigma: float | None = None) -> str:
    """Give a length with its 95 % interval, or say that it cannot be measured."""
    if value is None or not np.isfinite(value):
        return NOT_HERE
    if sigma is None or not np.isfinite(sigma):
        return f"{mm(value)} mm"
    return measured_line(value, sigma)


def reason_of(ridge: Ridge, *parts: str) -> str:
    """Give why a part of the ridge was not measured, without the words that say it was not."""
    for part in parts:
        if part in ridge.reasons:
            text = ridge.reasons[part]
            return text.removeprefix(f"{NOT_HERE}: ")
    return ""


def ridge_facts(ridge: Ridge) -> list[tuple[str, str]]:
    """Give the ridge at a station as lines, the reason once where something is missing."""
    reason = reason_of(ridge, "crest")
    if reason:
        return [("Ridge", f"{NOT_HERE}: {reason}")]
    facts = [
        (f"Width at {depth:g} mm", measured(ridge.width_mm.get(depth), ridge.width_sigma_mm.get(depth)))
        for depth in WIDTH_DEPTHS_MM
    ]
    height = measured(ridge.height_mm, ridge.height_sigma_mm)
    if ridge.height_mm is None:
        why = reason_of(ridge, "height")
        height = f"{height}: {why}" if why else height
    facts.append((f"Height to {ridge.height_to}", height))
    facts += [
        _plate_fact(ridge, "Cheek plate", ridge.cheek_plate_mm, ridge.cheek_plate_sigma_mm),
        _plate_fact(ridge, "Tongue plate", ridge.tongue_plate_mm, ridge.tongue_plate_sigma_mm),
    ]
    if ridge.concavity_mm is not None and ridge.concavity_mm > 0.5:
        facts.append(("Tongue side", f"hollow, {mm(ridge.concavity_mm)} mm deep"))
    return facts


Lengths = Mapping[float, float | None]


def _plate_fact(ridge: Ridge, name: str, plates: Lengths, sigmas: Lengths) -> tuple[str, str]:
    if all(plates.get(depth) is None for depth in PLATE_DEPTHS_MM):
        why = reason_of(ridge, *(f"{name.lower()} {depth:g}" for depth in PLATE_DEPTHS_MM))
        return name, f"{NOT_HERE}: {why}" if why else NOT_HERE
    values = ", ".join(within(plates.get(depth), sigmas.get(depth)) for depth in PLATE_DEPTHS_MM)
    return name, f"{values} mm at {', '.join(f'{depth:g}' for depth in PLATE_DEPTHS_MM)} mm"


Course = Callable[[RidgeTable], tuple[FloatArray, FloatArray]]
"""Gives values along the arch and the standard deviation of each, nan where not measured."""


def courses_of(tracks: Any) -> dict[str, Course]:
    """Give what can be charted along the arch: by name, values and their errors from a ridge table."""
    found: dict[str, Course] = {}
    for depth in WIDTH_DEPTHS_MM:
        found[f"Width {depth:g} mm below the crest"] = _of_depth("width_mm", "width_sigma_mm", depth)
    found["Height"] = lambda table: (
        table.height_mm,
        numbers_of([row.height_sigma_mm for row in table.rows]),
    )
    for side in SIDES:
        for depth in PLATE_DEPTHS_MM:
            name = f"{side.capitalize()} plate, {depth:g} mm below the crest"
            found[name] = _of_depth(f"{side}_plate_mm", f"{side}_plate_sigma_mm", depth)
    if tracks is not None and tracks.soft is not None:
        soft = tracks.soft
        for k, place in enumerate(PLACES):
            found[f"Soft tissue, {place}"] = lambda table, k=k: (
                soft.thickness_mm[:, k],
                np.full(len(soft.thickness_mm), soft.sigma_mm),
            )
    return found


def _of_depth(values: str, sigmas: str, depth: float) -> Course:
    def course(table: RidgeTable) -> tuple[FloatArray, FloatArray]:
        first, second = ([getattr(row, name).get(depth) for row in table.rows] for name in (values, sigmas))
        return numbers_of(first), numbers_of(second)

    return course


def table_row(row: Ridge) -> tuple[list[str], str]:
    """Give a station of the table as cells, and all that there is to say of it."""
    station = f"{row.station_mm:+.0f}".replace("-", "−")
    widths = [mm(row.width_mm.get(depth)) for depth in WIDTH_DEPTHS_MM]
    plates = [mm(row.cheek_plate_mm.get(3.0)), mm(row.tongue_plate_mm.get(3.0))]
    said = [f"{name}: {words}" for name, words in ridge_facts(row)]
    reasons = [reason for reason in dict.fromkeys(row.reasons.values()) if not any(reason in s for s in said)]
    return [station, *widths, mm(row.height_mm), *plates], "\n".join([*said, *reasons])
