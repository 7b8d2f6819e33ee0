"""The tools of the anatomy with fake picks: what they make, in how many steps, and how they take it back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from pytestqt.qtbot import QtBot

from app.picks import Pick
from app.sections.planes import plane_of
from app.tools.draw_structure import DrawOutlines
from app.view_state import ViewKind
from planner_core.anatomy.marked import CavityKind, DrawnKind, MarkedTooth, ToothState
from planner_core.anatomy.measure import MeasureKind
from planner_core.anatomy.structures import Side
from planner_core.case import edits
from planner_core.case.sheet import measured_lines
from tests.app.conftest import settle
from tests.app.small_case import block_surface, full_plan, scan_only


def pick_in(window: Any, point: Any, kind: ViewKind = ViewKind.ACROSS, **more: Any) -> Pick:
    """A pick in a view's plane as it stands."""
    frame = plane_of(kind, window.workspace.plan, window.workspace.view, 300, 300)
    assert frame is not None
    return Pick(kind.value, point, 7.0 * frame.pixel_mm, frame, **more)


def click(window: Any, point: Any, kind: ViewKind = ViewKind.ACROSS, **more: Any) -> None:
    """Press and let go."""
    pick = pick_in(window, np.asarray(point, dtype=np.float64), kind, **more)
    window.toolbox.press(pick)
    window.toolbox.release(pick)


def in_section(window: Any, station: float, out: float, up: float) -> np.ndarray:
    """A place in the cross-section at a station, which is looked at."""
    arch = window.workspace.plan.arch
    window.workspace.go_to_station(station)
    return np.asarray(arch.point_at(station) + out * arch.outward_at(station) + up * arch.up_lps)


def small_tooth(site: str = "35") -> MarkedTooth:
    """A block that stands for a tooth."""
    surface = block_surface(np.array([10.0, -12, -9]), np.array([15.0, -7, 4]))
    ends = {"neck_lps_mm": (12.5, -9.5, 0), "tip_lps_mm": (12.5, -9.5, 4), "apex_lps_mm": (12.5, -9.5, -9)}
    return MarkedTooth(
        site, surface, (0, 0, -1), sigma_mm=0.2, sigma_crown_mm=0.3, plus_lps_mm=[[12.5, -9.5, 0]], **ends
    )


def test_a_point_of_the_arch_is_dragged_in_one_step_and_the_strip_follows(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    before = workspace.plan.arch
    strip = window.strip.strip()
    window.commands.run("anatomy.arch")
    start = before.control_lps_mm[6]
    workspace.go_to_point(start)
    box.press(pick_in(window, start, ViewKind.AXIAL))
    for k in range(1, 4):
        box.drag(pick_in(window, start + np.array([0.0, 0.5 * k, 0.0]), ViewKind.AXIAL))
        shown = window.strip.strip()
        assert shown is not strip
        assert shown.arch is workspace.plan.arch
        strip = shown
    assert workspace.session.undo_label is None
    box.release(pick_in(window, start + np.array([0.0, 1.5, 0.0]), ViewKind.AXIAL))
    moved = workspace.plan.arch.control_lps_mm - before.control_lps_mm
    assert np.linalg.norm(moved, axis=1) == pytest.approx([0, 0, 0, 0, 0, 0, 1.5, 0, 0])
    assert workspace.session.undo_label == "Change arch"
    workspace.session.undo()
    assert workspace.plan.arch is before
    window.commands.run("tool.keep")
    assert box.active is None
    assert workspace.plan.arch is before


def test_a_point_of_a_canal_is_dragged_and_the_canal_followed_anew(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    before = workspace.plan.canals["left"]
    window.plan_actions.anatomy.change_canal(Side.LEFT)
    point = before.control_lps_mm[1]
    workspace.go_to_point(point)
    assert box.hover(pick_in(window, point)) == "move"
    box.press(pick_in(window, point))
    for k in range(1, 5):
        box.drag(pick_in(window, point + np.array([0.0, 0.0, 0.2 * k])))
    assert workspace.plan.canals["left"] is before
    box.release(pick_in(window, point + np.array([0.0, 0.0, 0.8])))
    qtbot.waitUntil(lambda: workspace.plan.canals["left"] is not before, timeout=60000)
    after = workspace.plan.canals["left"]
    away = np.linalg.norm(after.control_lps_mm - (point + np.array([0.0, 0.0, 0.8])), axis=1)
    assert away.min() < 0.2
    assert workspace.session.undo_label == "Change left canal"
    assert box.active is not None
    box.finish()
    settle(window, qtbot)
    workspace.session.undo()
    assert workspace.plan.canals["left"] is before


def test_distance_angle_line_and_area_are_kept_and_listed_on_request(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    measures = window.plan_actions.measures
    origin = in_section(window, 20.0, 0.0, -5.0)
    arch = window.workspace.plan.arch
    out, up = arch.outward_at(20.0), arch.up_lps
    for kind, corners in (
        (MeasureKind.DISTANCE, (0 * out, 6 * out)),
        (MeasureKind.ANGLE, (5 * out, 0 * out, 5 * up)),
        (MeasureKind.POLYLINE, (0 * out, 3 * out, 3 * out + 4 * up)),
        (MeasureKind.AREA, (0 * out, 4 * out, 4 * out + 3 * up, 3 * up)),
    ):
        measures.measure(kind)
        for corner in corners:
            click(window, origin + corner)
        window.toolbox.finish()
    found = list(window.workspace.plan.measurements.values())
    assert [m.value for m in found] == pytest.approx([6.0, 90.0, 7.0, 12.0])
    assert all(m.sigma > 0 for m in found)
    assert measured_lines(window.workspace.plan) == ()
    measures.put_on_sheet("1", True)
    measures.name_measurement("1", "ridge here")
    assert measured_lines(window.workspace.plan) == (("ridge here", found[0].text),)
    measures.remove_measurement("2")
    assert list(window.workspace.plan.measurements) == ["1", "3", "4"]


def test_a_bone_reduction_is_moved_and_leaned_by_dragging_its_line(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    workspace.go_to_station(0.0)
    window.plan_actions.measures.plan_cut(2.0)
    cut = workspace.plan.bone_cut
    grip = in_section(window, 0.0, 1.0, 0.0)
    grip = grip - cut.normal_lps * float((grip - cut.point_lps_mm) @ cut.normal_lps)
    assert box.hover(pick_in(window, grip)) == "move"
    box.press(pick_in(window, grip))
    box.drag(pick_in(window, grip - 1.5 * cut.normal_lps))
    box.release(pick_in(window, grip - 1.5 * cut.normal_lps))
    lower = workspace.plan.bone_cut
    assert float((lower.point_lps_mm - cut.point_lps_mm) @ cut.normal_lps) == pytest.approx(-1.5)
    assert workspace.session.undo_label == "Move bone reduction"
    frame = pick_in(window, grip).section
    assert frame is not None
    end = lower.point_lps_mm + 10.0 * frame.right_lps
    box.press(pick_in(window, end, turning=True))
    box.drag(pick_in(window, end + 10.0 * np.tan(np.radians(8.0)) * frame.down_lps, turning=True))
    box.release(pick_in(window, end, turning=True))
    leaned = workspace.plan.bone_cut
    assert np.degrees(np.arccos(float(leaned.normal_lps @ lower.normal_lps))) == pytest.approx(8.0, abs=1e-6)
    for _ in range(3):
        workspace.session.undo()
    assert workspace.plan.bone_cut is None


def test_an_air_space_is_filled_from_one_click(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    window.plan_actions.marks.mark_space(CavityKind.AIRWAY)
    click(window, in_section(window, 0.0, 0.0, 6.0))
    assert window.toolbox.active is None
    qtbot.waitUntil(lambda: "airway" in window.workspace.plan.cavities, timeout=60000)
    assert window.workspace.plan.cavities["airway"].volume_mm3 > 1000.0
    window.plan_actions.marks.mark_space(CavityKind.SINUS)
    click(window, in_section(window, 0.0, 0.0, -6.0))
    qtbot.waitUntil(lambda: bool(window.said.problems), timeout=60000)
    assert "does not lie in air" in window.said.problems[0]
    settle(window, qtbot)


def test_a_vessel_and_a_lesion_are_drawn_by_hand(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    marks = window.plan_actions.marks
    marks.draw_structure(DrawnKind.FLOOR_VESSEL, diameter_mm=1.5)
    for station in (10.0, 20.0):
        click(window, in_section(window, station, -8.0, -12.0))
    window.toolbox.finish()
    vessel = window.workspace.plan.drawn["vessel of the floor of the mouth"]
    assert float(vessel.diameter_mm[0]) == 1.5
    marks.draw_structure(DrawnKind.LESION, "lesion at 46")
    tool = window.toolbox.active
    assert isinstance(tool, DrawOutlines)
    window.commands.run("tool.keep")
    assert "outlines in two sections" in window.said.problems[-1]
    for station in (-20.0, -18.0, -16.0):
        ways = ((3, -10), (0, -7), (-3, -10), (0, -13))
        for out, up in ways:
            click(window, in_section(window, station, out, up))
        window.toolbox.press(pick_in(window, in_section(window, station, 0, -13), double=True))
    assert len(tool.outlines) == 3
    window.commands.run("tool.keep")
    qtbot.waitUntil(lambda: "lesion at 46" in window.workspace.plan.drawn, timeout=60000)
    marks.remove_mark("drawn:lesion at 46")
    assert list(window.workspace.plan.drawn) == ["vessel of the floor of the mouth"]
    settle(window, qtbot)


def test_a_tooth_has_a_state_and_can_be_given_another_number(open_plan: Callable[..., Any]) -> None:
    window = open_plan(edits.mark_tooth(full_plan(), small_tooth()))
    marks = window.plan_actions.marks
    marks.set_tooth_state("35", ToothState.TO_EXTRACT)
    marks.renumber_tooth("35", "34")
    assert window.workspace.plan.teeth["34"].state is ToothState.TO_EXTRACT
    assert window.workspace.session.undo_label == "Tooth 35 is 34"
    marks.remove_mark("tooth:34")
    assert not window.workspace.plan.teeth


def test_teeth_need_the_arch_and_say_so(window: Any, open_plan: Callable[..., Any]) -> None:
    open_plan(scan_only())
    assert not window.commands.action("anatomy.teeth").isEnabled()
    window.commands.guarded(window.plan_actions.marks.mark_teeth)
    assert "the arch" in window.said.problems[-1]


def test_a_click_that_finds_no_tooth_says_so_and_keeps_the_tool(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(evolve(full_plan(), fixtures={}))
    window.commands.run("anatomy.teeth")
    click(window, in_section(window, 20.0, 0.0, 14.0))
    qtbot.waitUntil(lambda: bool(window.said.problems), timeout=60000)
    assert "tooth" in window.said.problems[-1].lower()
    assert window.toolbox.active is not None
    settle(window, qtbot)


def test_an_oblique_section_turns_about_the_place_looked_at(open_plan: Callable[..., Any]) -> None:
    window = open_plan(evolve(full_plan(), fixtures={}))
    workspace, view = window.workspace, window.views[ViewKind.ACROSS]
    workspace.go_to_station(18.0)
    straight = view.frame
    view.lean(12.0, 5.0)
    leaned = view.frame
    assert float(leaned.normal_lps @ straight.normal_lps) == pytest.approx(
        np.cos(np.radians(12.0)) * np.cos(np.radians(5.0)), abs=1e-6
    )
    place = workspace.view.focus_lps_mm
    assert leaned.to_pixel(place)[:2] == pytest.approx(straight.to_pixel(place)[:2], abs=1e-6)
    assert "turned by hand 12° and 5°" in view.caption()
    workspace.view.reset_zoom()
    assert view.frame.normal_lps == pytest.approx(straight.normal_lps)


def test_stations_and_slices_are_stepped_by_keys(open_plan: Callable[..., Any]) -> None:
    window = open_plan(evolve(full_plan(), fixtures={}))
    view = window.workspace.view
    window.workspace.go_to_station(3.0)
    window.commands.run("view.station_left")
    assert view.station_mm == pytest.approx(4.0)
    window.commands.run("view.station_far_right")
    assert view.station_mm == pytest.approx(-1.0)
    window.commands.run("view.row")
    assert view.row_count == 5
    view.set_row(5, 2.5)
    window.commands.run("view.station_left")
    assert view.station_mm == pytest.approx(1.5)
    window.commands.run("view.row")
    height = float(view.focus_lps_mm[2])
    window.commands.run("view.slice_down")
    assert float(view.focus_lps_mm[2]) == pytest.approx(height - 0.5)


def test_the_midline_is_where_the_user_says(open_plan: Callable[..., Any]) -> None:
    window = open_plan(evolve(full_plan(), fixtures={}))
    arch = window.workspace.plan.arch
    window.workspace.go_to_station(4.0)
    place = arch.point_at(4.0)
    window.commands.run("anatomy.midline")
    after = window.workspace.plan.arch
    assert after.station_of(place) == pytest.approx(0.0, abs=0.13)
    assert window.workspace.view.station_mm == pytest.approx(0.0, abs=0.13)
    assert after.control_lps_mm == pytest.approx(arch.control_lps_mm)
    window.workspace.session.undo()
    assert window.workspace.plan.arch is arch


def test_a_row_of_sections_lies_evenly_along_the_arch(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(evolve(full_plan(), fixtures={}), shown=True)
    workspace = window.workspace
    workspace.go_to_station(10.0)
    workspace.view.set_row(5, 3.0)
    assert window.row.isVisible()
    frames = window.row.frames()
    arch = workspace.plan.arch
    stations = [arch.station_of(frame.origin_lps_mm) for frame in frames]
    assert stations == pytest.approx([4.0, 7.0, 10.0, 13.0, 16.0], abs=0.3)
    place = window.row.left_of(4) + frames[4].shape[1] / 2.0
    found = window.row.pick_at(place, 80.0)
    assert found is not None
    assert found[0] == 4
    assert arch.station_of(found[1].point_mm) == pytest.approx(16.0, abs=0.3)
    settle(window, qtbot)
