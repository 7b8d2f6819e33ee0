"""One lower jaw marked in the real window by mouse: arch, both canals, bone, teeth, a measurement; all counted."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QPoint
from PySide6.QtWidgets import QPushButton
from pytestqt.qtbot import QtBot
from scipy.spatial import cKDTree

from app.view_state import Step, ViewKind
from planner_core.case import edits
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.imaging.open_scan import open_scan
from tests.app.conftest import settle
from tests.journeys.sample_cases import SAMPLES
from tests.journeys.user import User, small_window

SAMPLE = SAMPLES / "lower_bridge"
MOST_CLICKS = 42
"""Clicks and keys that marking one lower jaw may cost (our choice, from the first count)."""
RULER_FROM_BOTTOM_PX = 8


class Marking(User):
    """A clinician whose clicks and keys are counted."""

    patience_s = 240.0

    def __init__(self, window: Any, qtbot: QtBot) -> None:
        super().__init__(window, qtbot)
        self.by_part: dict[str, int] = {}
        self.truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))

    @property
    def panel(self) -> Any:
        return self.window.panels.panels[Step.ANATOMY]

    def push(self, name: str) -> None:
        button = self.panel.findChild(QPushButton, name)
        self.scroll_to(Step.ANATOMY, button)
        self.click(button)

    def keep(self) -> None:
        self.click(self.window.banner.keep, QPoint(8, 8))

    def along_to(self, point: Any) -> None:
        """Click in the ruler under the strip, at the station of a place."""
        strip, arch = self.window.strip, self.plan.arch
        assert arch is not None
        x = strip.x_of(arch.station_of(np.asarray(point)))
        self.click(strip, QPoint(round(x), strip.height() - RULER_FROM_BOTTOM_PX))

    def click_in(self, kind: ViewKind, point: Any, most_off_mm: float) -> None:
        """Click where a place is seen in a view; it must lie this near to the plane that is shown."""
        view = self.window.views[kind]
        row, column, depth = view.frame.to_pixel(np.asarray(point, dtype=np.float64))
        assert abs(depth) < most_off_mm, f"{kind.value} passes {depth:.1f} mm beside it"
        self.click(view, QPoint(round(column), round(row)))

    def part(self, name: str) -> None:
        """Book the clicks since the last part."""
        self.by_part[name] = self.clicks - sum(self.by_part.values())


@pytest.fixture
def user(qtbot: QtBot) -> Iterator[Marking]:
    from app.case_actions import start_view
    from app.dialogs import Answers

    with small_window(qtbot, Answers()) as window:
        plan = edits.set_scan(Plan(title="lower_bridge"), open_scan(SAMPLE / "dicom", None))
        window.workspace.open(Session(plan))
        start_view(window.workspace)
        yield Marking(window, qtbot)


def mark_the_arch(user: Marking) -> None:
    user.click(user.window.chain.links[Step.ANATOMY], QPoint(10, 10))
    user.push("propose-arch")
    user.wait(lambda: user.plan.arch is not None)
    teeth = {tooth["iso"]: np.array(tooth["cervix_lps_mm"]) for tooth in user.truth["teeth"]}
    user.along_to((teeth[33] + teeth[43]) / 2.0)
    user.push("set-midline")
    user.part("arch and midline")
    assert user.plan.arch is not None
    assert abs(user.plan.arch.station_of(teeth[33]) + user.plan.arch.station_of(teeth[43])) < 3.0
    course = user.plan.arch.curve_lps_mm
    off = cKDTree(course[:, :2]).query(np.array(user.truth["arch_lps_mm"])[:, :2])[0]
    assert float(np.median(off)) < 1.5


def mark_a_canal(user: Marking, canal: dict[str, Any]) -> None:
    side, course = canal["side"], np.array(canal["centre_lps_mm"])
    arch = user.plan.arch
    assert arch is not None
    inside = [p for p in course if abs(arch.station_of(p)) < abs(arch.stations_mm[[0, -1]]).min() - 4.0]
    user.push(f"canal-{side}")
    for k in np.linspace(0, len(inside) - 1, 3).round().astype(int):
        user.along_to(inside[k])
        view = user.window.views[ViewKind.ACROSS].frame
        # What the clinician sees is where the canal crosses the section: the nearest place of its course to it.
        near = course[int(np.argmin(np.abs(view.to_pixel(course)[:, 2])))]
        user.click_in(ViewKind.ACROSS, near, 1.0)
    user.keep()
    user.wait(lambda: side in user.plan.canals)
    user.part(f"canal, {side}")
    found = user.plan.canals[side].path_lps_mm
    assert float(cKDTree(course).query(found)[0].mean()) < 0.5


def mark_the_teeth(user: Marking) -> None:
    user.push("fold-teeth")
    neck = np.array([tooth["cervix_lps_mm"] for tooth in user.truth["teeth"]])
    user.along_to(neck[0])
    level = user.window.views[ViewKind.ACROSS].frame
    # One click at the height of the necks brings the axial view there; then one click for each tooth.
    middle = level.to_lps(level.to_pixel(neck[0])[:2])
    user.click_in(ViewKind.ACROSS, middle + np.array([0, 0, np.median(neck[:, 2]) - middle[2]]), 0.5)
    user.push("mark-teeth")
    axial = user.window.views[ViewKind.AXIAL].frame
    for tooth in user.truth["teeth"]:
        axis, cervix = np.array(tooth["axis_lps"]), np.array(tooth["cervix_lps_mm"])
        to_plane = float((axial.origin_lps_mm - cervix) @ axial.normal_lps) / float(axis @ axial.normal_lps)
        before = len(user.plan.teeth)
        user.click_in(ViewKind.AXIAL, cervix + to_plane * axis, 0.1)
        user.wait(lambda before=before: len(user.plan.teeth) > before)
    user.click(user.window.banner.stop, QPoint(8, 8))
    user.part("teeth")
    assert set(user.plan.teeth) == {str(tooth["iso"]) for tooth in user.truth["teeth"]}
    for tooth in user.plan.teeth.values():
        middle_of = tooth.surface.points_mm.mean(axis=0)
        assert float(np.linalg.norm(neck - middle_of, axis=1).min()) < 9.0


def measure_the_ridge(user: Marking) -> None:
    site = user.truth["sites"][0]
    crest, arch = np.array(site["crest_lps_mm"]), user.plan.arch
    assert arch is not None
    user.along_to(crest)
    user.push("measure-distance")
    frame = user.window.views[ViewKind.ACROSS].frame
    half = site["ridge_width_mm"]["3"] / 2.0
    seat = frame.to_lps(frame.to_pixel(crest)[:2]) - 3.0 * arch.up_lps
    for way in (-half, half):
        user.click_in(ViewKind.ACROSS, seat + way * frame.right_lps, 0.1)
    user.part("one measurement")
    found = next(iter(user.plan.measurements.values()))
    assert found.value == pytest.approx(site["ridge_width_mm"]["3"], abs=0.4)
    assert found.sigma > 0


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_marking_one_lower_jaw(user: Marking) -> None:
    mark_the_arch(user)
    settle(user.window, user.qtbot, 240_000)
    for canal in user.truth["canals"]:
        mark_a_canal(user, canal)
    user.push("fold-surface")
    user.push("make-bone")
    user.wait(lambda: user.plan.bone is not None)
    user.part("bone surface")
    mark_the_teeth(user)
    measure_the_ridge(user)
    settle(user.window, user.qtbot, 240_000)
    ridge = user.window.workspace.numbers.tracks.ridge_at(user.window.workspace.view.station_mm)
    assert ridge.width_mm[3.0] == pytest.approx(user.truth["sites"][0]["ridge_width_mm"]["3"], abs=0.6)
    parts = ", ".join(f"{name} {count}" for name, count in user.by_part.items())
    print(f"one lower jaw marked: {user.clicks} clicks, no keys ({parts})")
    assert user.clicks <= MOST_CLICKS
