"""Jobs: progress, results, failures, cancelling, stale results."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

import pytest
from pytestqt.qtbot import QtBot

from app.jobs import Jobs
from planner_core.errors import PlannerError
from planner_core.progress import Progress, silent


@pytest.fixture
def jobs(qtbot: QtBot) -> Iterator[Jobs]:
    made = Jobs()
    yield made
    made.close()


def test_result_and_progress_come_on_the_window_thread(qtbot: QtBot, jobs: Jobs) -> None:
    seen: list[tuple[str, object, int]] = []

    def work(progress: Progress = silent) -> int:
        for k in range(5):
            progress(k / 5, f"part {k}")
            time.sleep(0.06)
        return threading.get_ident()

    job = jobs.start("work", work)
    job.progressed.connect(lambda share, text: seen.append(("progress", (share, text), threading.get_ident())))
    with qtbot.waitSignal(job.succeeded) as caught:
        pass
    assert caught.args[0] != threading.get_ident()
    assert len(seen) >= 3
    assert {thread for *_, thread in seen} == {threading.get_ident()}
    shares = [value[0] for _, value, _ in seen]  # type: ignore[index]
    assert shares == sorted(shares)
    qtbot.waitUntil(lambda: not jobs.running)


def test_a_very_quick_job_still_reports(qtbot: QtBot, jobs: Jobs) -> None:
    results: list[int] = []
    for k in range(100):
        jobs.start("quick", lambda k=k: k).succeeded.connect(results.append)
    qtbot.waitUntil(lambda: len(results) == 100)
    assert sorted(results) == list(range(100))


def test_cancel_is_silent_and_stops_at_the_next_report(qtbot: QtBot, jobs: Jobs) -> None:
    said: list[object] = []
    rounds = []

    def work(progress: Progress = silent) -> None:
        for k in range(10_000):
            rounds.append(k)
            progress(k / 10_000)
            time.sleep(0.005)

    job = jobs.start("long", work)
    job.failed.connect(said.append)
    job.succeeded.connect(said.append)
    qtbot.waitUntil(lambda: len(rounds) > 2)
    with qtbot.waitSignal(job.ended, timeout=1000):
        job.cancel()
    assert said == []
    assert len(rounds) < 1000


def test_failures_arrive_as_they_were_raised(qtbot: QtBot, jobs: Jobs) -> None:
    def work() -> None:
        raise PlannerError("No slices were found.", "Choose another folder.")

    with qtbot.waitSignal(jobs.start("bad", work).failed) as caught:
        pass
    assert isinstance(caught.args[0], PlannerError)


def test_a_result_that_is_no_longer_wanted_is_dropped(qtbot: QtBot, jobs: Jobs) -> None:
    taken: list[int] = []
    job = jobs.start("stale", lambda: 1, is_wanted=lambda: False)
    job.succeeded.connect(taken.append)
    with qtbot.waitSignal(job.ended):
        pass
    assert taken == []


def test_a_later_job_of_the_same_key_replaces_the_earlier(qtbot: QtBot, jobs: Jobs) -> None:
    taken: list[str] = []
    go = threading.Event()

    def slow(name: str) -> str:
        go.wait(5)
        return name

    first = jobs.start("one", slow, "one", key="same")
    first.succeeded.connect(taken.append)
    second = jobs.start("two", slow, "two", key="same")
    second.succeeded.connect(taken.append)
    go.set()
    with qtbot.waitSignal(second.ended):
        pass
    qtbot.waitUntil(lambda: not jobs.running)
    assert taken == ["two"]


def test_closing_waits_for_the_work_and_delivers_nothing(qtbot: QtBot) -> None:
    jobs = Jobs()
    taken: list[int] = []
    job = jobs.start("late", lambda: time.sleep(0.1) or 1)
    job.succeeded.connect(taken.append)
    jobs.close()
    qtbot.wait(30)
    assert taken == []
    assert jobs.start("after", lambda: 1).is_cancelled
