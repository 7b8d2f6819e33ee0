"""Where a guide bears: on the teeth in use, on areas of mucosa with their thickness, or on bone, along the arch."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from attrs import evolve

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.planning.crowns import average_station_mm, tooth_at
from planner_core.planning.drilling import Support
from planner_core.planning.eligibility import CarrierTooth
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.seating import Contact, bearings, unsupported_length_mm

BEARING_EVERY_MM = 8.0
"""Spacing of the bearings along mucosa or bone, mm (our choice: about a tooth's width)."""

REFERENCE_MUCOSA_MM = 2.0
"""Thickness that the model's numbers for mucosa stand for, mm (our choice); give and spread grow with it."""


def _up(arch: ArchCurve) -> FloatArray:
    """Give the direction out of the jaw, towards the opposing teeth."""
    return arch.up_lps if arch.jaw == Jaw.LOWER else -arch.up_lps


def contacts_on_teeth(
    arch: ArchCurve,
    teeth: Iterable[CarrierTooth],
    guide: GuideInputs,
    stations_mm: Mapping[str, float] | None = None,
) -> tuple[Contact, ...]:
    """Give the contacts of a guide on teeth, at the middle of each crown that can carry.

    Parameters
    ----------
    stations_mm : mapping of tooth number to station, or None
        Where the teeth stand; the average station where missing.

    Raises
    ------
    PlannerError
        If none of the teeth can carry.
    """
    usable = [tooth.number for tooth in teeth if tooth.usable]
    if not usable:
        raise PlannerError("None of the teeth can carry the guide.", "Choose another support.")
    known = stations_mm or {}
    points = [tooth_at(arch, n, known.get(n, average_station_mm(n))).middle_lps_mm for n in usable]
    return bearings(Support.TEETH, points, _up(arch), guide.all_values())


def contacts_along(
    arch: ArchCurve,
    support: Support,
    stretches_mm: Sequence[tuple[float, float]],
    guide: GuideInputs,
    mucosa_mm: float = REFERENCE_MUCOSA_MM,
) -> tuple[Contact, ...]:
    """Give the contacts of a guide on mucosa or bone along stretches of the arch.

    Parameters
    ----------
    stretches_mm : sequence of (from, to) stations
    mucosa_mm : float
        Thickness of the mucosa under the guide: spread and give are those of `REFERENCE_MUCOSA_MM` in proportion.

    Raises
    ------
    PlannerError
        If there is no stretch, or the support is not mucosa or bone.
    """
    if support not in (Support.MUCOSA, Support.BONE) or not stretches_mm:
        raise PlannerError("A guide on mucosa or bone needs stretches of the arch.", "Mark where it bears.")
    points = []
    for start, stop in stretches_mm:
        count = max(2, round(abs(stop - start) / BEARING_EVERY_MM) + 1)
        points += [arch.point_at(float(s)) for s in np.linspace(start, stop, count)]
    found = bearings(support, points, _up(arch), guide.all_values())
    if support == Support.BONE:
        return found
    share = mucosa_mm / REFERENCE_MUCOSA_MM
    if share <= 0.0:
        raise PlannerError(f"A mucosa of {mucosa_mm:g} mm cannot carry a guide.", "Correct its thickness.")
    return tuple(
        evolve(c, sigma_mm=c.sigma_mm * share, compliance_mm_per_n=c.compliance_mm_per_n * share) for c in found
    )


def free_ends_mm(
    fixtures: Mapping[str, PlacedFixture], contacts: Sequence[Contact], guide: GuideInputs
) -> Mapping[str, float]:
    """Give the unsupported length of the guide out to each site that lies beyond its contacts, mm."""
    found = {}
    for site, fixture in fixtures.items():
        sleeve = fixture.pose.at_depth(-guide.sleeve(site).offset_mm)
        length = unsupported_length_mm(sleeve, contacts)
        if length > 0.5:
            found[site] = length
    return found
