"""Session: one way to change the plan, undo of everything, two signals, and no edits from listeners."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from psygnal import EmitLoopError

from planner_core.case import edits
from planner_core.case.plan import Plan
from planner_core.case.session import Change, Session
from planner_core.errors import PlannerError
from planner_core.planning.fixture import FixturePose
from tests.core.case.sample_plans import small_shape


def pose(x_mm: float = 20.0) -> FixturePose:
    return FixturePose([x_mm, 5.0, 0.0], [0.0, 0.0, -1.0])


def test_a_step_can_be_undone_and_redone_under_its_name() -> None:
    session = Session()
    start = session.plan
    session.apply("Place fixture 36", edits.place_fixture, "36", small_shape(), pose())
    placed = session.plan
    assert session.undo_label == "Place fixture 36"
    assert session.redo_label is None
    assert session.undo()
    assert session.plan is start
    assert session.redo_label == "Place fixture 36"
    assert session.redo()
    assert session.plan is placed
    assert not session.redo()


def test_a_failing_edit_changes_nothing() -> None:
    session = Session()
    start = session.plan
    with pytest.raises(PlannerError, match="not a site"):
        session.apply("Place", edits.place_fixture, "91", small_shape(), pose())
    assert session.plan is start
    assert session.undo_label is None


def test_an_edit_that_changes_nothing_leaves_no_step() -> None:
    session = Session()
    session.apply("Nothing", lambda plan: plan)
    assert session.undo_label is None


def test_a_gesture_is_one_step() -> None:
    session = Session()
    session.apply("Place", edits.place_fixture, "36", small_shape(), pose())
    seen: list[Change] = []
    session.changed.connect(seen.append)
    step = session.begin("Move fixture 36")
    for x in (21.0, 22.0, 23.0):
        step.show(edits.move_fixture(step.start, "36", pose(x)))
    assert session.committed is step.start
    step.commit()
    assert [change.preview for change in seen] == [True, True, True, False]
    assert seen[-1].before is step.start
    assert seen[-1].touched("fixtures")
    assert not seen[-1].touched("scan", "guide", "surfaces", "canals", "pairs", "limits")
    assert session.undo_label == "Move fixture 36"
    session.undo()
    assert session.plan is step.start


def test_a_reverted_gesture_leaves_nothing() -> None:
    session = Session()
    start = session.plan
    step = session.begin("Name")
    step.show(edits.set_title(step.start, "x"))
    assert session.plan.title == "x"
    step.revert()
    assert session.plan is start
    assert session.undo_label is None
    with pytest.raises(RuntimeError, match="ended"):
        step.show(start)


def test_undo_during_a_gesture_reverts_the_gesture() -> None:
    session = Session()
    session.apply("One", edits.set_title, "one")
    one = session.plan
    step = session.begin("Two")
    step.show(edits.set_title(step.start, "two"))
    assert session.undo()
    assert session.plan is one
    assert session.undo_label == "One"
    assert not step.is_open


def test_two_gestures_or_a_step_within_one_are_refused() -> None:
    session = Session()
    session.begin("One")
    with pytest.raises(RuntimeError, match="gesture"):
        session.begin("Two")
    with pytest.raises(RuntimeError, match="gesture"):
        session.apply("Two", edits.set_title, "two")


@pytest.mark.parametrize("doing", ["apply", "begin", "undo", "redo"])
def test_a_listener_that_edits_is_refused(doing: str) -> None:
    session = Session()
    session.apply("Before", edits.set_title, "before")

    def listener(_: Change) -> None:
        if doing == "apply":
            session.apply("Again", edits.set_notes, "again")
        elif doing == "begin":
            session.begin("Again")
        else:
            getattr(session, doing)()

    session.changed.connect(listener)
    with pytest.raises(EmitLoopError) as caught:
        session.apply("Title", edits.set_title, "a title")
    assert isinstance(caught.value.__cause__, RuntimeError)
    assert session.plan.title == "a title", "a failing view leaves a finished step in place"
    session.changed.disconnect(listener)
    session.apply("Title", edits.set_title, "another")
    assert session.undo()


def test_history_is_up_to_date_when_it_is_told() -> None:
    session = Session()
    labels: list[tuple[str | None, str | None]] = []
    session.history_changed.connect(lambda: labels.append((session.undo_label, session.redo_label)))
    session.apply("One", edits.set_title, "1")
    session.apply("Two", edits.set_title, "2")
    session.undo()
    session.redo()
    assert labels == [("One", None), ("Two", None), ("One", "Two"), ("Two", None)]


def test_dirty_means_not_saved() -> None:
    session = Session()
    assert not session.is_dirty
    session.apply("One", edits.set_title, "1")
    assert session.is_dirty
    session.mark_saved()
    assert not session.is_dirty
    session.undo()
    assert session.is_dirty


STEPS = st.lists(st.one_of(st.integers(0, 9), st.sampled_from(["undo", "redo", "gesture", "revert"])), max_size=40)


def walk(session: Session, steps: list[int | str]) -> None:
    for k, step in enumerate(steps):
        if step in ("undo", "redo"):
            getattr(session, str(step))()
        elif step in ("gesture", "revert"):
            gesture = session.begin("Gesture")
            gesture.show(edits.set_notes(gesture.start, f"gesture {k}"))
            gesture.commit() if step == "gesture" else gesture.revert()
        else:
            session.apply(f"Title {step}", edits.set_title, f"{step} at {k}")


@given(STEPS)
@settings(max_examples=60, deadline=None)
def test_any_walk_undone_to_the_start_is_the_start(steps: list[int | str]) -> None:
    start = Plan()
    session = Session(start)
    walk(session, steps)
    end = session.plan
    count = 0
    while session.undo():
        count += 1
    assert session.plan is start
    for _ in range(count):
        assert session.redo()
    assert session.plan is end
