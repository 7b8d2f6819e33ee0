"""The step panels against a real session, read as a user reads them."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QComboBox, QLabel, QPushButton, QTableWidget, QWidget
from pytestqt.qtbot import QtBot

from app.steps.panel import PANEL_PX
from app.view_state import Step
from planner_core.case import edits
from planner_core.case.plan import Plan
from planner_core.planning.drilling import Guidance, Support
from tests.app.conftest import settle
from tests.app.small_case import arch_points, full_plan, scan_only


def text_of(widget: QWidget) -> str:
    """Everything that can be read in a widget."""
    parts = [label.text() for label in widget.findChildren(QLabel) if label.isVisibleTo(widget)]
    parts += [button.text() for button in widget.findChildren(QPushButton)]
    for table in widget.findChildren(QTableWidget):
        parts += [table.item(r, c).text() for r in range(table.rowCount()) for c in range(table.columnCount())]
    return "\n".join(parts)


def panel(window: Any, step: Step) -> Any:
    window.workspace.view.set_step(step)
    window.panels.panels[step].refresh()
    return window.panels.panels[step]


def click(window: Any, step: Step, name: str, qtbot: QtBot) -> None:
    qtbot.mouseClick(window.panels.panels[step].findChild(QPushButton, name), Qt.MouseButton.LeftButton)


@pytest.mark.parametrize("plan", [Plan(), scan_only(), full_plan()], ids=["empty", "scan", "full"])
def test_every_panel_shows_every_stage_within_its_width(open_plan: Callable[..., Any], plan: Plan) -> None:
    window = open_plan(plan)
    for step in Step:
        shown = panel(window, step)
        assert shown.minimumSizeHint().width() <= PANEL_PX - 12, step
        assert text_of(shown).strip()
        assert "nan" not in text_of(shown)
        assert "HU" not in text_of(shown).split()
    assert window.said.problems == []


def test_scan_panel_names_voxels_and_degradation(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    panel(window, Step.SCAN)
    settle(window, qtbot)
    text = text_of(panel(window, Step.SCAN))
    assert "80 x 68 x 44" in text
    assert "0.80 x 0.80 x 0.80 mm" in text
    assert "None of the 44 slices is degraded" in text
    assert "36: readable." in text


def test_the_reading_is_signed_and_taken_back(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    shown = panel(window, Step.SCAN)
    click(window, Step.SCAN, "sign-reading", qtbot)
    assert "name" in window.said.problems[0]
    shown.reader.setText("Dr Invented")
    shown.reading.setPlainText("Nothing besides.")
    click(window, Step.SCAN, "sign-reading", qtbot)
    assert window.workspace.plan.reading.reader == "Dr Invented"
    assert "Read by Dr Invented" in text_of(shown)
    settle(window, qtbot)
    shown.unsign.click()
    assert window.workspace.plan.reading is None
    settle(window, qtbot)


def test_the_residual_is_never_called_accuracy(open_plan: Callable[..., Any]) -> None:
    shown = panel(open_plan(full_plan()), Step.MATCH)
    text = text_of(shown)
    assert "accuracy" not in text.lower()
    assert "Residual of the fit" in text
    assert "not the error at a site" in text
    errors = shown.result.errors
    assert "95 %" in errors.horizontalHeaderItem(0).text()
    assert [errors.item(r, 0).text() for r in range(errors.rowCount())] == ["36", "46"]


def test_a_changed_pair_makes_the_match_stale_on_the_panel(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    shown = panel(window, Step.MATCH)
    window.plan_actions.match.remove_pair("P5")
    shown.refresh()
    assert "Match again" in text_of(shown)
    pairs = shown.blocks["points"].table
    assert [pairs.item(r, 2).text() for r in range(4)] == ["–"] * 4
    settle(window, qtbot)
    assert window.chain.links[Step.MATCH].state == "stale"
    assert window.chain.links[Step.MATCH].answer == ""
    assert not window.chain.joints[0].whole
    shown.findChild(QPushButton, "match").click()
    settle(window, qtbot)
    assert window.chain.links[Step.MATCH].state == "answered"


def test_the_ledger_has_state_as_word_and_shape(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    window.workspace.view.select("36")
    shown = panel(window, Step.FIXTURES)
    table = shown.ledger_block.table
    rows = [[table.item(r, c).text() for c in range(4)] for r in range(table.rowCount())]
    assert any(row[0] == "canal left" for row in rows)
    assert all(row[3] in ("clear", "inside margin", "touches") for row in rows)
    assert all(not table.item(r, 3).icon().isNull() for r in range(len(rows)))
    assert all("Source" in table.item(r, 0).toolTip() for r in range(len(rows)))


def test_typed_numbers_move_the_fixture(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    workspace = window.workspace
    workspace.view.select("36")
    shown = panel(window, Step.FIXTURES)
    start = workspace.plan.fixtures["36"].pose
    before = shown.hand_block.numbers.boxes["height"].value()
    shown.hand_block.numbers.boxes["height"].setValue(before - 1.5)
    moved = workspace.plan.fixtures["36"].pose
    assert moved.platform_lps_mm - start.platform_lps_mm == pytest.approx([0.0, 0.0, -1.5], abs=0.06)
    settle(window, qtbot)
    shown.refresh()
    shown.hand_block.numbers.boxes["across"].setValue(10.0)
    turned = workspace.plan.fixtures["36"].pose
    arch = workspace.plan.arch
    outward = arch.outward_at(arch.station_of(turned.platform_lps_mm))
    tilt = np.degrees(np.arctan2(float(turned.axis_lps @ outward), -float(turned.axis_lps[2])))
    assert tilt == pytest.approx(10.0, abs=0.2)
    settle(window, qtbot)


def test_choosing_a_row_takes_the_fixture_in_hand(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan(), shown=True)
    shown = panel(window, Step.FIXTURES)
    shown.list.cellClicked.emit(1, 0)
    assert window.workspace.view.site == "46"
    assert "lower right first molar" in text_of(shown)


def test_the_budget_shows_chance_leeway_need_and_shares_that_add_up(open_plan: Callable[..., Any]) -> None:
    window = open_plan(full_plan())
    window.workspace.view.select("36")
    shown = panel(window, Step.BUDGET)
    budget = window.workspace.numbers.budgets["36"]
    figures = [number.text() for number in shown.figures.numbers]
    decisive = budget.decisive
    assert figures[1:] == [f"{decisive.leeway_mm:.1f} mm", f"{decisive.need_mm:.1f} mm"]
    assert decisive.obstacle in shown.figures.words[1].text()
    for fold in (shown.shares, shown.errors, shown.harm):
        assert not fold.is_open
        fold.head.click()
    assert sum(share for _, share in shown.shares.block.bar.shares) == pytest.approx(1.0)
    assert shown.errors.block.errors.item(1, 2).text() == f"{budget.apex.p95_mm:.2f} mm"
    assert shown.harm.block.harms.rowCount() >= 1


def test_guide_choices_become_steps(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    shown = panel(window, Step.GUIDE)
    shown.support.setCurrentIndex(shown.support.findData(Support.BONE))
    shown.support.activated.emit(shown.support.currentIndex())
    shown.guidance.setCurrentIndex(shown.guidance.findData(Guidance.PILOT))
    shown.guidance.activated.emit(shown.guidance.currentIndex())
    guide = window.workspace.plan.guide
    assert (guide.support, guide.guidance) == (Support.BONE, Guidance.PILOT)
    box = shown.findChild(QComboBox, "sleeve-36")
    box.setCurrentIndex(0)
    box.activated.emit(0)
    assert "36" not in window.workspace.plan.guide.sleeves
    settle(window, qtbot)
    assert "17.0 mm" in text_of(shown)  # sleeve 5 + gap 4 + fixture 8 mm, at 46


def test_a_final_sheet_is_not_offered_while_something_stands_against_it(
    open_plan: Callable[..., Any], qtbot: QtBot, tmp_path: Any
) -> None:
    window = open_plan(full_plan())
    shown = panel(window, Step.SHEET)
    assert not shown.final.isEnabled()
    assert "not signed as read" in text_of(shown)
    assert shown.draft.isEnabled()
    window.case.dialogs.answers["new_file"] = tmp_path / "draft.pdf"
    window.commands.run("sheet.draft")
    qtbot.waitUntil(lambda: (tmp_path / "draft.pdf").exists() and not window.workspace.jobs.running, timeout=60000)
    assert (tmp_path / "draft.pdf").read_bytes().startswith(b"%PDF")
    assert any("draft sheet is in" in text for text in window.said.texts)


def test_the_outcome_is_honest_about_not_being_measured(open_plan: Callable[..., Any]) -> None:
    text = text_of(panel(open_plan(full_plan()), Step.OUTCOME))
    assert "Not measured yet" in text
    assert "second scan" in text


def test_the_arch_is_proposed_from_the_scan(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(scan_only())
    panel(window, Step.ANATOMY)
    click(window, Step.ANATOMY, "propose-arch", qtbot)
    qtbot.waitUntil(lambda: window.workspace.plan.arch is not None or bool(window.said.problems), timeout=30000)
    assert window.said.problems == []
    settle(window, qtbot)
    found = window.workspace.plan.arch.curve_lps_mm
    truth = arch_points(200)
    away = np.linalg.norm(truth[:, None, :2] - found[None, :, :2], axis=2).min(axis=1)
    assert float(np.median(away)) < 2.0
    assert window.workspace.session.undo_label == "Propose arch"


def test_a_place_is_proposed_and_an_alternative_can_be_taken(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    plan = edits.delete_fixture(full_plan(), "36")
    window = open_plan(plan)
    shown = panel(window, Step.FIXTURES)
    place = shown.place_block
    place.site.setCurrentIndex(place.site.findData("36"))
    click(window, Step.FIXTURES, "propose-fixture", qtbot)
    qtbot.waitUntil(lambda: "36" in window.workspace.plan.fixtures or bool(window.said.problems), timeout=60000)
    assert window.said.problems == []
    settle(window, qtbot)
    assert place._proposal.site == "36"
    shown.refresh()
    count = place.proposals.rowCount()
    assert count >= 1
    place.proposals.cellClicked.emit(count - 1, 0)
    settle(window, qtbot)
    wanted = place._proposal.suggestions[count - 1].fixture
    assert window.workspace.plan.fixtures["36"].shape.shape_id == wanted.shape.shape_id


def test_the_advice_comes_by_itself_and_goes_with_the_plan(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(edits.set_lock(full_plan(), "46", True), shown=True)
    shown = panel(window, Step.BUDGET)
    qtbot.waitUntil(lambda: "Being worked out" in text_of(shown), timeout=5000)
    qtbot.waitUntil(lambda: window.workspace.numbers.evaluation is not None, timeout=60000)
    settle(window, qtbot)
    shown.refresh()
    evaluation = window.workspace.numbers.evaluation
    qtbot.waitUntil(lambda: evaluation.choice.reason in text_of(shown), timeout=5000)
    shown.compare.head.click()
    assert shown.compare.block.options.rowCount() == 10
    shown.compare.block.options.selectRow(0)
    qtbot.waitUntil(lambda: "apex 95 % below" in text_of(shown.compare.block), timeout=5000)
    for fold in shown.folds:
        if not fold.is_open:
            fold.head.click()
    assert len(shown.helps.block.helps.lines) == len(evaluation.helps[window.workspace.view.site or "36"])
    qtbot.waitUntil(lambda: "our choice" in text_of(shown.assumed.block), timeout=5000)
    assert "missed" in text_of(shown.published.block)
    window.workspace.view.select("36")
    before = window.workspace.plan
    window.commands.run("fixture.move_deeper")
    assert window.workspace.plan is not before
    shown.refresh()
    qtbot.waitUntil(lambda: evaluation.choice.reason not in text_of(shown), timeout=5000)
    settle(window, qtbot)


def test_what_carries_the_guide_is_chosen_tooth_by_tooth_and_shows_free_ends(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan())
    shown = panel(window, Step.GUIDE)
    carriers = shown.carriers
    assert "assumes a typical guide" in text_of(carriers)
    for number in ("33", "34", "43", "44"):
        carriers.teeth.buttons[number].click()
    carriers.teeth.buttons["45"].click()
    carriers.teeth.buttons["45"].click()
    settle(window, qtbot)
    shown.refresh()
    plan = window.workspace.plan
    assert {t.number: t.mobile for t in plan.mouth.teeth} == {
        "33": False, "34": False, "43": False, "44": False, "45": True,
    }  # fmt: skip
    assert "Rests on teeth 33, 34, 43, 44." in text_of(carriers)
    assert "beyond what carries" in text_of(carriers)
    assert "mobile" in carriers.teeth.buttons["45"].toolTip()
    carriers.wall.setValue(4.0)
    carriers.pin.click()
    assert window.workspace.plan.guide.wall_mm == 4.0
    assert len(window.workspace.plan.guide.pins) == 1
    shown.support.setCurrentIndex(shown.support.findData(Support.MUCOSA))
    shown.support.activated.emit(shown.support.currentIndex())
    shown.refresh()
    assert "Add the stretches of mucosa" in text_of(carriers)
    assert shown.minimumSizeHint().width() <= PANEL_PX - 12
    carriers.areas.add.click()
    settle(window, qtbot)
    shown.refresh()
    (area,) = window.workspace.plan.guide.bearing_areas
    assert area.support is Support.MUCOSA
    assert area.from_station_mm < 0 < area.to_station_mm
    assert carriers.areas.table.rowCount() == 1
    carriers.areas.remove.click()
    assert not window.workspace.plan.guide.bearing_areas
    settle(window, qtbot)
    assert window.said.problems == []


def test_own_outcomes_come_from_a_file_and_weigh_visibly(
    open_plan: Callable[..., Any], qtbot: QtBot, tmp_path: Any
) -> None:
    window = open_plan(full_plan())
    shown = panel(window, Step.BUDGET)
    block = shown.own.block
    head = "guide,site,length_mm,entry_mm,apex_mm,angle_deg,support,guidance,kind"
    rows = [f"G{k},36,10,0.9,1.1,2.5,teeth,all drills and fixture,clinical" for k in range(6)]
    rows += ["B1,36,10,0.2,0.2,0.5,teeth,all drills and fixture,bench", "G9,36,10,0.9,9.9,2.5,teeth,all drills,"]
    (tmp_path / "own.csv").write_text("\n".join([head, *rows]))
    window.case.dialogs.answers["file"] = tmp_path / "own.csv"
    shown.own.head.click()
    block.read.click()
    qtbot.waitUntil(lambda: window.workspace.plan.own_data is not None, timeout=60000)
    settle(window, qtbot)
    shown.refresh()
    text = text_of(block)
    assert "6 fixtures of 6 guides are worth 6.0 independent cases" in text
    assert "Bench, kept apart" in text
    assert "cannot belong to one" in text
    assert any("Line 9" in sentence for sentence in window.said.texts)
    sources = {s.name: s for s in window.workspace.numbers.budgets["36"].sources}
    assert "own.csv" in sources["execution"].source_text
    block.remove.click()
    settle(window, qtbot)
    assert window.workspace.plan.own_data is None


def test_the_clinics_own_lists_are_kept_and_offered(
    open_plan: Callable[..., Any], qtbot: QtBot, tmp_path: Any
) -> None:
    from app.case_actions import lists_folder

    window = open_plan(full_plan())
    for name, text in (
        (
            "drills.csv",
            "list_id,list_label,step_label,diameter_mm,tip_overshoot_mm\nown,House drills,first,2.0,0.4\n",
        ),
        ("parts.csv", "id,label,diameter_mm,length_mm\nown-1,House fixture 4.1 x 9,4.1,9\n"),
    ):
        (tmp_path / name).write_text(text)
        window.case.dialogs.answers["file"] = tmp_path / name
        window.commands.run("parts.open")
    assert window.said.problems == []
    assert {path.name for path in lists_folder().iterdir()} == {"drills.csv", "parts.csv"}
    guide = panel(window, Step.GUIDE)
    guide.drill_list.setCurrentIndex(guide.drill_list.findText("House drills"))
    guide.drill_list.activated.emit(guide.drill_list.currentIndex())
    assert not window.workspace.plan.guide.drill_list.generic
    settle(window, qtbot)
    assert "0.4 mm beyond the depth" in text_of(guide)
    fixtures = panel(window, Step.FIXTURES)
    fixtures.place_block.kind.setCurrentIndex(fixtures.place_block.kind.findText("House fixture 4.1 x 9"))
    assert fixtures.place_block.shape().length_mm == 9.0
    (tmp_path / "bad.csv").write_text("nothing,useful\n1,2\n")
    window.case.dialogs.answers["file"] = tmp_path / "bad.csv"
    window.commands.run("parts.open")
    assert len(window.said.problems) == 1
    assert "inside the program" not in window.said.problems[0]


def test_facts_and_limits_become_steps(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    guide = panel(window, Step.GUIDE)
    guide.facts_boxes["mouth_opening_mm"].setValue(34.5)
    guide.flap.click()
    assert window.workspace.plan.mouth.mouth_opening_mm == 34.5
    assert window.workspace.plan.mouth.flap_needed
    assert window.workspace.session.undo_label == "Record what was examined"
    settle(window, qtbot)
    budget = panel(window, Step.BUDGET)
    budget.harm.head.click()
    budget.harm.block.limit.setValue(2.0)
    assert window.workspace.plan.limits.harm_chance == pytest.approx(0.02)
    settle(window, qtbot)
    budget.refresh()
    assert "(2 %)" in text_of(budget)
    assert window.said.problems == []
