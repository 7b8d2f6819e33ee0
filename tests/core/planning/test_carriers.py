"""Guides on the teeth in use, on mucosa and on bone: short spans, one side and free ends show."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from planner_core.errors import PlannerError
from planner_core.planning.carriers import BearingArea, carried, free_ends_mm, places_along, places_on_teeth
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.drilling import Support
from planner_core.planning.eligibility import CarrierTooth
from planner_core.planning.error_budget import site_budget
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.seating import bearing_of, bearings, seating_covariance
from tests.studies.mouths import parabola

ARCH = parabola()
GUIDE = GuideInputs()


def teeth(*numbers, **kw):
    return tuple(CarrierTooth(n, **kw) for n in numbers)


def fixture(station):
    shape = generic_catalogue().fixture("generic-parallel-4.0x10")
    return PlacedFixture("37", shape, FixturePose(ARCH.point_at(station), [0, 0, -1.0]))


def areas(support, *stretches, mucosa_mm=2.0):
    return [BearingArea(support, start, stop, mucosa_mm) for start, stop in stretches]


def seating_mm(places, station=44.0):
    bearing = places.bearing(GUIDE.all_values())
    return seating_covariance(bearing).rms_at(ARCH.point_at(station))


def test_both_sides_carry_better_than_one_and_a_long_span_better_than_a_short():
    wide = places_on_teeth(ARCH, teeth("35", "33", "43", "45"))
    one_side = places_on_teeth(ARCH, teeth("32", "33", "34", "35"))
    short = places_on_teeth(ARCH, teeth("31", "32", "41", "42"))
    assert seating_mm(wide) < seating_mm(one_side) < seating_mm(short)


def test_places_are_the_contacts_of_bearings():
    """The same numbers as `seating.bearings`, which the simulation of drilled holes uses."""
    places = places_along(ARCH, Support.BONE, areas(Support.BONE, (-20, 20)))
    ours = places.bearing(GUIDE.all_values())
    theirs = bearing_of(bearings(Support.BONE, places.points_lps_mm, places.normals_lps, GUIDE.all_values()))
    for a, b in zip(ours, theirs, strict=True):
        np.testing.assert_allclose(a, b)


def test_teeth_that_cannot_carry_are_left_out():
    some = (*teeth("33", "43", "45"), *teeth("35", mobile=True), *teeth("44", to_extract=True))
    assert len(places_on_teeth(ARCH, some).points_lps_mm) == 3
    with pytest.raises(PlannerError, match="None of the teeth"):
        places_on_teeth(ARCH, teeth("35", mobile=True))


def test_a_tooth_marked_in_the_scan_stands_where_it_was_marked():
    marked = {"35": [21.0, 3.0, 9.0]}
    places = places_on_teeth(ARCH, teeth("35", "45"), marked)
    np.testing.assert_allclose(places.points_lps_mm[0], marked["35"])
    assert places.words == "teeth 35, 45"


def test_thick_mucosa_carries_worse():
    thin, thick = (
        places_along(ARCH, Support.MUCOSA, areas(Support.MUCOSA, (-40, 40), mucosa_mm=mm)) for mm in (2.0, 4.0)
    )
    assert seating_mm(thick) == pytest.approx(2.0 * seating_mm(thin), rel=1e-6)
    with pytest.raises(PlannerError, match="No stretch of teeth"):
        places_along(ARCH, Support.TEETH, areas(Support.MUCOSA, (-40, 40)))
    assert len(places_along(ARCH, Support.BONE, areas(Support.BONE, (0, 16), (30, 31))).points_lps_mm) == 3 + 2
    with pytest.raises(PlannerError, match="cannot carry"):
        BearingArea(Support.MUCOSA, -10.0, 10.0, 0.0)
    with pytest.raises(PlannerError, match="mucosa or bone"):
        BearingArea(Support.TEETH, -10.0, 10.0)


def test_site_behind_the_last_tooth_is_a_free_end_and_bends():
    places = places_on_teeth(ARCH, teeth("35", "33", "43", "45"))
    behind, between = fixture(48.0), fixture(20.0)
    ends = free_ends_mm({"37": behind}, places, GUIDE)
    assert ends["37"] > 5.0
    assert not free_ends_mm({"37": between}, places, GUIDE)
    bent = site_budget(behind, guide=carried(GUIDE, Support.TEETH, {"37": behind}, {Support.TEETH: places}))
    firm = site_budget(behind, guide=evolve(GUIDE, places=places))
    assert bent.depth_mean_mm > firm.depth_mean_mm
    assert bent.apex.p95_mm > firm.apex.p95_mm
    assert not np.isnan(bent.apex.p95_mm)


def test_bearings_on_one_short_line_do_not_hold_the_guide_and_that_is_said():
    short = places_along(ARCH, Support.MUCOSA, areas(Support.MUCOSA, (-20, -4)))
    wide = places_along(ARCH, Support.MUCOSA, areas(Support.MUCOSA, (-48, 48)))
    site = fixture(40.0)
    said = [
        {
            f.code
            for f in site_budget(site, guide=carried(GUIDE, Support.MUCOSA, {"37": site}, {p.support: p})).findings
        }
        for p in (short, wide)
    ]
    assert "guide-not-held" in said[0]
    assert "guide-not-held" not in said[1]


def test_another_support_takes_neither_the_bearings_nor_the_free_ends_of_the_first():
    places = places_on_teeth(ARCH, teeth("35", "33", "43", "45"))
    on_teeth = carried(GUIDE, Support.TEETH, {"37": fixture(48.0)}, {Support.TEETH: places})
    on_bone = carried(on_teeth, Support.BONE, {"37": fixture(48.0)}, {Support.TEETH: places})
    assert on_teeth.bearings_known
    assert not on_bone.bearings_known
    assert not on_bone.free_end_mm


def test_the_models_numbers_still_move_known_bearings():
    """A sensitivity to the spread of a tooth must show with the real teeth as with the assumed ones."""
    guide = carried(GUIDE, Support.TEETH, {}, {Support.TEETH: places_on_teeth(ARCH, teeth("35", "33", "43", "45"))})
    rough = site_budget(fixture(20.0), guide=guide.changed(tooth_contact_sigma_mm=0.3))
    fine = site_budget(fixture(20.0), guide=guide.changed(tooth_contact_sigma_mm=0.07))
    assert rough.apex.p95_mm > fine.apex.p95_mm + 0.05
