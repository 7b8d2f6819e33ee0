"""Two molars, and a full arch on four fixtures, planned through the real window; every click is counted."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from PySide6.QtWidgets import QComboBox, QPushButton
from pytestqt.qtbot import QtBot

from app.view_state import Step
from planner_core.case import derived
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.planning.full_arch import SPACE_NEEDED_MM
from tests.app.conftest import settle
from tests.journeys.sample_cases import sample_plan
from tests.journeys.user import User, small_window

MOST_CLICKS_MOLARS, MOST_CLICKS_ARCH = 12, 32
"""Clicks that a plan may cost (our choice, from the first count; a new click needs a reason)."""


class Counting(User):
    """A user whose clicks are counted; choosing from a list costs two."""

    patience_s = 300.0

    @property
    def panel(self) -> Any:
        return self.window.panels.panels[Step.FIXTURES]

    def push(self, name: str) -> None:
        self.panel.refresh()
        button = self.panel.findChild(QPushButton, name)
        self.scroll_to(Step.FIXTURES, button)
        self.click(button)

    def choose(self, name: str, data: Any) -> None:
        box = self.panel.findChild(QComboBox, name)
        assert box.isVisible()
        index = box.findData(data)
        assert index >= 0, f"{name} does not offer {data}"
        if index != box.currentIndex():
            box.setCurrentIndex(index)
            box.activated.emit(index)
            self.clicks += 2

    def wait(self, ready: Any, timeout_s: float | None = None) -> None:
        super().wait(ready, timeout_s)
        settle(self.window, self.qtbot, round(1000 * self.patience_s))

    def set_up(self, first: str, last: str) -> None:
        self.choose("crown-first", first)
        self.choose("crown-last", last)
        self.push("set-up-crowns")
        self.wait(lambda: first in self.plan.crowns and last in self.plan.crowns)

    def propose(self, site: str) -> None:
        self.choose("new-site", site)
        self.push("propose-fixture")
        self.wait(lambda: site in self.plan.fixtures)


@pytest.fixture
def user(qtbot: QtBot) -> Iterator[Counting]:
    from app.dialogs import Answers

    with small_window(qtbot, Answers()) as window:
        yield Counting(window, qtbot)


def begin(user: Counting, plan: Plan) -> None:
    from app.case_actions import start_view

    user.window.workspace.open(Session(plan))
    start_view(user.window.workspace)
    user.wait(lambda: True)
    user.click(user.window.chain.links[Step.FIXTURES])


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_two_molars_under_planned_teeth(user: Counting) -> None:
    begin(user, sample_plan("lower_bridge", "dicom"))
    user.push("fold-crowns")
    user.set_up("36", "36")
    user.set_up("46", "46")
    user.propose("36")
    user.propose("46")
    for site in ("36", "46"):
        rows = [r for r in derived.ledger_of(user.plan).of(site) if r.kind.value == "canal"]
        assert all(r.distance_mm >= r.margin_mm for r in rows)
        leaves = derived.beside_of(user.plan)[site].exit
        assert leaves is not None
        assert leaves.inside
    print(f"two molars: {user.clicks} clicks")
    assert user.clicks <= MOST_CLICKS_MOLARS


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_full_arch_on_four_fixtures(user: Counting) -> None:
    begin(user, sample_plan("dual_scan", "dicom_patient"))
    user.push("fold-crowns")
    user.set_up("45", "35")
    user.push("fold-crowns")
    for site in ("34", "32", "42", "44"):
        user.propose(site)
    user.push("fold-arch")
    kind = "overdenture on a bar"
    user.choose("prosthesis", kind)
    user.push("take-abutments")
    user.push("plan-cut")
    user.wait(lambda: user.window.plan_actions.arch.taken_of(user.plan) is not None)
    assert len(user.plan.crowns) == 10
    assert set(user.plan.abutments) == {"34", "32", "42", "44"}
    arch = user.panel.arch_block
    assert "spread" in arch.head.text()
    plane = derived.occlusal_plane_of(user.plan)
    assert plane is not None
    assert user.plan.bone_cut is not None
    away = float((plane.point_lps_mm - user.plan.bone_cut.point_lps_mm) @ plane.normal_lps)
    assert away == pytest.approx(SPACE_NEEDED_MM[kind][0])
    bone = derived.bone_in_use(user.plan)
    assert bone is not None
    over = (bone.surface.points_mm - user.plan.bone_cut.point_lps_mm) @ plane.normal_lps
    assert float(over.max()) < 1e-3, "every later number stands on the new crest"
    print(f"full arch: {user.clicks} clicks")
    assert user.clicks <= MOST_CLICKS_ARCH
