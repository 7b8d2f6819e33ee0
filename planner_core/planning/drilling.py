"""Sleeves, drills and the way of drilling, as values."""

from __future__ import annotations

from enum import StrEnum

from attrs import frozen

from planner_core.errors import PlannerError


class Support(StrEnum):
    """What carries the guide."""

    TEETH = "teeth"
    MUCOSA = "mucosa"
    BONE = "bone"
    NONE = "none"
    """No guide: free hand."""


class Guidance(StrEnum):
    """How much of the drilling the guide leads."""

    FREE_HAND = "free hand"
    PILOT = "pilot only"
    DRILLS = "all drills"
    FULL = "all drills and fixture"


@frozen
class Sleeve:
    """A sleeve in the guide.

    Datums: `gap_mm` = sleeve underside to platform; offset = sleeve top to platform = height + gap.
    """

    label: str
    inner_diameter_mm: float
    outer_diameter_mm: float
    height_mm: float
    gap_mm: float
    clearance_mm: float
    """Diametral play between drill (or key) and sleeve, sum of both fits, mm."""

    def __attrs_post_init__(self) -> None:
        if self.height_mm <= 0 or self.inner_diameter_mm <= 0 or self.outer_diameter_mm <= self.inner_diameter_mm:
            raise PlannerError(f"The sleeve {self.label!r} needs a height and a wall.", "Correct its sizes.")
        if self.clearance_mm < 0:
            raise PlannerError(f"The sleeve {self.label!r} has a negative clearance.", "Correct its sizes.")

    @property
    def offset_mm(self) -> float:
        """Sleeve top to platform, mm."""
        return self.height_mm + self.gap_mm

    def drill_depth_mm(self, fixture_length_mm: float) -> float:
        """Give the drilling depth from the sleeve top for a fixture of true length, tip overshoot stated apart."""
        return self.offset_mm + fixture_length_mm


@frozen
class DrillStep:
    """One drill of the list."""

    label: str
    diameter_mm: float
    depth_below_platform_mm: float | None = None
    """None: the fixture's full length."""
    speed_rpm: int | None = None
    guided: bool = True


@frozen
class DrillList:
    """The drills in their order.

    `generic` lists are the program's own and never make a final sheet: the clinic's own list, after the maker's
    instructions, is needed.
    """

    label: str
    steps: tuple[DrillStep, ...]
    generic: bool = True
    tip_overshoot_mm: float | None = None
    """Length of the drill's tip beyond its nominal depth, mm; None = not known."""
