"""Planes, letters, marks and the flat views."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from PySide6.QtCore import QPoint, QPointF, Qt
from PySide6.QtGui import QWheelEvent
from PySide6.QtWidgets import QApplication
from pytestqt.qtbot import QtBot

from app.sections import marks
from app.sections.pixels import grey_image, mask_image
from app.sections.planes import letters, plane_of, seen_from
from app.shapes import Mesh
from app.view_state import ViewKind, ViewState
from planner_core.anatomy.sections import SectionFrame
from tests.app.small_case import full_plan, scan_only


def test_letters_follow_the_dicom_patient_axes() -> None:
    """+x Left, +y Posterior, +z Head (DICOM PS3.3 C.7.6.2.1.1)."""
    assert letters(np.array([1.0, 0, 0])) == "L"
    assert letters(np.array([-1.0, 0, 0])) == "R"
    assert letters(np.array([0, 1.0, 0])) == "P"
    assert letters(np.array([0, -1.0, 0])) == "A"
    assert letters(np.array([0, 0, 1.0])) == "H"
    assert letters(np.array([0.8, -0.6, 0])) == "LA"
    assert letters(np.array([0.99, 0.1, 0.1])) == "L"


@pytest.mark.parametrize("kind", list(ViewKind))
@pytest.mark.parametrize("site", ["", "36", "46"])
def test_every_view_tells_right_from_left(kind: ViewKind, site: str) -> None:
    """Either an edge of the picture is R or L, or the picture is looked at from R or L."""
    plan, state = full_plan(), ViewState()
    assert plan.arch is not None
    state.go_to(plan.arch.point_at(5.0), 5.0)
    state.select(site)
    frame = plane_of(kind, plan, state, 300, 250)
    assert frame is not None
    named = letters(frame.right_lps) + seen_from(frame)
    assert "R" in named or "L" in named
    if kind is ViewKind.AXIAL:
        assert letters(frame.right_lps).startswith("L")
    if kind is not ViewKind.AXIAL:
        assert letters(-frame.down_lps).startswith("H")


def test_with_a_fixture_in_hand_both_upright_views_hold_its_axis() -> None:
    plan, state = full_plan(), ViewState()
    state.select("36")
    fixture = plan.fixtures["36"]
    for kind in (ViewKind.ACROSS, ViewKind.ALONG):
        frame = plane_of(kind, plan, state, 300, 250)
        assert frame is not None
        depth = frame.to_pixel(np.stack([fixture.pose.platform_lps_mm, fixture.apex_lps_mm]))[:, 2]
        assert np.abs(depth).max() < 1e-9
    axial = plane_of(ViewKind.AXIAL, plan, state, 300, 250)
    assert axial is not None
    assert abs(float(axial.normal_lps @ fixture.pose.axis_lps)) == pytest.approx(1.0)


def test_a_plan_without_arch_still_has_three_planes() -> None:
    state = ViewState()
    frames = [plane_of(kind, scan_only(), state, 200, 200) for kind in ViewKind]
    normals = np.array([frame.normal_lps for frame in frames if frame is not None])
    assert np.abs(normals @ normals.T - np.eye(3)).max() < 1e-9


def test_grey_values_become_bytes_through_the_window(qapp: QApplication) -> None:
    values = np.array([[-5000.0, 0.0, 500.0, 1000.0, 9000.0, np.nan]], np.float32)
    image = grey_image(values, window=1000.0, level=500.0)
    shown = [image.pixelColor(x, 0).red() for x in range(6)]
    assert shown == [0, 0, 127, 255, 255, 0]


def test_a_mask_is_set_where_it_says(qapp: QApplication) -> None:
    mask = np.zeros((5, 11), bool)
    mask[2, 9] = mask[4, 0] = True
    image = mask_image(mask)
    found = {(y, x) for y in range(5) for x in range(11) if image.pixelIndex(x, y) == 1}
    assert found == {(2, 9), (4, 0)}


def test_a_cut_is_drawn_where_it_lies(qapp: QApplication) -> None:
    frame = SectionFrame((0, 0, 0), (1, 0, 0), (0, 0, -1), 40.0, 40.0, 0.5)
    triangle = Mesh(np.array([[-5.0, -1, 2], [5, -1, 2], [0, 3, 2]]), np.array([[0, 1, 2]], np.int32))
    image = marks.cut_image(triangle, frame, "#ffffff")
    drawn = {(y, x) for y in range(80) for x in range(80) if image.pixelColor(x, y).alpha() > 0}
    assert {y for y, _ in drawn} == {35, 36} or {y for y, _ in drawn} == {36} or {y for y, _ in drawn} == {35}
    xs = sorted(x for _, x in drawn)
    assert (xs[0] - 39.5) * 0.5 == pytest.approx(-3.75, abs=0.5)
    assert (xs[-1] - 39.5) * 0.5 == pytest.approx(3.75, abs=0.5)


@pytest.mark.parametrize(("pixel_mm", "length_mm"), [(0.05, 5.0), (0.1, 10.0), (0.2, 20.0), (1.0, 50.0)])
def test_the_scale_bar_has_the_longest_round_length_that_fits(pixel_mm: float, length_mm: float) -> None:
    assert marks.scale_bar_mm(pixel_mm, longest_px=100.0) == length_mm


def _wheel(view: Any, notches: int, keys: Qt.KeyboardModifier = Qt.KeyboardModifier.NoModifier) -> None:
    event = QWheelEvent(
        QPointF(50, 50),
        QPointF(view.mapToGlobal(QPoint(50, 50))),
        QPoint(0, 0),
        QPoint(0, 120 * notches),
        Qt.MouseButton.NoButton,
        keys,
        Qt.ScrollPhase.NoScrollPhase,
        False,
    )
    QApplication.sendEvent(view, event)


def test_wheel_keys_and_drags(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    view, state = window.views[ViewKind.ACROSS], window.workspace.view
    window.workspace.go_to_station(10.0)
    _wheel(view, 2)
    assert state.station_mm == pytest.approx(11.0)
    _wheel(view, 1, Qt.KeyboardModifier.ControlModifier)
    assert state.zoom[ViewKind.ACROSS] > 1.0
    _wheel(view, 3, Qt.KeyboardModifier.ShiftModifier)
    assert state.slab_mm == 3.0
    qtbot.keyClick(view, Qt.Key.Key_Right)
    assert state.station_mm == pytest.approx(12.0)
    qtbot.keyClick(view, Qt.Key.Key_PageUp)
    assert state.station_mm == pytest.approx(12.5)
    before = (state.window, state.level)
    corner = QPoint(12, view.height() - 40)
    qtbot.mousePress(view, Qt.MouseButton.LeftButton, pos=corner)
    qtbot.mouseMove(view, corner + QPoint(30, 0))
    qtbot.mouseRelease(view, Qt.MouseButton.LeftButton, pos=corner + QPoint(30, 0))
    assert state.window > before[0]
    assert state.level == before[1]
    assert window.said.problems == []


def test_a_click_goes_there_in_every_view(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    axial = window.views[ViewKind.AXIAL]
    place = QPoint(axial.width() // 2 + 20, axial.height() // 2 + 25)
    wanted = axial.pick_at(place.x(), place.y()).point_mm
    qtbot.mouseClick(axial, Qt.MouseButton.LeftButton, pos=place)
    assert window.workspace.view.focus_lps_mm == pytest.approx(wanted, abs=1e-6)
    assert window.workspace.view.station_mm == pytest.approx(window.workspace.plan.arch.station_of(wanted))


def test_a_click_on_the_strip_goes_to_that_station(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    strip = window.strip
    x = round(strip.x_of(-12.0))
    qtbot.mouseClick(strip, Qt.MouseButton.LeftButton, pos=QPoint(x, 40))
    assert window.workspace.view.station_mm == pytest.approx(-12.0, abs=0.5)
    fixture = window.workspace.plan.fixtures["36"]
    x = round(strip.x_of(window.workspace.plan.arch.station_of(fixture.pose.platform_lps_mm)))
    qtbot.mouseClick(strip, Qt.MouseButton.LeftButton, pos=QPoint(x, 40))
    assert window.workspace.view.site == "36"


def test_pictures_are_not_blank(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    window = open_plan(full_plan(), shown=True)
    for view in (*window.views.values(), window.strip):
        image = view.grab().toImage()
        greys = {image.pixelColor(x, image.height() // 2).lightness() for x in range(0, image.width(), 3)}
        assert len(greys) > 8, view.objectName()


def test_the_sides_of_the_ridge_follow_the_picture(
    open_plan: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rolled about the fixture by half a turn, tongue and cheek change sides; by a quarter they are not named."""
    window = open_plan(full_plan(), shown=True)
    window.workspace.view.select("36")
    view = window.views[ViewKind.ACROSS]
    written: list[tuple[str, float]] = []
    monkeypatch.setattr(marks, "tag", lambda work, text, x, y, *_, **__: written.append((text, x)))

    def sides() -> list[str]:
        written.clear()
        view.grab()
        named = [(x, text) for text, x in written if text in ("tongue", "cheek", "lip")]
        return [text for _, text in sorted(named)]

    assert sides() == ["tongue", "cheek"]
    window.workspace.view.roll(180.0)
    assert sides() == ["cheek", "tongue"]
    window.workspace.view.roll(90.0)
    assert sides() == []
