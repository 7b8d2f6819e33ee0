"""The window as a whole: what is seen first, history, looks, surgery view, cases on disk."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QApplication, QPushButton
from pytestqt.qtbot import QtBot

from app.settings import Settings, read_settings, settings_path, write_settings
from app.view_state import Step, ViewKind
from app.window.surgery import TARGET_MM
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.session import Session
from tests.app.conftest import settle
from tests.app.small_case import full_plan, scan_only


def test_the_first_start_offers_three_ways_in(window: Any, qtbot: QtBot) -> None:
    window.show()
    qtbot.waitExposed(window)
    assert window.stack.currentWidget() is window.welcome
    names = {button.objectName() for button in window.welcome.findChildren(QPushButton)}
    ways = ("scan.folder", "scan.file", "scan.network", "case.open", "case.unpack", "case.sample")
    assert names == {f"welcome-{way}" for way in ways}
    assert not window.commands.action("edit.undo").isEnabled()


def test_the_chain_answers_eight_questions_and_opens_their_panels(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan(), shown=True)
    assert list(window.chain.links) == list(Step)
    for step, link in window.chain.links.items():
        qtbot.mouseClick(link, Qt.MouseButton.LeftButton)
        assert window.workspace.view.step is step
        assert window.panels.panels[step].isVisible()
    assert window.chain.links[Step.ANATOMY].state == "answered"
    assert window.chain.links[Step.OUTCOME].answer == "Not measured yet"
    assert window.said.problems == []


def test_undo_and_redo_name_their_steps(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    window.workspace.view.select("36")
    window.commands.run("fixture.move_deeper")
    assert window.commands.action("edit.undo").text() == "Undo: Move fixture 36"
    window.commands.run("edit.undo")
    assert window.commands.action("edit.redo").text() == "Redo: Move fixture 36"
    assert not window.commands.action("edit.undo").isEnabled()
    window.commands.run("edit.redo")
    assert window.workspace.session.undo_label == "Move fixture 36"
    settle(window, qtbot)


def test_numbers_follow_a_drag_at_once_and_are_completed_after_it(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan())
    workspace = window.workspace
    before = {row.obstacle: row.distance_mm for row in workspace.numbers.rows if row.site == "36"}
    step = workspace.session.begin("Move fixture 36")
    pose = step.start.fixtures["36"].pose.shifted((0.0, 0.0, -2.0))
    step.show(edits.move_fixture(step.start, "36", pose))
    after = {row.obstacle: row.distance_mm for row in workspace.numbers.rows if row.site == "36"}
    assert after["canal, left"] < before["canal, left"] - 1.0
    assert not workspace.numbers.is_complete
    assert window.chain.links[Step.FIXTURES].answer == ""
    step.commit()
    settle(window, qtbot)
    assert window.chain.links[Step.FIXTURES].answer


def test_results_of_a_plan_that_is_gone_are_dropped(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan())
    window.workspace.view.select("36")
    for _ in range(5):
        window.commands.run("fixture.move_deeper")
        qtbot.wait(20)
    settle(window, qtbot)
    assert window.workspace.numbers.plan is window.workspace.plan


def test_light_and_dark_and_the_notation(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    kept: list[Settings] = []
    window._keep_settings = kept.append
    window.commands.run("view.light")
    window.commands.run("view.universal")
    assert kept[-1] == Settings(theme="light", notation="universal")
    window.workspace.view.select("36")
    assert "U19" in window.views[ViewKind.ACROSS].caption()
    assert window.workspace.theme.ground in QApplication.instance().styleSheet()
    assert window.said.problems == []


def test_settings_survive_and_damage_does_not_matter() -> None:
    path = settings_path()
    write_settings(path, Settings(theme="light", author="A. Nother"))
    assert read_settings(path) == Settings(theme="light", author="A. Nother")
    path.write_text("{broken")
    assert read_settings(path) == Settings()
    path.write_text('{"theme": 5, "unknown": "x", "notation": "universal"}')
    assert read_settings(path) == Settings(notation="universal")


def test_the_surgery_view_is_large_locked_and_goes_through_the_drills(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    window = open_plan(full_plan(), shown=True)
    before = window.workspace.plan
    window.commands.run("surgery.show")
    view = window.surgery
    least = TARGET_MM / 25.4 * view.logicalDpiX() - 1
    for button in (view.next, view.back, view.leave):
        assert min(button.height(), button.minimumWidth() or button.width()) >= least
    drills = window.workspace.plan.guide.drill_list.steps
    assert len(view.pages) == 2 * len(drills)
    assert view.depth.text() == "17.0 mm"  # sleeve 5 + gap 4 + fixture 8 mm
    assert "T1-01" in view.code.text()
    assert view.draft.isVisible()
    qtbot.keyClick(view, Qt.Key.Key_Escape)
    assert window.surgery is view
    for _ in view.pages:
        qtbot.mouseClick(view.next, Qt.MouseButton.LeftButton)
    assert "46" in view.site.text()
    assert not view.next.isEnabled()
    view.leave.click()
    assert window.surgery is None
    assert window.workspace.plan is before


def test_a_case_is_opened_edited_and_found_again(
    window: Any, qtbot: QtBot, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "case"
    with CaseStore.create(folder, "tester", scan_only()):
        pass
    window.case.open_case(folder)
    qtbot.waitUntil(lambda: window.workspace.is_open, timeout=10000)
    settle(window, qtbot)
    window.plan_actions.scan.sign_reading("Dr Invented", "2026-01-02", "nothing besides")
    window.workspace.view.set_step(Step.ANATOMY)
    settle(window, qtbot)
    window.commands.run("case.close")
    assert not window.workspace.is_open
    assert window.stack.currentWidget() is window.welcome
    with CaseStore.open(folder) as store:
        assert Session(store=store).undo_label == "Sign the reading"
        assert store.view_state()["step"] == "anatomy"

    def made_anew(*_: Any) -> None:
        raise AssertionError("the case keeps the scan check")

    monkeypatch.setattr("planner_core.case.derived.scan.check_scan", made_anew)
    window.case.open_case(folder)
    qtbot.waitUntil(lambda: window.workspace.is_open, timeout=10000)
    settle(window, qtbot)
    assert window.workspace.numbers.scan_check is not None
    assert not window.said.problems


def test_what_is_no_case_gives_a_sentence(window: Any, qtbot: QtBot, tmp_path: Path) -> None:
    window.case.open_case(tmp_path)
    qtbot.waitUntil(lambda: bool(window.said.all) and not window.workspace.jobs.running, timeout=10000)
    assert not window.workspace.is_open
    assert "case" in window.said.problems[0].lower()
    assert "inside the program" not in window.said.problems[0]


def test_a_folder_without_scan_gives_a_sentence(window: Any, qtbot: QtBot, tmp_path: Path) -> None:
    (tmp_path / "text.txt").write_text("no scan")
    window.case.import_scan(tmp_path)
    qtbot.waitUntil(lambda: bool(window.said.problems) and not window.workspace.jobs.running, timeout=20000)
    assert "inside the program" not in window.said.problems[0]
    assert window.workspace.plan.scan is None


def test_running_work_is_shown_with_progress_and_can_be_stopped(
    open_plan: Callable[..., Any], qtbot: QtBot
) -> None:
    import time

    window = open_plan(scan_only(), shown=True)

    def work(progress: Any) -> None:
        for k in range(2000):
            progress(k / 2000, "Counting")
            time.sleep(0.01)

    job = window.workspace.jobs.start("Counting", work)
    qtbot.waitUntil(lambda: bool(window.bottom.shown_jobs), timeout=3000)
    line = window.bottom.shown_jobs[0]
    qtbot.waitUntil(lambda: line.bar.value() > 0, timeout=3000)
    assert line.words.text() == "Counting"
    qtbot.mouseClick(line.cancel, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: job.is_over, timeout=3000)
    qtbot.waitUntil(lambda: not window.bottom.shown_jobs, timeout=3000)
    assert window.said.problems == []


def test_the_messages_can_be_read_again(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    window.workspace.messages.warn("A thing to weigh.", "Weigh it.")
    assert window.bottom.text == "A thing to weigh. Weigh it."
    window.bottom.toggle_history()
    assert window.bottom._history is not None
    window.bottom.toggle_history()
    assert window.bottom._history is None


@pytest.mark.parametrize("size", [(1366, 768), (1920, 1080), (1000, 620)])
def test_nothing_overlaps_at_common_sizes(
    open_plan: Callable[..., Any], qtbot: QtBot, size: tuple[int, int]
) -> None:
    window = open_plan(full_plan(), shown=True)
    window.resize(*size)
    qtbot.wait(50)
    parts = [window.chain, window.strip, *window.views.values(), window.scene, window.panels, window.bottom]
    boxes = [part.rect().translated(part.mapTo(window, part.rect().topLeft())) for part in parts]
    for k, box in enumerate(boxes):
        assert window.rect().contains(box), parts[k].objectName()
        assert box.width() > 100
        assert box.height() >= 24
        for other in boxes[k + 1 :]:
            assert not box.intersects(other)


def test_a_result_that_comes_during_a_drag_waits_for_its_end(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    from app.picks import Pick
    from app.sections.planes import plane_of

    window = open_plan(full_plan())
    workspace, box = window.workspace, window.toolbox
    workspace.view.select("36")
    frame = plane_of(ViewKind.ACROSS, workspace.plan, workspace.view, 300, 300)
    grip = workspace.plan.fixtures["36"].pose.at_depth(4.0)
    pick = Pick("across", grip, 0.8, frame)
    assert box.press(pick)
    box.drag(Pick("across", grip + 0.3, 0.8, frame))
    workspace.when_free(lambda: workspace.apply("Change the notes", edits.set_notes, "from a job"))
    assert workspace.plan.notes == ""
    box.release(pick)
    assert workspace.plan.notes == "from a job"
    assert workspace.session.undo_label == "Change the notes"
    settle(window, qtbot)
    assert window.said.problems == []
