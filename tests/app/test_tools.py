"""Tools with fake picks: begin, show, commit, revert."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from pytestqt.qtbot import QtBot

from app.picks import Pick
from app.sections.planes import plane_of
from app.tools.click_canal import ClickCanal
from app.tools.draw_arch import DrawArch
from app.tools.pick_pairs import PickPairs
from app.view_state import ViewKind
from planner_core.anatomy.structures import Side
from planner_core.case import edits
from tests.app.conftest import settle
from tests.app.small_case import arch_points, canal_points, full_plan, lps_from_surface, scan_only, small_pairs


def _pick(window: Any, point: Any, kind: ViewKind = ViewKind.ACROSS, **more: Any) -> Pick:
    frame = plane_of(kind, window.workspace.plan, window.workspace.view, 300, 300)
    assert frame is not None
    return Pick(kind.value, point, 7.0 * frame.pixel_mm, frame, **more)


def test_dragging_the_body_moves_it_in_one_step(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    workspace.view.select("36")
    start = workspace.plan.fixtures["36"].pose
    grip = start.at_depth(4.0)
    assert box.hover(_pick(window, grip)) == "move"
    assert box.press(_pick(window, grip))
    for k in range(1, 6):
        box.drag(_pick(window, grip + np.array([0.2 * k, 0.0, 0.1 * k])))
    shown = workspace.plan.fixtures["36"].pose
    assert shown.platform_lps_mm == pytest.approx(start.platform_lps_mm + np.array([1.0, 0.0, 0.5]))
    assert workspace.session.undo_label is None
    box.release(_pick(window, grip))
    assert workspace.session.undo_label == "Move fixture 36"
    workspace.session.undo()
    assert workspace.plan.fixtures["36"].pose is start


def test_dragging_the_apex_turns_it_about_the_platform(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    workspace.view.select("36")
    fixture = workspace.plan.fixtures["36"]
    pick = _pick(window, fixture.apex_lps_mm)
    assert box.hover(pick) == "turn"
    assert pick.section is not None
    aside = fixture.apex_lps_mm + 8.0 * np.tan(np.radians(10.0)) * pick.section.right_lps
    box.press(pick)
    box.drag(_pick(window, aside))
    box.release(_pick(window, aside))
    turned = workspace.plan.fixtures["36"].pose
    assert turned.platform_lps_mm == pytest.approx(fixture.pose.platform_lps_mm)
    angle = np.degrees(np.arccos(float(turned.axis_lps @ fixture.pose.axis_lps)))
    assert angle == pytest.approx(10.0, abs=0.01)
    assert workspace.session.undo_label == "Turn fixture 36"


def test_escape_puts_it_back(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    workspace.view.select("36")
    before = workspace.plan
    grip = before.fixtures["36"].pose.at_depth(4.0)
    box.press(_pick(window, grip))
    box.drag(_pick(window, grip + 1.0))
    assert workspace.plan is not before
    window.commands.run("tool.stop")
    assert workspace.plan is before
    assert workspace.session.undo_label is None


def test_a_click_on_another_fixture_takes_it_in_hand_without_moving_it(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    workspace = window.workspace
    grip = workspace.plan.fixtures["46"].pose.at_depth(3.0)
    window.toolbox.press(_pick(window, grip))
    window.toolbox.drag(_pick(window, grip + 2.0))
    window.toolbox.release(_pick(window, grip + 2.0))
    assert workspace.view.site == "46"
    assert workspace.session.undo_label is None


def test_a_locked_fixture_stays_and_says_so(open_plan: Callable[..., Any]) -> None:
    window = open_plan(edits.set_lock(full_plan(), "36", True))
    window.workspace.view.select("36")
    grip = window.workspace.plan.fixtures["36"].pose.at_depth(3.0)
    window.toolbox.press(_pick(window, grip))
    window.toolbox.drag(_pick(window, grip + 2.0))
    window.toolbox.release(_pick(window, grip))
    assert window.workspace.session.undo_label is None
    assert "locked" in window.said.texts[-1]


def test_nudges_and_tilts_are_a_tenth_and_half_a_degree(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    workspace = window.workspace
    workspace.view.select("36")
    start = workspace.plan.fixtures["36"].pose
    for way in ("left", "outward", "deeper"):
        window.commands.run(f"fixture.move_{way}")
    moved = workspace.plan.fixtures["36"].pose.platform_lps_mm - start.platform_lps_mm
    assert float(np.linalg.norm(moved)) == pytest.approx(0.1 * np.sqrt(3.0), abs=1e-3)
    assert float(moved @ start.axis_lps) == pytest.approx(0.1)
    window.commands.run("fixture.turn_outward")
    turned = workspace.plan.fixtures["36"].pose
    assert np.degrees(np.arccos(float(turned.axis_lps @ start.axis_lps))) == pytest.approx(0.5, abs=1e-6)
    arch = workspace.plan.arch
    outward = arch.outward_at(arch.station_of(start.platform_lps_mm))
    assert float((turned.axis_lps - start.axis_lps) @ outward) > 0


def test_the_arch_is_drawn_by_clicks_in_any_order(open_plan: Callable[..., Any]) -> None:
    window = open_plan(scan_only())
    window.commands.run("anatomy.arch")
    tool = window.toolbox.active
    assert isinstance(tool, DrawArch)
    points = arch_points(5)
    for k in (2, 0, 4, 1, 3):
        pick = _pick(window, points[k], ViewKind.AXIAL)
        assert window.toolbox.press(pick)
        window.toolbox.release(pick)
    window.commands.run("tool.keep")
    arch = window.workspace.plan.arch
    assert window.toolbox.active is None
    assert arch.control_lps_mm == pytest.approx(points)
    assert arch.tangent_at(0.0)[0] > 0.99
    assert window.workspace.session.undo_label == "Draw arch"


def test_too_few_points_are_refused_in_a_sentence_and_kept(open_plan: Callable[..., Any]) -> None:
    window = open_plan(scan_only())
    window.commands.run("anatomy.arch")
    window.toolbox.press(_pick(window, arch_points(3)[0], ViewKind.AXIAL))
    window.commands.run("tool.keep")
    assert "at least 3 points" in window.said.problems[0]
    assert isinstance(window.toolbox.active, DrawArch)
    assert len(window.toolbox.active.points) == 1
    window.toolbox.stop()
    assert window.workspace.plan.arch is None


def test_the_canal_is_followed_as_a_job(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(edits.remove_canal(full_plan(), Side.LEFT))
    window.commands.run("anatomy.canal_left")
    assert isinstance(window.toolbox.active, ClickCanal)
    truth = canal_points(Side.LEFT)
    for point in (truth[0], truth[len(truth) // 2], truth[-1]):
        window.toolbox.press(_pick(window, point))
    window.toolbox.finish()
    qtbot.waitUntil(lambda: "left" in window.workspace.plan.canals, timeout=20000)
    path = window.workspace.plan.canals["left"].path_lps_mm
    away = np.linalg.norm(path[:, None] - truth[None], axis=2).min(axis=0)
    assert away.max() < 1.5
    settle(window, qtbot)


def test_pairs_come_from_both_sides_in_either_order(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    plan = edits.adopt_match(edits.set_pairs(full_plan(), ()), None)
    window = open_plan(plan)
    panel_actions = window.plan_actions.match
    panel_actions.pick_pairs(0.3)
    assert isinstance(window.toolbox.active, PickPairs)
    for k, pair in enumerate(small_pairs()):
        own = Pick("scene", pair.surface_mm, frame_name="surface:small")
        section = _pick(window, pair.lps_mm)
        for pick in (own, section) if k % 2 else (section, own):
            assert window.toolbox.press(pick)
            window.toolbox.release(pick)
        qtbot.waitUntil(lambda k=k: len(window.workspace.plan.pairs) == k + 1, timeout=10000)
    window.toolbox.stop()
    assert [pair.name for pair in window.workspace.plan.pairs] == ["P1", "P2", "P3", "P4", "P5"]
    window.commands.run("match.pairs")
    match = window.workspace.plan.match.match
    assert match.lps_from_surface.matrix == pytest.approx(lps_from_surface().matrix, abs=1e-6)


def test_a_fixture_is_placed_by_one_click(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(edits.delete_fixture(full_plan(), "36"))
    shape = window.plan_actions.catalogue.nearest_fixture(4.0, 8.0)
    window.plan_actions.fixtures.place_fixture("36", shape)
    point = np.array([20.0, 5.0, -1.0])
    assert window.toolbox.press(_pick(window, point))
    window.toolbox.release(_pick(window, point))
    placed = window.workspace.plan.fixtures["36"]
    assert placed.pose.platform_lps_mm == pytest.approx(point)
    assert placed.pose.axis_lps == pytest.approx([0.0, 0.0, -1.0])
    assert window.workspace.view.site == "36"
    assert window.toolbox.active is None


def test_a_tool_is_put_away_when_another_case_opens(open_plan: Callable[..., Any]) -> None:
    window = open_plan(scan_only())
    window.commands.run("anatomy.arch")
    open_plan(full_plan())
    assert window.toolbox.active is None
