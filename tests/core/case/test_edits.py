"""Edits: what they share, what they refuse, and what they mark as drawn on which scan."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from planner_core.anatomy.structures import ArchCurve, Canal, Jaw, Side
from planner_core.case import edits
from planner_core.case.plan import GuideSettings, Plan, ScanInput, ScanReading
from planner_core.errors import PlannerError
from planner_core.imaging.scan import ImportedScan, ScanSource
from planner_core.planning.drilling import DrillList, Guidance, Sleeve, Support
from planner_core.planning.fixture import FixturePose
from planner_core.registration.match import PointPair
from tests.core.case.sample_plans import full_plan, small_canal, small_match, small_shape, small_volume

POSE = FixturePose([24.0, 5.0, 0.0], [0.0, 0.0, -1.0])
SLEEVE = Sleeve("s", 5.0, 6.0, 4.0, 3.0, 0.1)


def pair(name: str = "m") -> PointPair:
    return PointPair(name, [0, 0, 0], [1, 1, 1])


def test_an_edit_shares_everything_else() -> None:
    before = full_plan()
    after = edits.move_fixture(before, "36", POSE)
    assert after.fixtures["46"] is before.fixtures["46"]
    for part in ("scan", "surfaces", "pairs", "match", "arch", "canals", "bone", "guide", "limits", "reading"):
        assert getattr(after, part) is getattr(before, part), part
    assert before.fixtures["36"].pose is not POSE, "the plan before is untouched"


def test_mappings_of_a_plan_are_read_only() -> None:
    plan = full_plan()
    with pytest.raises(TypeError):
        plan.fixtures["11"] = plan.fixtures["36"]  # type: ignore[index]


REFUSED: list[tuple[str, Callable[[Plan], Plan]]] = [
    ("not a site", lambda p: edits.place_fixture(p, "19", small_shape(), POSE)),
    ("not a site", lambda p: edits.place_fixture(p, "51", small_shape(), POSE)),
    ("not a site", lambda p: edits.place_fixture(p, "366", small_shape(), POSE)),
    ("lower jaw", lambda p: edits.place_fixture(p, "11", small_shape(), POSE)),
    ("already", lambda p: edits.place_fixture(p, "36", small_shape(), POSE)),
    ("three finite", lambda p: edits.place_fixture(p, "35", small_shape(), FixturePose([0, 0], [0, 0, 1]))),
    ("three finite", lambda p: edits.move_fixture(p, "36", FixturePose([0, np.nan, 0], [0, 0, 1]))),
    ("no fixture", lambda p: edits.move_fixture(p, "35", POSE)),
    ("no fixture", lambda p: edits.delete_fixture(p, "35")),
    ("no fixture", lambda p: edits.change_shape(p, "35", small_shape())),
    ("no fixture", lambda p: edits.set_lock(p, "35", True)),
    ("no fixture", lambda p: edits.set_sleeve(p, "35", SLEEVE)),
    ("no fixture", lambda p: edits.set_guide_settings(p, GuideSettings(sleeves={"35": SLEEVE}))),
    ("is locked", lambda p: edits.move_fixture(edits.set_lock(p, "36", True), "36", POSE)),
    ("is locked", lambda p: edits.delete_fixture(edits.set_lock(p, "36", True), "36")),
    ("is locked", lambda p: edits.change_shape(edits.set_lock(p, "36", True), "36", small_shape())),
    ("lower jaw|upper jaw", lambda p: edits.set_jaw(p, Jaw.UPPER)),
    ("no scan", lambda p: edits.set_reading(Plan(), ScanReading("A", "2026-01-01", ""))),
    ("name", lambda p: edits.set_reading(p, ScanReading(" ", "2026-01-01", ""))),
    ("YYYY-MM-DD", lambda p: edits.set_reading(p, ScanReading("A", "1.1.2026", ""))),
    ("no surface", lambda p: edits.remove_surface(p, "upper")),
    ("no surface", lambda p: edits.adopt_match(p, small_match(), "upper")),
    ("Two pairs", lambda p: edits.set_pairs(p, (pair("a"), pair("a")))),
    ("no pair", lambda p: edits.remove_pair(p, "zz")),
    ("three points", lambda p: edits.set_arch(p, ArchCurve(Jaw.LOWER, [[0, 0, 0], [1, 1, 1]]))),
    ("three finite", lambda p: edits.set_arch(p, ArchCurve(Jaw.LOWER, [[0, 0], [1, 1], [2, 2]]))),
    ("three finite", lambda p: edits.set_canal(p, bad_canal())),
    ("no canal", lambda p: edits.remove_canal(edits.remove_canal(p, Side.LEFT), Side.LEFT)),
    ("no drills", lambda p: edits.set_drill_list(p, DrillList("empty", ()))),
    ("margin of -1", lambda p: edits.set_margin(p, "canal", -1.0)),
    ("margin of 99", lambda p: edits.set_margin(p, "canal", 99.0)),
    ("chance of harm", lambda p: edits.set_harm_limit(p, 0.0)),
    ("chance of harm", lambda p: edits.set_harm_limit(p, 1.0)),
]


def bad_canal() -> Canal:
    good = small_canal()
    path = np.array(good.path_lps_mm)
    path[3, 1] = np.inf
    return Canal(good.side, good.control_lps_mm, path, good.diameter_mm, good.sigma_mm, good.certain)


@pytest.mark.parametrize(("words", "edit"), REFUSED)
def test_what_cannot_stand_is_refused_with_words(words: str, edit: Callable[[Plan], Plan]) -> None:
    with pytest.raises(PlannerError, match=words) as caught:
        edit(full_plan())
    assert caught.value.remedy.endswith(".")


def test_parts_remember_the_scan_that_they_were_drawn_on() -> None:
    plan = full_plan()
    assert plan.scan is not None
    today = plan.scan.volume.content_hash
    assert set(plan.made_on) == {
        "pairs", "arch", "canal:left", "canal:right", "fixture:36", "fixture:46", "reading",
    }  # fmt: skip
    assert set(plan.made_on.values()) == {today}
    other = edits.set_scan(plan, ImportedScan(small_volume(9), ScanSource("nifti")))
    assert set(other.made_on.values()) == {today}, "what was drawn stays drawn on the old scan"
    moved = edits.move_fixture(other, "36", POSE)
    assert moved.made_on["fixture:36"] != today
    assert moved.made_on["fixture:46"] == today


def test_taking_parts_away() -> None:
    plan = full_plan()
    assert edits.set_arch(plan, None).arch is None
    assert edits.adopt_match(plan, None).match is None
    assert edits.adopt_bone(plan, None).bone is None
    assert edits.set_reading(plan, None).reading is None
    assert "reading" not in edits.set_reading(plan, None).made_on
    assert set(edits.remove_canal(plan, Side.LEFT).canals) == {"right"}
    without = edits.delete_fixture(plan, "36")
    assert "36" not in without.fixtures
    assert "36" not in without.guide.sleeves
    assert "fixture:36" not in without.made_on
    assert edits.set_sleeve(plan, "36", None).guide.sleeves == {}
    assert edits.set_margin(plan, "canal", None).limits.margin_mm == {}
    assert edits.set_harm_limit(plan, None).limits.harm_chance is None
    assert edits.remove_surface(plan, "lower").surfaces == {}
    assert [p.name for p in edits.remove_pair(plan, "m1").pairs] == ["m0", "m2"]


def test_a_pair_with_a_known_name_takes_its_place() -> None:
    plan = edits.add_pair(full_plan(), PointPair("m1", [9, 9, 9], [8, 8, 8]))
    assert sorted(p.name for p in plan.pairs) == ["m0", "m1", "m2"]
    assert next(p for p in plan.pairs if p.name == "m1").surface_mm[0] == 9


def test_guide_settings_one_by_one_and_together() -> None:
    plan = edits.set_guide(full_plan(), support=Support.BONE)
    assert (plan.guide.support, plan.guide.guidance, plan.guide.code) == (Support.BONE, Guidance.FULL, "K7-Q2")
    plan = edits.set_guide(plan, guidance=Guidance.PILOT, code=" X ")
    assert (plan.guide.support, plan.guide.guidance, plan.guide.code) == (Support.BONE, Guidance.PILOT, "X")
    plan = edits.set_guide_settings(plan, GuideSettings(code="Y"))
    assert plan.guide.code == "Y"
    assert plan.guide.drill_list is None


def test_a_match_finds_its_surface_by_its_frame() -> None:
    plan = edits.adopt_match(full_plan(), small_match())
    assert plan.match is not None
    assert plan.match.surface_id == "lower"


def test_scan_from_import_keeps_source_and_findings() -> None:
    scan = ImportedScan(small_volume(4), ScanSource("nrrd"))
    plan = edits.set_scan(Plan(), scan)
    assert isinstance(plan.scan, ScanInput)
    assert plan.scan.source.kind == "nrrd"
