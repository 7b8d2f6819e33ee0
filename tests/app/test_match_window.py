"""The roads of the match in the real window: markers gone over by hand, regions, maps, the scan's picture."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QPushButton
from pytestqt.qtbot import QtBot

from app.picks import Pick
from app.sections import altered
from app.sections.planes import plane_of
from app.tools.paint_region import PaintRegion
from app.tools.pick_marker import PickMarker
from app.tools.three_clicks import ThreeClicks
from app.view_state import Step, ViewKind
from planner_core.case import derived, edits
from planner_core.case.derived.match_picture import known_match_picture, match_picture_of
from planner_core.case.derived.reduced import reduced_of
from planner_core.case.derived.roads import known_roads
from planner_core.case.plan import Plan
from planner_core.imaging.retention import Retention
from planner_core.registration.kept import KeptMarker
from planner_core.registration.marker_sets import MarkerSets, match_sets
from tests.app.conftest import settle
from tests.app.small_case import full_plan, lps_from_surface, small_volume
from tests.app.test_panels import panel, text_of

FRAME = "surface:small"
SPREAD = np.array([[-24.0, 12, 2], [24, 13, 9], [0, -16, 3], [-12, -8, 8], [13, -7, 4], [20, 2, -3]])
SQUARE = np.array([[-15.0, -15, 0], [15, -15, 0], [15, 15, 0], [-15, 15, 0]])
LEFT = Qt.MouseButton.LeftButton


def kept(places: np.ndarray, prefix: str) -> tuple[KeptMarker, ...]:
    covariance = 0.1**2 / 3.0 * np.eye(3)
    return tuple(KeptMarker(f"{prefix} {k + 1}", place, 0.9, covariance) for k, place in enumerate(places))


def with_markers(places: np.ndarray = SPREAD) -> Plan:
    plan = edits.set_markers(full_plan(), "lps", kept(places, "scan"))
    return edits.set_markers(plan, FRAME, kept(lps_from_surface().inverse().apply(places)[::-1], "surface"))


def matched(plan: Plan) -> MarkerSets:
    """What the match makes of the plan's markers, without the surface's own evidence (a box has too few points)."""
    volume = small_volume()
    return match_sets(plan.markers["lps"], plan.markers[FRAME], volume, volume, frame=FRAME)


def take(window: Any, sets: MarkerSets) -> None:
    """Hand a result over as the job does."""
    actions = window.plan_actions.match.markers
    actions._take("Match by markers", actions.teeth(), sets)


def road(window: Any, name: str) -> Any:
    shown = panel(window, Step.MATCH)
    shown.take_road(name)
    return shown.blocks[name]


def pick(window: Any, point: Any, kind: ViewKind = ViewKind.AXIAL) -> Pick:
    frame = plane_of(kind, window.workspace.plan, window.workspace.view, 300, 300)
    assert frame is not None
    return Pick(kind.value, point, 7.0 * frame.pixel_mm, frame)


# ---------------------------------------------------------------- which road


def test_the_roads_are_compared_by_themselves_with_the_error_at_each_site(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(with_markers(), shown=True)
    window.workspace.view.set_step(Step.MATCH)
    qtbot.waitUntil(lambda: known_roads(window.workspace.plan) is not None, timeout=60000)
    settle(window, qtbot, 60000)
    shown = panel(window, Step.MATCH)
    table = shown.roads.table
    heads = [table.horizontalHeaderItem(c).text() for c in range(table.columnCount())]
    assert heads[1:] == ["36", "46"]
    rows = {table.item(r, 0).text().partition(" –")[0]: r for r in range(table.rowCount())}
    assert set(rows) == {"Surface of the teeth", "Markers", "Markers and surface", "Dual scan", "Pairs of points"}
    markers = float(table.item(rows["Markers"], 1).text())
    assert 0.05 < markers < 0.4, "six markers of 0.1 mm, spread wide"
    assert table.item(rows["Dual scan"], 1).text() == "closed"
    advised = [table.item(r, 0).text() for r in range(table.rowCount()) if "advised" in table.item(r, 0).text()]
    assert len(advised) <= 1
    roads = known_roads(window.workspace.plan)
    assert roads is not None
    assert shown.roads.sentence.text() == roads.table.sentence
    table.selectRow(rows["Dual scan"])
    assert shown.blocks["dual scan"].isVisible()
    assert not shown.blocks["markers"].isVisible()
    assert window.said.problems == []


def test_only_one_road_is_shown_at_a_time(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    for name in ("surface", "markers", "combined", "dual scan", "points"):
        shown = road(window, name)
        others = [block for key, block in window.panels.panels[Step.MATCH].blocks.items() if key != name]
        assert shown.isVisibleTo(window.panels.panels[Step.MATCH])
        assert not any(block.isVisibleTo(window.panels.panels[Step.MATCH]) for block in others)


# ---------------------------------------------------------------- markers


def test_a_false_marker_is_crossed_out_the_match_is_stale_and_undo_brings_it_back(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(with_markers())
    take(window, matched(window.workspace.plan))
    settle(window, qtbot)
    block = road(window, "markers")
    states = [block.table.item(r, 1).text() for r in range(block.table.rowCount())]
    assert states == ["used"] * 6
    assert derived.match_state(window.workspace.plan) == "in use"
    block.table.selectRow(0)
    name = block.table.item(0, 0).text()
    qtbot.mouseClick(block.cross, LEFT)
    plan = window.workspace.plan
    assert all(next(m for m in plan.markers[f] if m.name == name).crossed_out for f in ("lps", FRAME))
    assert derived.match_state(plan) == "stale"
    assert "markers" in text_of(window.panels.panels[Step.MATCH].result)
    assert block.table.item(0, 1).text() == "crossed out"
    assert window.workspace.session.undo_label == f"Cross out marker {name}"
    window.undo()
    assert derived.match_state(window.workspace.plan) == "in use"
    settle(window, qtbot)


def test_a_symmetric_set_is_asked_about_and_counts_only_when_confirmed(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(with_markers(SQUARE))
    take(window, matched(window.workspace.plan))
    settle(window, qtbot)
    block = road(window, "markers")
    assert block.question.isVisibleTo(block)
    assert "8 different ways" in block.asked.text()
    assert derived.match_state(window.workspace.plan) == "not trusted"
    ways = window.plan_actions.match.markers.ways
    right = next(
        k for k, w in enumerate(ways) if np.allclose(w.motion.matrix, lps_from_surface().matrix, atol=1e-6)
    )
    window.plan_actions.match.markers.look_at_way(right)
    assert window.workspace.plan.match.match.lps_from_surface.matrix == pytest.approx(
        lps_from_surface().matrix, abs=1e-6
    )
    assert derived.match_state(window.workspace.plan) == "not trusted", "looked at, not confirmed"
    qtbot.mouseClick(block.confirm, LEFT)
    assert derived.match_state(window.workspace.plan) == "in use"
    assert "chosen by eye" in text_of(window.panels.panels[Step.MATCH].result)
    assert not block.question.isVisibleTo(block)
    settle(window, qtbot)


def test_missing_markers_are_clicked_in_either_scan(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    road(window, "markers")
    window.plan_actions.match.markers.pick()
    assert isinstance(window.toolbox.active, PickMarker)
    window.toolbox.press(pick(window, np.array([20.0, 5.0, 1.0])))
    window.toolbox.release(pick(window, np.array([20.0, 5.0, 1.0])))
    qtbot.waitUntil(lambda: len(window.workspace.plan.markers.get("lps", ())) == 1, timeout=20000)
    own = window.workspace.plan.surfaces[FRAME].surface.points_mm[0]
    window.toolbox.press(Pick("scene", own, frame_name=FRAME))
    window.toolbox.release(Pick("scene", own, frame_name=FRAME))
    qtbot.waitUntil(lambda: len(window.workspace.plan.markers.get(FRAME, ())) == 1, timeout=20000)
    window.toolbox.stop()
    assert all(m[0].clicked for m in window.workspace.plan.markers.values())
    assert "Three are needed" in text_of(road(window, "markers"))
    settle(window, qtbot)


def test_a_marker_in_the_list_is_looked_at(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(with_markers())
    block = road(window, "markers")
    block.table.selectRow(2)
    assert window.workspace.view.focus_lps_mm == pytest.approx(SPREAD[2])
    settle(window, qtbot)


# ---------------------------------------------------------------- surface


def test_each_stroke_of_the_brush_is_one_step(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    block = road(window, "surface")
    window.plan_actions.match.surface.paint(False)
    assert isinstance(window.toolbox.active, PaintRegion)
    assert window.banner.stop.text() == "Done", "what is painted is kept stroke by stroke"
    points = window.workspace.plan.surfaces[FRAME].surface.points_mm
    for k in (0, 3):
        assert window.toolbox.press(Pick("scene", points[k], frame_name=FRAME))
        window.toolbox.drag(Pick("scene", points[k + 1], frame_name=FRAME))
        window.toolbox.release(Pick("scene", points[k + 1], frame_name=FRAME))
    region = window.workspace.plan.regions[FRAME]
    assert region.states.tolist() == [-1, -1, 0, -1, -1, 0, 0, 0]
    assert window.workspace.session.undo_label == "Paint a region out"
    block.refresh()
    assert "50 % of the surface" in block.region.text()
    window.undo()
    assert window.workspace.plan.regions[FRAME].states.tolist() == [-1, -1, 0, 0, 0, 0, 0, 0]
    window.plan_actions.match.surface.clear_paint()
    assert not window.workspace.plan.regions
    settle(window, qtbot)


def test_a_stroke_that_is_left_paints_nothing(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    window.plan_actions.match.surface.paint(True)
    points = window.workspace.plan.surfaces[FRAME].surface.points_mm
    window.toolbox.press(Pick("scene", points[0], frame_name=FRAME))
    window.toolbox.stop()
    assert not window.workspace.plan.regions
    assert not window.toolbox.press(Pick("scene", points[0], frame_name="lps"))


def test_three_clicks_in_both_scans_give_the_start(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    taken: list[Any] = []
    tool = ThreeClicks(window.workspace, lambda pairs: taken.append(pairs))
    window.toolbox.take(tool)
    for k in range(3):
        own = Pick("scene", lps_from_surface().inverse().apply(SPREAD[k]), frame_name=FRAME)
        section = pick(window, SPREAD[k])
        for one in (own, section) if k % 2 else (section, own):
            assert taken == []
            assert window.toolbox.press(one)
            window.toolbox.release(one)
        if k == 1:
            window.toolbox.back()
            assert len(tool.pairs) == 1
            for one in (own, section):
                window.toolbox.press(one)
                window.toolbox.release(one)
    assert len(taken) == 1
    assert [p.name for p in taken[0]] == ["S1", "S2", "S3"]
    assert window.toolbox.active is None


def test_a_wax_up_is_not_matched_by_itself(open_plan: Callable[..., Any]) -> None:
    from planner_core.case.plan import SurfaceRole

    plan = full_plan()
    wax = evolve(plan.surfaces[FRAME], role=SurfaceRole.WAX_UP)
    window = open_plan(edits.adopt_match(edits.add_surface(plan, wax), None))
    with pytest.raises(Exception, match="no surface scan of the teeth"):
        window.plan_actions.match.teeth()


# ---------------------------------------------------------------- the result


def test_maps_are_made_by_themselves_and_have_a_legend(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    window.workspace.view.set_step(Step.MATCH)
    qtbot.waitUntil(lambda: known_match_picture(window.workspace.plan) is not None, timeout=60000)
    settle(window, qtbot, 60000)
    shown = panel(window, Step.MATCH)
    qtbot.mouseClick(shown.result.looks["error"], LEFT)
    qtbot.waitUntil(lambda: window.scene.is_started, timeout=60000)
    window.scene.draw_now()
    settle(window, qtbot)
    window.scene.draw_now()
    legend = window.scene._legend
    assert legend.isVisible()
    assert "95 of 100" in legend.toolTip()
    qtbot.mouseClick(shown.result.looks["plain"], LEFT)
    window.scene.draw_now()
    assert not legend.isVisible()
    assert window.said.problems == []


def test_the_error_map_is_the_error_of_the_match(open_plan: Callable[..., Any]) -> None:
    plan = full_plan()
    picture = match_picture_of(plan)
    match = plan.match.match  # type: ignore[union-attr]
    places = match.lps_from_surface.apply(plan.surfaces[FRAME].surface.points_mm)
    stated = [match.expected_p95_mm(place) for place in places]
    assert picture.error_p95_mm == pytest.approx(stated, rel=0.02)
    assert len(picture.distance_mm) == len(places)


# ---------------------------------------------------------------- the scan


def test_the_altered_picture_says_so_and_nothing_is_placed_on_it(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan(), shown=True)
    settle(window, qtbot)
    view, workspace = window.views[ViewKind.ACROSS], window.workspace
    reduced_of(workspace.plan)
    workspace.view.select("36")
    window.commands.run("view.altered")
    assert workspace.view.picture == "altered"
    assert altered.is_altered(workspace)
    image = view.grab().toImage()
    edge = {image.pixelColor(x, 1).name() for x in range(10, view.width() - 10)}
    assert "#ffffff" in edge, "a dashed white frame"
    before = workspace.plan
    fixture = workspace.plan.fixtures["36"]
    row, column, _ = view.frame.to_pixel(fixture.pose.at_depth(3.0))
    start = QPoint(round(column), round(row))
    qtbot.mousePress(view, LEFT, pos=start)
    qtbot.mouseMove(view, start + QPoint(30, 0))
    qtbot.mouseRelease(view, LEFT, pos=start + QPoint(30, 0))
    assert workspace.plan is before, "a fixture is not moved on an altered picture"
    assert " ".join(altered.REFUSED) in window.said.texts[-1]
    window.plan_actions.match.pick_pairs(0.5)
    assert workspace.view.picture == "original"
    assert "measured or matched" in window.said.texts[-1]
    window.toolbox.stop()
    settle(window, qtbot)


def test_a_fixture_is_not_dragged_in_the_3d_view_while_the_altered_picture_is_shown(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan(), shown=True)
    settle(window, qtbot)
    workspace, frame = window.workspace, window.views[ViewKind.ACROSS].frame
    reduced_of(workspace.plan)
    workspace.view.select("36")
    fixture = workspace.plan.fixtures["36"]
    grabbed = Pick(
        "scene", fixture.pose.at_depth(3.0), 2.0, evolve(frame, origin_lps_mm=fixture.pose.at_depth(3.0))
    )
    moved = evolve(grabbed, point_mm=grabbed.point_mm + 2.0)
    window.plan_actions.scan.show_picture("altered")
    before, said = workspace.plan, len(window.said.texts)
    assert not window.toolbox.press(grabbed), "what the 3D view hands over when a fixture is grabbed"
    window.toolbox.drag(moved)
    window.toolbox.release(moved)
    assert workspace.plan is before
    assert " ".join(altered.REFUSED) in window.said.texts[said]
    window.plan_actions.scan.show_picture("original")
    assert window.toolbox.press(grabbed)
    window.toolbox.drag(moved)
    window.toolbox.release(moved)
    assert workspace.plan is not before, "on the scan as scanned it moves"
    settle(window, qtbot)


def test_scan_and_altered_picture_stand_side_by_side_at_the_same_place(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan(), shown=True)
    view = window.views[ViewKind.AXIAL]
    reduced_of(window.workspace.plan)
    window.plan_actions.scan.show_picture("beside")
    half = view.width() // 2
    left, right = view.pick_at(40.0, 60.0), view.pick_at(half + 40.0, 60.0)
    assert left is not None
    assert right is not None
    assert left.point_mm == pytest.approx(right.point_mm)
    window.commands.run("view.beside")
    assert window.workspace.view.picture == "original"
    settle(window, qtbot)


def test_retention_is_noted_at_the_chosen_restoration(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    window.plan_actions.scan.note_retention(np.array([5.0, 0, 0]), Retention.SCREW)
    assert window.workspace.session.undo_label == "Note a restoration as screw-retained"
    assert window.workspace.plan.retention[0].retention is Retention.SCREW
    window.undo()
    assert window.workspace.plan.retention == ()
    settle(window, qtbot)


def test_the_rescan_order_is_written_by_its_button(
    open_plan: Callable[..., Any], qtbot: QtBot, tmp_path: Path
) -> None:
    window = open_plan(full_plan())
    panel(window, Step.SCAN)
    settle(window, qtbot)
    out = tmp_path / "order.pdf"
    window.case.dialogs.answers["new_file"] = out
    shown = panel(window, Step.SCAN)
    qtbot.mouseClick(shown.findChild(QPushButton, "rescan-order"), LEFT)
    qtbot.waitUntil(out.exists, timeout=30000)
    settle(window, qtbot)
    assert out.read_bytes().startswith(b"%PDF")
    assert window.said.problems == []
