"""What the user gives for a match: markers, painted regions, a second scan, how restorations are held."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from planner_core.case import edits
from planner_core.case.plan import SurfaceInput, SurfaceRole
from planner_core.case.staleness import match_changes, stale_parts
from planner_core.errors import PlannerError
from planner_core.imaging.retention import Retention, RetentionNote, notes_by_body
from planner_core.imaging.scan import ImportedScan, ScanSource
from planner_core.registration.kept import KeptMarker, PaintedRegion, SecondScan
from planner_core.registration.match import Road
from tests.core.case.sample_plans import full_plan, small_match, small_surface, small_volume


def marker(name: str, x: float = 0.0) -> KeptMarker:
    return KeptMarker(name, [x, 0.0, 0.0], 0.9, 0.01 * np.eye(3))


def test_crossing_out_a_marker_makes_the_match_by_markers_stale_and_back() -> None:
    plan = edits.set_markers(full_plan(), "lps", (marker("M1"), marker("M2", 5.0)))
    plan = edits.adopt_match(plan, evolve(small_match(), road=Road.MARKERS), "lower")
    assert match_changes(plan) == ()
    crossed = edits.cross_out_marker(plan, "lps", "M2")
    assert match_changes(crossed) == ("markers",)
    assert match_changes(edits.cross_out_marker(crossed, "lps", "M2", False)) == ()


def test_markers_do_not_concern_a_match_by_pairs() -> None:
    plan = edits.set_markers(full_plan(), "lps", (marker("M1"),))
    assert match_changes(plan) == ()


def test_names_of_markers_are_their_own_and_their_scan_must_be_there() -> None:
    with pytest.raises(PlannerError, match="Two markers are called"):
        edits.set_markers(full_plan(), "lps", (marker("M1"), marker("M1", 4.0)))
    with pytest.raises(PlannerError, match="no scan in the frame"):
        edits.set_markers(full_plan(), "surface:nowhere", (marker("M1"),))
    with pytest.raises(PlannerError, match="no marker called"):
        edits.cross_out_marker(full_plan(), "lps", "M9")
    with pytest.raises(PlannerError, match="three finite numbers"):
        edits.set_markers(full_plan(), "lps", (evolve(marker("M1"), centre_mm=[np.nan, 0, 0]),))


def test_another_scan_makes_the_markers_stale() -> None:
    plan = edits.set_markers(full_plan(), "lps", (marker("M1"),))
    other = edits.set_scan(plan, ImportedScan(small_volume(7), ScanSource()))
    assert "markers" in {part.part for part in stale_parts(other)}


def test_a_painted_region_counts_for_the_surface_road_only() -> None:
    states = np.zeros(60, np.int8)
    states[:5] = -1
    plan = edits.adopt_match(full_plan(), evolve(small_match(), road=Road.SURFACE), "lower")
    painted = edits.paint_region(plan, "lower", PaintedRegion(states))
    assert match_changes(painted) == ("painted region",)
    assert match_changes(edits.paint_region(painted, "lower", None)) == ()
    assert match_changes(edits.paint_region(full_plan(), "lower", PaintedRegion(states))) == ()
    with pytest.raises(PlannerError, match="does not fit"):
        edits.paint_region(plan, "lower", PaintedRegion(states[:7] - 1))


def test_another_surface_under_the_same_name_loses_what_was_painted_and_found_on_it() -> None:
    states = np.ones(60, np.int8)
    plan = edits.paint_region(full_plan(), "lower", PaintedRegion(states))
    plan = edits.set_markers(plan, "surface:lower", (marker("M1"),))
    same = edits.add_surface(plan, evolve(plan.surfaces["lower"], label="Renamed"))
    assert "lower" in same.regions
    other = SurfaceInput("lower", "Other", SurfaceRole.TEETH, small_surface(61))
    replaced = edits.add_surface(plan, other)
    assert not replaced.regions
    assert "surface:lower" not in replaced.markers


def test_the_scan_of_the_prosthesis_comes_and_goes_with_its_surface() -> None:
    body = SurfaceInput("prosthesis", "P", SurfaceRole.PROSTHESIS, small_surface(80, "prosthesis"))
    second = SecondScan(small_volume(3), ScanSource(), "prosthesis", 100.0)
    plan = edits.set_second_scan(full_plan(), second, body)
    plan = edits.set_markers(plan, "prosthesis", (marker("M1"),))
    again = edits.set_second_scan(
        plan, evolve(second, iso_grey=80.0), evolve(body, surface=small_surface(90, "prosthesis"))
    )
    assert again.markers["prosthesis"], "found in the same scan: they stay"
    adopted = edits.adopt_match(plan, evolve(small_match(), road=Road.DUAL_SCAN), "prosthesis")
    assert match_changes(edits.set_second_scan(adopted, evolve(second, iso_grey=80.0))) == (
        "scan of the prosthesis",
    )
    gone = edits.set_second_scan(plan, None)
    assert gone.second_scan is None
    assert "prosthesis" not in gone.surfaces
    assert "prosthesis" not in gone.markers


def test_retention_is_noted_by_place_and_taken_back() -> None:
    plan = edits.note_retention(full_plan(), [10.0, 0, 0], Retention.SCREW)
    plan = edits.note_retention(plan, [30.0, 0, 0], Retention.TOOTH)
    plan = edits.note_retention(plan, [11.0, 0, 0], Retention.CEMENT)
    centres = [np.array([10.5, 0.5, 0.0]), np.array([60.0, 0, 0]), np.array([30.0, 0, 1.0])]
    assert notes_by_body(plan.retention, centres) == {0: Retention.CEMENT, 2: Retention.TOOTH}
    plan = edits.note_retention(plan, [10.0, 0, 0], Retention.UNKNOWN)
    assert notes_by_body(plan.retention, centres) == {2: Retention.TOOTH}
    assert notes_by_body((RetentionNote([0, 0, 0], Retention.SCREW),), []) == {}
