"""Guides on the teeth in use, on mucosa and on bone: short spans, one side and free ends show."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from planner_core.errors import PlannerError
from planner_core.planning.carriers import contacts_along, contacts_on_teeth, free_ends_mm
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.drilling import Support
from planner_core.planning.eligibility import CarrierTooth
from planner_core.planning.error_budget import site_budget
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.seating import seating_covariance
from tests.studies.mouths import parabola

ARCH = parabola()
GUIDE = GuideInputs()


def teeth(*numbers, **kw):
    return tuple(CarrierTooth(n, **kw) for n in numbers)


def fixture(station):
    shape = generic_catalogue().fixture("generic-parallel-4.0x10")
    return PlacedFixture("37", shape, FixturePose(ARCH.point_at(station), [0, 0, -1.0]))


def seating_mm(contacts, station=44.0):
    return seating_covariance(contacts).rms_at(ARCH.point_at(station))


def test_both_sides_carry_better_than_one_and_a_long_span_better_than_a_short():
    wide = contacts_on_teeth(ARCH, teeth("35", "33", "43", "45"), GUIDE)
    one_side = contacts_on_teeth(ARCH, teeth("32", "33", "34", "35"), GUIDE)
    short = contacts_on_teeth(ARCH, teeth("31", "32", "41", "42"), GUIDE)
    assert seating_mm(wide) < seating_mm(one_side) < seating_mm(short)


def test_teeth_that_cannot_carry_are_left_out():
    some = (*teeth("33", "43", "45"), *teeth("35", mobile=True), *teeth("44", to_extract=True))
    assert len(contacts_on_teeth(ARCH, some, GUIDE)) == 9
    with pytest.raises(PlannerError, match="None of the teeth"):
        contacts_on_teeth(ARCH, teeth("35", mobile=True), GUIDE)


def test_thick_mucosa_carries_worse():
    thin, thick = (contacts_along(ARCH, Support.MUCOSA, [(-40, 40)], GUIDE, mm) for mm in (2.0, 4.0))
    assert seating_mm(thick) == pytest.approx(2.0 * seating_mm(thin), rel=1e-6)
    with pytest.raises(PlannerError, match="stretches"):
        contacts_along(ARCH, Support.TEETH, [(-40, 40)], GUIDE)
    assert len(contacts_along(ARCH, Support.BONE, [(0, 16), (30, 31)], GUIDE)) == 3 * (3 + 2)


def test_site_behind_the_last_tooth_is_a_free_end_and_bends():
    contacts = contacts_on_teeth(ARCH, teeth("35", "33", "43", "45"), GUIDE)
    behind, between = fixture(48.0), fixture(20.0)
    ends = free_ends_mm({"37": behind}, contacts, GUIDE)
    assert ends["37"] > 5.0
    assert not free_ends_mm({"37": between}, contacts, GUIDE)
    plain = evolve(GUIDE, contacts=contacts)
    bent = site_budget(behind, guide=evolve(plain, free_end_mm=ends))
    firm = site_budget(behind, guide=plain)
    assert bent.depth_mean_mm > firm.depth_mean_mm
    assert bent.apex.p95_mm > firm.apex.p95_mm
    assert not np.isnan(bent.apex.p95_mm)
