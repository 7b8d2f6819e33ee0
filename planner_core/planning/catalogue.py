"""Generic fixtures, sleeves, drills and abutments, made from parameters in data files.

Nothing in here is a maker's: sizes and shapes are our own, for planning until the clinic's own list is read
(`planner_core.planning.lists`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from types import MappingProxyType
from typing import Any

import numpy as np
from attrs import field, frozen

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.planning.drilling import DrillList, DrillStep, Sleeve
from planner_core.planning.fixture import FixtureShape

PROFILE_STEP_MM = 0.5
"""Spacing of the points that round the apex, mm (our choice)."""


def _frozen(values: Mapping[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(dict(values))


@frozen
class Abutment:
    """An abutment on a fixture: how high its shoulder stands, how far it turns the axis, and in how many ways.

    `rotational_positions` is the number of turns in which an angled one can be seated.
    """

    label: str
    angle_deg: float
    height_mm: float
    rotational_positions: int = 1
    generic: bool = True


@frozen
class Catalogue:
    """Shapes and parts by id."""

    fixtures: Mapping[str, FixtureShape] = field(converter=_frozen, factory=dict)
    sleeves: Mapping[str, Sleeve] = field(converter=_frozen, factory=dict)
    drill_lists: Mapping[str, DrillList] = field(converter=_frozen, factory=dict)
    abutments: Mapping[str, Abutment] = field(converter=_frozen, factory=dict)

    def fixture(self, shape_id: str) -> FixtureShape:
        """Give a fixture shape by its id."""
        if shape_id not in self.fixtures:
            raise PlannerError(f"The catalogue has no fixture {shape_id!r}.", "Choose one of its fixtures.")
        shape: FixtureShape = self.fixtures[shape_id]
        return shape

    def nearest_fixture(self, diameter_mm: float, length_mm: float, family: str = "") -> FixtureShape:
        """Give the shape nearest in size, of a family (start of its id) where one is named."""
        members = [shape for key, shape in self.fixtures.items() if key.startswith(family)]
        if not members:
            raise PlannerError(f"The catalogue has no fixture of the kind {family!r}.", "Choose another kind.")
        return min(members, key=lambda s: abs(s.diameter_mm - diameter_mm) * 3.0 + abs(s.length_mm - length_mm))

    def drill_list_for(self, diameter_mm: float) -> DrillList | None:
        """Give the drill list whose last drill fits a fixture of this diameter; None when there is none."""
        fitting = [
            drills for drills in self.drill_lists.values() if drills.steps[-1].diameter_mm < diameter_mm - 0.2
        ]
        return max(fitting, key=lambda drills: drills.steps[-1].diameter_mm, default=None)

    def plus(self, other: Catalogue) -> Catalogue:
        """Give both together; on the same id the other's entry counts."""
        return Catalogue(
            {**self.fixtures, **other.fixtures},
            {**self.sleeves, **other.sleeves},
            {**self.drill_lists, **other.drill_lists},
            {**self.abutments, **other.abutments},
        )


def parametric_profile(
    diameter_mm: float,
    length_mm: float,
    *,
    platform_diameter_mm: float | None = None,
    body_taper_deg: float = 0.0,
    apex_length_mm: float = 1.5,
    apex_share: float = 0.6,
    collar_mm: float = 1.0,
) -> FloatArray:
    """Give the outer profile of a fixture body as (depth, radius) rows, shape (k, 2).

    From the platform a collar widens to the body's diameter, the body narrows by `body_taper_deg` (half angle), and
    the last `apex_length_mm` round off (quarter ellipse) to `apex_share` of the radius.

    Raises
    ------
    PlannerError
        If the sizes leave no body.
    """
    platform = diameter_mm if platform_diameter_mm is None else platform_diameter_mm
    if diameter_mm <= 0 or platform <= 0 or length_mm <= collar_mm + apex_length_mm:
        raise PlannerError(
            f"A fixture of {diameter_mm:g} x {length_mm:g} mm leaves no body between collar and apex.",
            "Correct its sizes.",
        )
    radius = diameter_mm / 2.0
    body_end = length_mm - apex_length_mm
    end_radius = radius - np.tan(np.radians(body_taper_deg)) * (body_end - collar_mm)
    if end_radius <= 0.3 or not 0.0 < apex_share <= 1.0:
        raise PlannerError(
            f"A taper of {body_taper_deg:g} degrees leaves no apex on {length_mm:g} mm.", "Correct its sizes."
        )
    rows = [(0.0, platform / 2.0), (collar_mm, radius), (body_end, end_radius)]
    steps = max(2, int(np.ceil(apex_length_mm / PROFILE_STEP_MM)))
    for angle in np.linspace(0.0, np.pi / 2.0, steps + 1)[1:]:
        depth = body_end + apex_length_mm * np.sin(angle)
        rows.append((float(depth), float(end_radius * (apex_share + (1.0 - apex_share) * np.cos(angle)))))
    return np.array(rows)


def _read(name: str) -> dict[str, Any]:
    text = resources.files("planner_core.planning").joinpath("data", name).read_text(encoding="utf-8")
    return tomllib.loads(text)


def _family_shapes(family: Mapping[str, Any]) -> dict[str, FixtureShape]:
    shapes = {}
    for diameter in family["diameters_mm"]:
        for length in family["lengths_mm"]:
            platform = diameter + family["platform_minus_diameter_mm"]
            shape_id = f"{family['id']}-{diameter:.1f}x{length:g}"
            shapes[shape_id] = FixtureShape(
                shape_id,
                f"{family['label']} {diameter:.1f} x {length:g}",
                diameter,
                length,
                platform,
                parametric_profile(
                    diameter,
                    length,
                    platform_diameter_mm=platform,
                    body_taper_deg=family["body_taper_deg"],
                    apex_length_mm=family["apex_length_mm"],
                    apex_share=family["apex_share"],
                ),
                material=family["material"],
                thread_depth_mm=family["thread_depth_mm"],
                core_taper_deg=family["core_taper_deg"],
                connection_height_mm=family["connection_height_mm"],
            )
    return shapes


@cache
def generic_catalogue() -> Catalogue:
    """Give the built-in generic catalogue; every entry is marked as generic."""
    fixtures: dict[str, FixtureShape] = {}
    for family in _read("fixtures.toml")["family"]:
        fixtures.update(_family_shapes(family))
    sleeves = {
        row["id"]: Sleeve(**{key: value for key, value in row.items() if key != "id"})
        for row in _read("sleeves.toml")["sleeve"]
    }
    drills = {
        row["id"]: DrillList(
            row["label"],
            tuple(
                DrillStep("pilot drill" if k == 0 else f"drill {d:.1f}", d)
                for k, d in enumerate(row["diameters_mm"])
            ),
        )
        for row in _read("drills.toml")["drill_list"]
    }
    abutments = {
        f"{row['id']}-{height:g}": Abutment(
            f"{row['label']}, {height:g} mm", row["angle_deg"], height, row["rotational_positions"]
        )
        for row in _read("abutments.toml")["abutment"]
        for height in row["heights_mm"]
    }
    return Catalogue(fixtures, sleeves, drills, abutments)
