"""The blocks of the Fixtures panel and the tools of fixtures and planned teeth, against a real session."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from pytestqt.qtbot import QtBot

from app.actions.arch import measured_cut
from app.picks import Pick
from app.sections.planes import plane_of
from app.view_state import Step, ViewKind
from planner_core.case import derived, edits
from planner_core.case.plan import Plan
from planner_core.geometry.frames import angle_between_deg
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.crowns import tooth_at
from planner_core.planning.handling import HANDLE_UP_MM
from planner_core.planning.implant_template import write_implant_template
from tests.app.conftest import settle
from tests.app.small_case import full_plan


def with_crowns() -> Plan:
    plan = full_plan()
    crowns = []
    for site, fixture in plan.fixtures.items():
        station = plan.arch.station_of(fixture.pose.platform_lps_mm)
        crowns.append(tooth_at(plan.arch, site, station))
    return edits.set_crowns(plan, crowns)


def blocks(window: Any) -> Any:
    window.workspace.view.set_step(Step.FIXTURES)
    found = window.panels.panels[Step.FIXTURES]
    found.refresh()
    return found


def _pick(window: Any, point: Any, kind: ViewKind = ViewKind.ACROSS, **more: Any) -> Pick:
    frame = plane_of(kind, window.workspace.plan, window.workspace.view, 300, 300)
    assert frame is not None
    return Pick(kind.value, point, 7.0 * frame.pixel_mm, frame, **more)


def test_own_margin_and_back_to_the_sourced_one(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    window.workspace.view.select("36")
    block = blocks(window).ledger_block
    rows = [block.table.item(r, 0).text() for r in range(block.table.rowCount())]
    block.table.cellClicked.emit(rows.index("canal left"), 0)
    assert "convention" in block.source.text()
    assert "Fokas" in block.source.text()
    block.margin.setValue(3.0)
    assert window.workspace.plan.limits.margin_mm == {"canal": 3.0}
    settle(window, qtbot, 90_000)
    blocks(window)
    assert "the user's own value" in block.source.text()
    block.default.click()
    assert window.workspace.plan.limits.margin_mm == {}
    settle(window, qtbot, 90_000)


def test_plates_depths_exit_and_papilla_words_are_shown(open_plan: Callable[..., Any]) -> None:
    window = open_plan(with_crowns())
    window.workspace.view.select("36")
    block = blocks(window).around_block
    assert [block.plates.item(r, 0).text() for r in range(4)] == ["0.5", "2.0", "4.0", "6.0"]
    assert not block.plates.item(0, 1).icon().isNull()
    words = [w.text() for w in block.facts.findChildren(type(block.note))]
    assert any("below the crest" in text for text in words)
    assert any("over the platform" in text for text in words)
    assert any("Screw exit" in text for text in words)


def test_parallel_copy_mirror_and_lock(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    workspace, actions = window.workspace, window.plan_actions.fixtures
    workspace.view.select("36")
    block = blocks(window).hand_block
    block.numbers.boxes["along"].setValue(8.0)
    turned = workspace.plan.fixtures["36"]
    assert block.other.currentData() == "46"
    apex = workspace.plan.fixtures["36"].apex_lps_mm
    actions.about_apex = True
    block.parallel.click()
    now = workspace.plan.fixtures["36"]
    assert angle_between_deg(now.pose.axis_lps, workspace.plan.fixtures["46"].pose.axis_lps) < 1e-6
    assert now.apex_lps_mm == pytest.approx(apex)
    workspace.session.undo()
    assert workspace.plan.fixtures["36"] is turned
    block.copy_site.setCurrentIndex(block.copy_site.findData("34"))
    block.copy.click()
    assert workspace.view.site == "34"
    assert workspace.plan.fixtures["34"].pose.axis_lps == pytest.approx(turned.pose.axis_lps)
    blocks(window).hand_block.mirror.click()
    mirrored = workspace.plan.fixtures["44"].pose
    source = workspace.plan.fixtures["34"].pose
    assert mirrored.platform_lps_mm[0] == pytest.approx(-source.platform_lps_mm[0], abs=0.3)
    actions.set_lock("44", True)
    window.commands.run("fixture.move_left")
    assert workspace.plan.fixtures["44"].pose is mirrored
    settle(window, qtbot, 90_000)


def test_keys_turn_about_the_chosen_point_by_half_a_degree(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    workspace = window.workspace
    workspace.view.select("36")
    before = workspace.plan.fixtures["36"]
    for about_apex, kept in ((False, before.pose.platform_lps_mm), (True, before.apex_lps_mm)):
        window.plan_actions.fixtures.about_apex = about_apex
        window.commands.run("fixture.turn_outward")
        after = workspace.plan.fixtures["36"]
        assert angle_between_deg(after.pose.axis_lps, before.pose.axis_lps) == pytest.approx(0.5, abs=1e-6)
        pivot = after.apex_lps_mm if about_apex else after.pose.platform_lps_mm
        assert pivot == pytest.approx(kept)
        workspace.session.undo()
    settle(window, qtbot, 90_000)


def test_the_handle_over_the_platform_turns_about_the_apex_and_ctrl_keeps_to_the_axis(
    open_plan: Callable[..., Any],
) -> None:
    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    workspace.view.select("36")
    start = workspace.plan.fixtures["36"]
    grip = start.pose.at_depth(-HANDLE_UP_MM)
    section = _pick(window, grip).section
    assert box.press(_pick(window, grip))
    box.drag(_pick(window, grip + 1.0 * section.right_lps))
    box.release(_pick(window, grip))
    turned = workspace.plan.fixtures["36"]
    assert turned.apex_lps_mm == pytest.approx(start.apex_lps_mm)
    assert angle_between_deg(turned.pose.axis_lps, start.pose.axis_lps) > 3.0
    workspace.session.undo()
    body = start.pose.at_depth(4.0)
    assert box.press(_pick(window, body, sliding=True))
    box.drag(_pick(window, body + 2.0 * section.right_lps - 1.2 * start.pose.axis_lps, sliding=True))
    box.release(_pick(window, body))
    moved = workspace.plan.fixtures["36"].pose
    assert moved.platform_lps_mm - start.pose.platform_lps_mm == pytest.approx(-1.2 * start.pose.axis_lps, abs=1e-9)


def test_planned_teeth_are_set_up_changed_dragged_and_removed(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    workspace = window.workspace
    block = blocks(window).crowns_block
    block.set_open(True)
    block.first.setCurrentIndex(block.first.findData("35"))
    block.last.setCurrentIndex(block.last.findData("36"))
    block.set_up.click()
    qtbot.waitUntil(lambda: set(workspace.plan.crowns) == {"35", "36"}, timeout=90_000)
    settle(window, qtbot, 90_000)
    assert block.notes.isVisibleTo(block) or block.is_open
    workspace.view.take_crown("36")
    blocks(window)
    before = workspace.plan.crowns["36"]
    block.boxes["height"].setValue(6.0)
    assert workspace.plan.crowns["36"].height_mm == pytest.approx(6.0)
    block.boxes["facial"].setValue(0.5)
    now = workspace.plan.crowns["36"]
    assert now.cervical_lps_mm - before.cervical_lps_mm == pytest.approx(0.5 * before.facial_lps)
    settle(window, qtbot, 90_000)
    grip = now.cervical_lps_mm + 2.0 * now.occlusal_lps
    workspace.go_to_point(grip)
    box = window.toolbox
    assert box.hover(_pick(window, grip)) == "move"
    assert box.press(_pick(window, grip))
    box.drag(_pick(window, grip + np.array([0.0, 0.0, 0.7])))
    box.release(_pick(window, grip))
    assert workspace.plan.crowns["36"].cervical_lps_mm[2] == pytest.approx(now.cervical_lps_mm[2] + 0.7)
    blocks(window).crowns_block.remove.click()
    assert set(workspace.plan.crowns) == {"35"}
    settle(window, qtbot, 90_000)


def test_abutments_for_a_common_path_cut_and_lip(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    plan = with_crowns()
    plan = edits.copy_fixture(plan, "36", "33")
    plan = edits.mirror_fixture(plan, "33")
    tilted = plan.fixtures["36"].pose.turned([0.0, 1.0, 0.0], 20.0, plan.fixtures["36"].pose.platform_lps_mm)
    plan = edits.move_fixture(plan, "36", tilted)
    window = open_plan(plan)
    workspace = window.workspace
    block = blocks(window).arch_block
    block.set_open(True)
    assert "spread" in block._summary()
    block.prosthesis.setCurrentIndex(block.prosthesis.findData("hybrid of acrylic and metal"))
    block.prosthesis.activated.emit(block.prosthesis.currentIndex())
    assert workspace.plan.design.prosthesis == "hybrid of acrylic and metal"
    block.take.click()
    assert set(workspace.plan.abutments) == set(workspace.plan.fixtures)
    assert workspace.plan.abutments["36"].abutment.angle_deg > 0.0
    block.refresh()
    assert block.cut.value() == pytest.approx(15.0)
    block.plan_cut.click()
    assert workspace.plan.bone_cut is not None
    qtbot.waitUntil(lambda: window.plan_actions.arch.taken_of(workspace.plan) is not None, timeout=120_000)
    taken = window.plan_actions.arch.taken_of(workspace.plan)
    plane = derived.occlusal_plane_of(workspace.plan)
    # The block's top is flat at z = 0: what is taken off is the plane's depth under it, everywhere.
    expected = 15.0 - float(plane.point_lps_mm[2])
    assert float(np.nanmax(taken.reduction.height_map_mm)) == pytest.approx(expected, abs=0.01)
    # Only the part under the prosthesis is taken off, so less than the whole top of the block.
    assert 0.0 < taken.reduction.volume_mm3 < 62.0 * 44.0 * expected
    assert measured_cut(workspace.plan).reduction.volume_mm3 == taken.reduction.volume_mm3
    block.lip.setValue(4.0)
    assert workspace.plan.design.lip_height_mm == 4.0
    settle(window, qtbot, 90_000)
    block.refresh()
    assert any("behind the lip" in text for _, text in block.lines._shown)
    block.no_cut.click()
    assert workspace.plan.bone_cut is None
    settle(window, qtbot, 90_000)


def test_template_and_list_with_errors_by_line(open_plan: Callable[..., Any], tmp_path: Path) -> None:
    window = open_plan(full_plan())
    block = blocks(window).parts_block
    block.set_open(True)
    shape = generic_catalogue().fixture("generic-tapered-4.0x10")
    write_implant_template(shape, tmp_path / "own.dcm", "an invented workshop")
    window.case.dialogs.answers["file"] = tmp_path / "own.dcm"
    block._open()
    read = window.plan_actions.catalogue.fixtures[shape.shape_id]
    assert not read.generic
    assert read.length_mm == pytest.approx(10.0, abs=0.01)
    (tmp_path / "parts.csv").write_text("id,label,diameter_mm,length_mm\na,A,4,10\nb,B,forty,10\n")
    window.case.dialogs.answers["file"] = tmp_path / "parts.csv"
    block._open()
    assert [text for _, text in block.lines._shown][1] == "Line 3: diameter_mm is 'forty', not a number."
    assert window.said.problems == []
    assert any("1 fixtures" in text for _, text in block.lines._shown)
    (tmp_path / "no.dcm").write_bytes(b"nothing")
    window.case.dialogs.answers["file"] = tmp_path / "no.dcm"
    block._open()
    assert "not a readable DICOM file" in block.lines._shown[0][1]


def test_screw_joint_says_numbers_and_sources(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    block = blocks(window).screw_block
    block.set_open(True)
    text = " ".join(line for _, line in block.lines._shown)
    # FACTS.md section 6: 25 N cm with friction .33 press with 329.9 N (Wentaschek 2023).
    assert "about 330 N" in text or "about 329 N" in text or "about 331 N" in text
    assert "Wentaschek" in text
    assert "maker's torque comes first" in text


def test_a_fixture_is_dragged_and_turned_in_space(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    workspace, scene = window.workspace, window.scene
    qtbot.waitUntil(lambda: scene.stage is not None, timeout=90_000)
    workspace.view.set_layer("bone", False)
    workspace.view.select("36")
    fixture = workspace.plan.fixtures["36"]
    middle = fixture.pose.at_depth(4.0)
    scene.draw_now()
    scene.stage.look_at(middle, np.array([0.0, -1.0, 0.0]), 60.0)
    scene.draw_now()

    def drag(start: Any, by: tuple[int, int], keys: Any = Qt.KeyboardModifier.NoModifier) -> None:
        x, y = (round(v) for v in scene.stage.screen_of(start))
        canvas = scene.canvas
        qtbot.mousePress(canvas, Qt.MouseButton.LeftButton, keys, QPoint(x, y))
        for k in range(1, 5):
            event_place = QPoint(x + by[0] * k // 4, y + by[1] * k // 4)
            qtbot.mouseMove(canvas, event_place)
        qtbot.mouseRelease(canvas, Qt.MouseButton.LeftButton, keys, QPoint(x + by[0], y + by[1]))

    # Looked at from the front with the patient's left upwards: to the right of the screen goes down in the jaw.
    drag(middle, (24, 0))
    moved = workspace.plan.fixtures["36"].pose.platform_lps_mm - fixture.pose.platform_lps_mm
    assert workspace.session.undo_label == "Move fixture 36"
    assert moved[2] < -0.5
    assert moved[:2] == pytest.approx([0.0, 0.0], abs=0.05)
    workspace.session.undo()
    drag(middle, (20, 6), Qt.KeyboardModifier.ControlModifier)
    slid = workspace.plan.fixtures["36"].pose.platform_lps_mm - fixture.pose.platform_lps_mm
    assert slid == pytest.approx(float(slid @ fixture.pose.axis_lps) * fixture.pose.axis_lps, abs=1e-9)
    assert float(slid @ fixture.pose.axis_lps) > 0.5
    workspace.session.undo()
    drag(fixture.apex_lps_mm, (0, 20))
    turned = workspace.plan.fixtures["36"].pose
    assert turned.platform_lps_mm == pytest.approx(fixture.pose.platform_lps_mm)
    assert angle_between_deg(turned.axis_lps, fixture.pose.axis_lps) > 3.0
    settle(window, qtbot, 90_000)
