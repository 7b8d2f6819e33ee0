"""Pictures without a window: everything planned is in them, with a word and in its colour."""

from __future__ import annotations

import numpy as np
import pytest

from app import pictures
from app.picture_canvas import CANAL, ENVELOPE, FIXTURE, joined
from planner_core.anatomy.structures import Side
from planner_core.case import edits
from planner_core.case.plan import Plan, ScanInput
from planner_core.errors import PlannerError
from planner_core.imaging.scan import ScanSource
from tests.core.case.sample_plans import full_plan
from tests.journeys.test_by_command import block_scan


@pytest.fixture(scope="module")
def plan() -> Plan:
    return edits.set_scan(full_plan(), ScanInput(block_scan(), ScanSource("dicom")))


def count(picture: np.ndarray, colour: tuple[int, int, int]) -> int:
    return int((np.abs(picture.astype(int) - colour).max(axis=2) < 40).sum())


def test_two_sections_for_each_fixture(plan: Plan) -> None:
    found = pictures.sheet_pictures(plan)
    assert set(found) == {"36:across", "36:along", "46:across", "46:along"}
    for png in found.values():
        picture = pictures.as_array(png)
        assert picture.shape == (760, 760, 3)
        assert count(picture, FIXTURE) > 500
        assert count(picture, ENVELOPE) > 200


def test_what_is_taken_away_is_not_drawn(plan: Plan) -> None:
    with_canal = pictures.as_array(pictures.sheet_pictures(plan)["36:across"])
    without = edits.remove_canal(edits.remove_canal(plan, Side.LEFT), Side.RIGHT)
    assert count(with_canal, CANAL) > 300
    assert count(pictures.as_array(pictures.sheet_pictures(without)["36:across"]), CANAL) < 50


def test_the_fixture_stands_where_it_was_placed(plan: Plan) -> None:
    fixture = plan.fixtures["36"]
    frame = pictures.section_frames(plan, fixture)[0]
    row, column, depth = frame.to_pixel(fixture.pose.platform_lps_mm)
    assert abs(depth) < 1e-6
    picture = pictures.as_array(pictures.sheet_pictures(plan)["36:across"]).astype(int)
    near = picture[int(row) - 3 : int(row) + 4, int(column) - 20 : int(column) + 20]
    assert count(near, FIXTURE) > 20, "the platform's line runs through its centre"


def test_right_and_left_are_those_of_the_patient(plan: Plan) -> None:
    for site, fixture in plan.fixtures.items():
        across, along = pictures.section_frames(plan, fixture)
        assert along.right_lps @ plan.arch.tangent_at(0.0) >= -1  # type: ignore[union-attr]
        assert across.right_lps[0] > 0, site
    assert pictures.direction_letter(np.array([1.0, 0.0, 0.0])) == "L"
    assert pictures.direction_letter(np.array([-1.0, 0.0, 0.1])) == "R"
    assert pictures.direction_letter(np.array([0.7, -0.7, 0.0])) in ("LA", "AL")
    assert pictures.direction_letter(np.array([0.0, 0.0, -1.0])) == "F"


def test_strip_and_missing_parts(plan: Plan) -> None:
    strip = pictures.as_array(pictures.strip_picture(plan))
    assert strip.shape[1] > strip.shape[0]
    assert count(strip, CANAL) > 50
    assert pictures.sheet_pictures(Plan()) == {}
    with pytest.raises(PlannerError, match="needs a scan"):
        pictures.strip_picture(Plan())


def test_without_an_arch_there_are_sections_all_the_same(plan: Plan) -> None:
    found = pictures.sheet_pictures(edits.set_arch(plan, None))
    assert set(found) == {"36:across", "36:along", "46:across", "46:along"}


def test_outside_the_volume_is_no_grey_value() -> None:
    picture = pictures.grey_picture(np.array([[np.nan, -1000.0, 5000.0]], np.float32), (-1000.0, 3000.0))
    assert picture[0].tolist() == [[14, 20, 28], [0, 0, 0], [255, 255, 255]]


def test_line_pieces_are_joined_in_any_order_and_direction() -> None:
    corners = np.array([[0, 0], [10, 0], [10, 10], [0, 10]], dtype=float)
    pieces = np.array([[corners[0], corners[1]], [corners[3], corners[2]], [corners[2], corners[1]]])
    chains = joined(pieces)
    assert len(chains) == 1
    assert len(chains[0]) == 4
