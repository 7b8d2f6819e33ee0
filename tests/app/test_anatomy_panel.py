"""The Anatomy panel: answers first, what is seldom used folded away, every number with how well it is known."""

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

from app.steps.anatomy_keep_off import marks_of, unseen_words
from app.steps.ridge_words import measured, reason_of, ridge_facts
from app.view_state import Step
from planner_core.anatomy.marked import AnteriorLoop, Foramen, ToothState
from planner_core.anatomy.measure import MeasureKind, measure
from planner_core.anatomy.ridge import Ridge
from planner_core.anatomy.structures import Side
from planner_core.case import edits
from planner_core.case.plan import Plan
from tests.app.conftest import settle
from tests.app.small_case import full_plan, scan_only
from tests.app.test_anatomy_tools import small_tooth

LEFT = Qt.MouseButton.LeftButton


def doubtful_plan() -> Plan:
    """A plan with a canal that was not seen in its middle, a foramen, a tooth and a measurement."""
    plan = full_plan()
    canal = plan.canals["left"]
    certain = np.ones(len(canal.path_lps_mm), bool)
    certain[10:20] = False
    plan = edits.set_canal(plan, evolve(canal, certain=certain))
    loop = AnteriorLoop(2.4, 1.5, False, 4.4, "The loop was not traced.")
    plan = edits.mark_foramen(plan, Side.LEFT, Foramen(canal.path_lps_mm[0], 0.5, [], False, loop))
    plan = edits.mark_tooth(plan, small_tooth())
    line = measure(MeasureKind.DISTANCE, [[18.0, 0, -2], [22.0, 0, -2]], plan.scan.volume, label="ridge")
    return edits.keep_measurement(plan, line)


def anatomy(window: Any) -> Any:
    window.workspace.view.set_step(Step.ANATOMY)
    return window.panels.panels[Step.ANATOMY]


def push(panel: Any, name: str, qtbot: QtBot) -> None:
    button = panel.findChild(QPushButton, name)
    assert button.isEnabled(), name
    qtbot.waitUntil(lambda: button.isVisible() and button.height() > 5, timeout=30000)
    button.window().panels._areas[Step.ANATOMY].ensureWidgetVisible(button)
    qtbot.mouseClick(button, LEFT)


def test_an_unseen_stretch_is_said_in_words_with_the_place_to_look_at() -> None:
    plan = doubtful_plan()
    marks = {mark.key: mark for mark in marks_of(plan)}
    canal = marks["canal:left"]
    assert canal.state == "warning"
    assert "look at it" in canal.tip
    # Points about every 0.5 mm: what is not seen runs from 4.9 to 9.3 mm.
    assert unseen_words(plan.canals["left"]) == "at 5 to 9 mm from its front end"
    place = plan.canals["left"].path_lps_mm[14]
    assert canal.place_lps_mm == pytest.approx(place)
    assert "look at it" in marks["foramen:left"].known
    assert "4.4 mm in front of it free" in marks["foramen:left"].tip
    only = {mark.key: mark for mark in marks_of(scan_only())}
    assert only["canal:left"].known == "not marked"


def test_a_ridge_says_what_it_is_or_why_not() -> None:
    reason = "not measurable here: a tooth stands on the ridge"
    nothing = Ridge(3.0, None, {}, None, "canal", reasons={"crest": reason})
    assert ridge_facts(nothing) == [("Ridge", reason)]
    assert reason_of(nothing, "crest") == "a tooth stands on the ridge"
    assert measured(None) == "not measurable here"
    assert measured(6.02, 0.25) == "6.0 mm (± 0.5)"
    ridge = Ridge(
        3.0, np.zeros(3), {0.5: 4.0, 1.0: 5.0, 3.0: None, 5.0: 7.0}, None, "lower border",
        reasons={"height": "not measurable here: the lower border lies outside the scan"},
        width_sigma_mm={0.5: 0.2},
        cheek_plate_mm={1.0: 1.3, 3.0: None, 5.0: 1.5},
        cheek_plate_sigma_mm={1.0: 0.1, 3.0: None, 5.0: 0.2},
    )  # fmt: skip
    facts = dict(ridge_facts(ridge))
    assert facts["Width at 0.5 mm"] == "4.0 mm (± 0.4)"
    assert facts["Width at 3 mm"] == "not measurable here"
    assert facts["Cheek plate"] == "1.3 ± 0.2, –, 1.5 ± 0.4 mm at 1, 3, 5 mm"
    assert facts["Tongue plate"] == "not measurable here"
    assert facts["Height to lower border"] == "not measurable here: the lower border lies outside the scan"


def test_the_panel_answers_each_question_and_lets_the_rest_be_opened(
    open_plan: Callable[..., Any], qtbot: QtBot, tmp_path: Path
) -> None:
    window = open_plan(doubtful_plan(), shown=True)
    panel = anatomy(window)
    answers = [block.fold.answer for block in panel.blocks]
    assert answers[0].startswith("Lower jaw")
    assert "Look at: canal, left, mental foramen, left" in answers[1]
    assert answers[2] == "1 marked."
    assert "wide" in answers[3] or "not measurable" in answers[3]
    assert answers[4] == "1 kept, 0 on the sheet."
    assert not panel.teeth.fold.is_open
    push(panel, "fold-teeth", qtbot)
    assert panel.teeth.map.isVisible()
    push(panel, "fold-table", qtbot)
    assert panel.bone.table.rowCount() == len(window.workspace.numbers.tracks.table.rows)
    target = tmp_path / "ridge.csv"
    panel.case.dialogs.answers["new_file"] = target
    push(panel, "save-ridge", qtbot)
    assert window.said.problems == []
    lines = target.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("station_mm,width_0.5_mm")
    assert len(lines) == 1 + panel.bone.table.rowCount()
    the_list_leads_there_and_removes(window, panel, qtbot)
    the_chart_leads_along_the_arch(window, panel, qtbot)
    the_teeth_are_chosen_on_the_map(window, panel, qtbot)
    measurements_are_ticked_for_the_sheet(window, panel)
    settle(window, qtbot)


def the_list_leads_there_and_removes(window: Any, panel: Any, qtbot: QtBot) -> None:
    block = panel.keep_off
    row = next(k for k, mark in enumerate(block._marks) if mark.key == "foramen:left")
    block.table.selectRow(row)
    push(panel, "mark-go", qtbot)
    place = window.workspace.plan.foramina["left"].point_lps_mm
    assert window.workspace.view.focus_lps_mm == pytest.approx(place)
    push(panel, "mark-remove", qtbot)
    assert "left" not in window.workspace.plan.foramina


def the_chart_leads_along_the_arch(window: Any, panel: Any, qtbot: QtBot) -> None:
    chart = panel.bone.chart
    box = chart._box()
    qtbot.mouseClick(chart, LEFT, pos=QPoint(round(box.center().x()), 40))
    stations = window.workspace.numbers.tracks.stations_mm
    assert window.workspace.view.station_mm == pytest.approx((stations[0] + stations[-1]) / 2, abs=1.0)


def the_teeth_are_chosen_on_the_map(window: Any, panel: Any, qtbot: QtBot) -> None:
    block = panel.teeth
    qtbot.mouseClick(block.map, LEFT, pos=block.map.place_of("36").toPoint())
    assert block.site == "36"
    assert not block.state_row.isVisible()
    qtbot.keyClick(block.map, Qt.Key.Key_Left)
    assert block.site == "35"
    assert "35 (Universal 20)" in block.name.text()
    index = block.state.findData(ToothState.MOBILE)
    block.state.setCurrentIndex(index)
    block.state.activated.emit(index)
    assert window.workspace.plan.teeth["35"].state is ToothState.MOBILE
    assert "35 mobile" in block.fold.answer


def measurements_are_ticked_for_the_sheet(window: Any, panel: Any) -> None:
    item = panel.measured.table.item(0, 2)
    item.setCheckState(Qt.CheckState.Checked)
    assert window.workspace.plan.measurements["1"].on_sheet
    assert window.workspace.session.undo_label == "List measurement 1 on the sheet"


def test_grey_values_along_a_bore_come_with_the_caution(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(doubtful_plan(), shown=True)
    panel = anatomy(window)
    push(panel, "fold-bore", qtbot)
    block = panel.measured
    assert [block.bore.itemText(k) for k in range(block.bore.count())] == ["Fixture 36", "Fixture 46", "Line ridge"]
    push(panel, "read-bore", qtbot)
    qtbot.waitUntil(lambda: bool(block.word.text()), timeout=60000)
    assert block.word.text().startswith("Fixture 36: ")
    assert "not HU" in block.caution.text()
    settle(window, qtbot)


def test_a_bone_reduction_shows_before_and_after(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(evolve(full_plan(), fixtures={}), shown=True)
    panel = anatomy(window)
    window.workspace.go_to_station(24.0)
    before = window.workspace.numbers.tracks.ridge_at(24.0)
    push(panel, "fold-cut", qtbot)
    panel.bone.reduce.setValue(3.0)
    push(panel, "plan-cut", qtbot)
    settle(window, qtbot, 60000)
    qtbot.waitUntil(lambda: window.workspace.numbers.tracks.before_cut is not None, timeout=60000)
    after = window.workspace.numbers.tracks.ridge_at(24.0)
    lower = float((before.crest_lps_mm - after.crest_lps_mm) @ window.workspace.plan.arch.up_lps)
    assert lower == pytest.approx(3.0, abs=0.3)
    assert before.height_mm - after.height_mm == pytest.approx(3.0, abs=0.6)
    assert "→" in panel.bone.effect._shown[1][1]
    push(panel, "drop-cut", qtbot)
    assert window.workspace.plan.bone_cut is None
    settle(window, qtbot, 60000)
