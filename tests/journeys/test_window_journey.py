"""The whole job through the real window with a mouse, on the shipped sample: from the scan folder to the sheet."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QPoint, Qt
from PySide6.QtWidgets import QPushButton
from pytestqt.qtbot import QtBot
from scipy.spatial import cKDTree

from app.dialogs import Answers
from app.view_state import Step, ViewKind
from tests.journeys.user import LEFT, User, small_window

SAMPLE = Path(__file__).resolve().parent.parent.parent / "sample_volumes" / "lower_bridge"
SETTLE_S = 180.0
"""A busy machine takes its time over the scan check."""
MARKERS = ("M3", "M5", "M6", "M7")
"""Those that stand clear of the ceramic."""


class Clinician(User):
    """Does with the mouse what a user does, and reads what a user reads."""

    def __init__(self, window: Any, qtbot: QtBot) -> None:
        super().__init__(window, qtbot)
        self.truth = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))

    def settle(self) -> None:
        workspace = self.window.workspace
        self.wait(
            lambda: (
                workspace.numbers.is_complete
                and workspace.numbers.plan is workspace.plan
                and not workspace.jobs.running
            ),
            SETTLE_S,
        )

    def ask(self, step: Step) -> Any:
        """Click a question of the chain."""
        self.qtbot.mouseClick(self.window.chain.links[step], LEFT)
        return self.window.panels.panels[step]

    def push(self, step: Step, name: str) -> None:
        """Click a button of a panel."""
        button = self.window.panels.panels[step].findChild(QPushButton, name)
        assert button.isEnabled(), name
        self.qtbot.mouseClick(button, LEFT)

    def choose_road(self, words: str) -> None:
        """Click a row of the table of roads."""
        table = self.window.panels.panels[Step.MATCH].roads.table
        item = next(
            table.item(r, 0) for r in range(table.rowCount()) if table.item(r, 0).text().partition(" –")[0] == words
        )
        self.window.panels._areas[Step.MATCH].ensureWidgetVisible(table)
        self.qtbot.mouseClick(table.viewport(), LEFT, pos=table.visualItemRect(item).center())

    def keep(self) -> None:
        """Click Keep in the banner of the tool in hand."""
        self.qtbot.mouseClick(self.window.banner.keep, LEFT)

    def click_in(self, kind: ViewKind, point: Any) -> None:
        """Scroll to a place and click on it."""
        self.window.workspace.go_to_point(np.asarray(point))
        view = self.window.views[kind]
        row, column, depth = view.frame.to_pixel(np.asarray(point, dtype=np.float64))
        assert abs(depth) < 0.6
        self.qtbot.mouseClick(view, LEFT, pos=QPoint(round(column), round(row)))

    def click_on_surface(self, point: Any) -> None:
        """Turn the 3D view to a place of the surface scan and click on it."""
        surface = next(iter(self.plan.surfaces.values())).surface
        near = cKDTree(surface.points_mm).query(point, k=60)[1]
        outward = surface.point_normals[near].mean(axis=0)
        stage = self.window.scene.stage
        stage.look_at(point, outward)
        x, y = stage.screen_of(point)
        self.qtbot.mouseClick(self.window.scene.canvas, LEFT, pos=QPoint(round(x), round(y)))


@pytest.fixture
def clinician(qtbot: QtBot) -> Iterator[Clinician]:
    with small_window(qtbot, Answers(folder=SAMPLE / "dicom", file=SAMPLE / "lower.stl")) as window:
        yield Clinician(window, qtbot)


def import_scan(user: Clinician) -> None:
    button = user.window.welcome.findChild(QPushButton, "welcome-scan.folder")
    user.qtbot.mouseClick(button, LEFT)
    user.wait(lambda: user.plan.scan is not None)
    user.settle()
    assert user.plan.scan.volume.shape == tuple(user.truth["volume"]["shape_slices_rows_columns"])
    assert user.window.chain.links[Step.SCAN].answer


def match_the_scans(user: Clinician) -> None:
    user.ask(Step.MATCH)
    user.push(Step.MATCH, "open-surface")
    user.wait(lambda: bool(user.plan.surfaces))
    user.wait(lambda: user.window.scene.stage is not None)
    user.choose_road("Pairs of points")
    user.push(Step.MATCH, "pick-pairs")
    user.wait(lambda: user.window.scene.canvas.isVisible() and user.window.scene.scene == "surface")
    markers = {m["name"]: m for m in user.truth["markers"]}
    for k, name in enumerate(MARKERS):
        user.click_on_surface(markers[name]["centre_surface_mm"])
        user.click_in(ViewKind.AXIAL, markers[name]["centre_lps_mm"])
        user.wait(lambda k=k: len(user.plan.pairs) == k + 1)
    user.window.toolbox.stop()
    user.push(Step.MATCH, "match")
    match = user.plan.match.match
    truth = np.array(user.truth["volume_from_surface"])
    for site in user.truth["sites"]:
        point = np.append(site["platform_lps_mm"], 1.0)
        off = (match.lps_from_surface.matrix @ np.linalg.inv(truth) @ point - point)[:3]
        assert float(np.linalg.norm(off)) < max(0.2, match.expected_p95_mm(point[:3]))


def mark_the_anatomy(user: Clinician) -> None:
    user.ask(Step.ANATOMY)
    user.push(Step.ANATOMY, "draw-arch")
    arch = np.array(user.truth["arch_lps_mm"])
    arch = arch[np.argsort(arch[:, 0])]
    for point in arch[np.linspace(0, len(arch) - 1, 7).round().astype(int)]:
        user.click_in(ViewKind.AXIAL, point)
    user.keep()
    assert user.plan.arch is not None
    course = user.plan.arch.curve_lps_mm
    assert cKDTree(course).query(arch)[0].max() < 1.5
    for canal in user.truth["canals"]:
        side, course = canal["side"], np.array(canal["centre_lps_mm"])
        user.push(Step.ANATOMY, f"canal-{side}")
        arch = user.plan.arch
        inside = [p for p in course if abs(arch.station_of(p)) < arch.stations_mm[-1] - 4.0]
        for k in np.linspace(0, len(inside) - 1, 6).round().astype(int)[:-1]:
            user.click_in(ViewKind.ACROSS, inside[k])
        user.keep()
        user.wait(lambda side=side: side in user.plan.canals)
        found = user.plan.canals[side].path_lps_mm
        away = cKDTree(course).query(found)[0]
        assert float(away.mean()) < 0.5


def place_the_fixtures(user: Clinician) -> None:
    panel = user.ask(Step.FIXTURES)
    for site in user.truth["sites"]:
        name = str(site["iso"])
        panel.place_block.site.setCurrentIndex(panel.place_block.site.findData(name))
        panel.place_block.length.setCurrentIndex(panel.place_block.length.findData(8.0))
        user.push(Step.FIXTURES, "place-fixture")
        user.click_in(ViewKind.ACROSS, site["platform_lps_mm"])
        assert name in user.plan.fixtures
        assert user.window.workspace.view.site == name
        user.settle()
    drag_the_apex(user)


def drag_the_apex(user: Clinician) -> None:
    """Turn the fixture in hand by its apex, a few pixels to the side."""
    fixture = user.window.workspace.selected
    view = user.window.views[ViewKind.ACROSS]
    row, column, _ = view.frame.to_pixel(fixture.apex_lps_mm)
    start = QPoint(round(column), round(row))
    user.qtbot.mousePress(view, LEFT, pos=start)
    for k in range(1, 7):
        user.qtbot.mouseMove(view, start + QPoint(2 * k, 0))
    user.qtbot.mouseRelease(view, LEFT, pos=start + QPoint(12, 0))
    assert user.window.workspace.session.undo_label == f"Turn fixture {fixture.site}"
    user.settle()


def choose_the_guide(user: Clinician) -> None:
    panel = user.ask(Step.GUIDE)
    for box in (*panel.sleeve_boxes.values(), panel.drill_list):
        box.setCurrentIndex(1)
        box.activated.emit(1)
    panel.code.setFocus()
    user.qtbot.keyClicks(panel.code, "W1-77")
    user.qtbot.keyClick(panel.code, Qt.Key.Key_Return)
    user.settle()
    assert user.plan.guide.code == "W1-77"
    assert set(user.plan.guide.sleeves) == set(user.plan.fixtures)


def read_the_budget(user: Clinician) -> None:
    panel = user.ask(Step.BUDGET)
    panel.shares.head.click()
    assert sum(share for _, share in panel.shares.block.bar.shares) == pytest.approx(1.0)
    assert user.window.chain.links[Step.BUDGET].answer


def export_the_draft(user: Clinician, out: Path) -> None:
    panel = user.ask(Step.SHEET)
    assert not panel.final.isEnabled()
    user.window.case.dialogs.answers["new_file"] = out
    user.push(Step.SHEET, "export-draft")
    user.wait(out.exists)
    user.settle()
    assert out.read_bytes().startswith(b"%PDF")


@pytest.mark.slow
@pytest.mark.timeout(280)
def test_from_the_scan_folder_to_the_sheet_with_a_mouse(clinician: Clinician, tmp_path: Path) -> None:
    import_scan(clinician)
    match_the_scans(clinician)
    mark_the_anatomy(clinician)
    place_the_fixtures(clinician)
    choose_the_guide(clinician)
    read_the_budget(clinician)
    export_the_draft(clinician, tmp_path / "sheet.pdf")
    assert clinician.problems == []
    assert clinician.window.workspace.store.history()[-1].label
