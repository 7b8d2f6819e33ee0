"""Where a guide bears: on the teeth in use, on areas of mucosa with their thickness, or on bone, along the arch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from attrs import evolve, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.planning.crowns import average_station_mm, tooth_at
from planner_core.planning.drilling import Support
from planner_core.planning.eligibility import CarrierTooth
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.seating import BearingPlaces, unsupported_length_mm

BEARING_EVERY_MM = 8.0
"""Spacing of the bearings along mucosa or bone, mm (our choice: about a tooth's width)."""

REFERENCE_MUCOSA_MM = 2.0
"""Thickness that the model's numbers for mucosa stand for, mm (our choice); give and spread grow with it."""

THICKEST_MM = 10.0
"""Thickest mucosa that is taken for a measurement and not for a slip, mm (our choice)."""

ARCH_END_MM = 1.5
"""Teeth beyond the drawn arch are taken to stand this far inside its end, mm (our choice)."""

FREE_END_FROM_MM = 0.5
"""Shorter overhangs are not counted, mm (our choice)."""


@frozen
class BearingArea:
    """A stretch of the arch that carries a guide on mucosa or on bone.

    Parameters
    ----------
    from_station_mm, to_station_mm : float
        Stations along the arch.
    mucosa_mm : float
        Thickness of the mucosa there; of no meaning on bone.
    """

    support: Support
    from_station_mm: float
    to_station_mm: float
    mucosa_mm: float = REFERENCE_MUCOSA_MM

    def __attrs_post_init__(self) -> None:
        if self.support not in (Support.MUCOSA, Support.BONE):
            raise PlannerError("A stretch that carries the guide is mucosa or bone.", "Choose one of them.")
        if not np.isfinite([self.from_station_mm, self.to_station_mm]).all():
            raise PlannerError("A stretch that carries the guide needs two stations.", "Give both ends in mm.")
        if not 0.0 < self.mucosa_mm <= THICKEST_MM:
            raise PlannerError(
                f"A mucosa of {self.mucosa_mm:g} mm cannot carry a guide.",
                f"Give a thickness above 0 and up to {THICKEST_MM:g} mm.",
            )


def _up(arch: ArchCurve) -> FloatArray:
    """Give the direction out of the jaw, towards the opposing teeth."""
    return arch.up_lps if arch.jaw == Jaw.LOWER else -arch.up_lps


def _within(arch: ArchCurve, station_mm: float) -> float:
    """Give the station, or the last one that the drawn arch has a direction at."""
    low, high = float(arch.stations_mm[0]) + ARCH_END_MM, float(arch.stations_mm[-1]) - ARCH_END_MM
    return float(np.clip(station_mm, low, max(low, high)))


def places_on_teeth(
    arch: ArchCurve, teeth: Iterable[CarrierTooth], marked_lps_mm: Mapping[str, ArrayLike] | None = None
) -> BearingPlaces:
    """Give the bearings of a guide on teeth, at the middle of each crown that can carry.

    Parameters
    ----------
    marked_lps_mm : mapping of tooth number to point (3,), or None
        Middle of the crown where the tooth is marked in the scan; the average place along the arch elsewhere.

    Raises
    ------
    PlannerError
        If none of the teeth can carry.
    """
    usable = [tooth.number for tooth in teeth if tooth.usable]
    if not usable:
        raise PlannerError("None of the teeth can carry the guide.", "Choose another support.")
    marked = marked_lps_mm or {}
    points = np.array(
        [
            np.asarray(marked[n], dtype=np.float64)
            if n in marked
            else tooth_at(arch, n, _within(arch, average_station_mm(n))).middle_lps_mm
            for n in usable
        ]
    )
    return _places(Support.TEETH, points, arch, np.ones(len(points)), f"teeth {', '.join(usable)}")


def places_along(arch: ArchCurve, support: Support, areas: Sequence[BearingArea]) -> BearingPlaces:
    """Give the bearings of a guide on mucosa or bone along stretches of the arch.

    Spread and give of mucosa are those of `REFERENCE_MUCOSA_MM` in proportion to its thickness.

    Raises
    ------
    PlannerError
        If there is no stretch of this support.
    """
    own = [area for area in areas if area.support == support]
    if not own:
        raise PlannerError(f"No stretch of {support.value} carries the guide.", "Mark where it bears.")
    points, soft = [], []
    for area in own:
        length = abs(area.to_station_mm - area.from_station_mm)
        stations = np.linspace(
            area.from_station_mm, area.to_station_mm, max(2, round(length / BEARING_EVERY_MM) + 1)
        )
        points += [arch.point_at(float(s)) for s in stations]
        soft += [area.mucosa_mm / REFERENCE_MUCOSA_MM if support == Support.MUCOSA else 1.0] * len(stations)
    stretches = ", ".join(f"{a.from_station_mm:+.0f} to {a.to_station_mm:+.0f}" for a in own)
    return _places(support, np.array(points), arch, np.array(soft), f"{support.value} at stations {stretches} mm")


def _places(
    support: Support, points: FloatArray, arch: ArchCurve, softness: FloatArray, words: str
) -> BearingPlaces:
    return BearingPlaces(support, points, np.tile(_up(arch), (len(points), 1)), softness, words)


def free_ends_mm(
    fixtures: Mapping[str, PlacedFixture], places: BearingPlaces, guide: GuideInputs
) -> Mapping[str, float]:
    """Give the unsupported length of the guide out to each site that lies beyond its bearings, mm."""
    found = {}
    for site, fixture in fixtures.items():
        sleeve = fixture.pose.at_depth(-guide.sleeve(site).offset_mm)
        length = unsupported_length_mm(sleeve, places.points_lps_mm)
        if length > FREE_END_FROM_MM:
            found[site] = length
    return found


def carried(
    guide: GuideInputs,
    support: Support,
    fixtures: Mapping[str, PlacedFixture],
    places: Mapping[Support, BearingPlaces],
) -> GuideInputs:
    """Give the inputs of a guide on this support: where it bears, as far as that is known, and its free ends."""
    own = places.get(support)
    if own is None:
        keep = guide if support == guide.support else evolve(guide, contacts=(), places=None, free_end_mm={})
        return evolve(keep, support=support)
    moved = evolve(guide, support=support, contacts=(), places=own)
    return evolve(moved, free_end_mm=free_ends_mm(fixtures, own, moved))
