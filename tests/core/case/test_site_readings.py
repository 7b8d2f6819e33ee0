"""What can be read at a site, part by part: where the level is high, that part cannot, and the reason is given."""

from __future__ import annotations

import numpy as np
from attrs import evolve

from planner_core.case.blockers import findings_of
from planner_core.case.chain import chain_of
from planner_core.case.derived import remember_scan_check
from planner_core.case.derived.site_readings import PARTS, needed_places, site_readings, site_word
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scan_check import ScanCheck
from tests.app.small_case import full_plan, small_volume

STEP_MM = 1.0


def check_with(spoilt: object) -> ScanCheck:
    """A scan check whose level is 1 where `spoilt(points)` says so, 0 elsewhere, on a grid of 1 mm."""
    low, high = np.array([-34.0, -30, -30]), np.array([34.0, 30, 14])
    axes = [np.arange(a, b, STEP_MM) for a, b in zip(low, high, strict=True)]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij")
    level = spoilt(np.stack([x, y, z], axis=-1))  # type: ignore[operator]
    affine = np.eye(4)
    affine[:3, :3] = STEP_MM * np.eye(3)[:, ::-1]
    affine[:3, 3] = low
    volume = small_volume()
    levels = GreyLevels(-1000.0, 0.0, 1500.0, 20.0, -1000.0, 3000.0)
    return ScanCheck(
        (), np.zeros(volume.shape[0]), (), Volume((1000 * level).astype(np.int16), affine, scale=0.001), levels,
        volume.shape, volume.lps_from_index,
    )  # fmt: skip


def test_a_clean_scan_is_readable_in_every_part() -> None:
    readings = site_readings(full_plan(), check_with(lambda p: np.zeros(p.shape[:-1])))
    assert set(readings) == {"36", "46"}
    for parts in readings.values():
        assert tuple(part.part for part in parts) == PARTS
        assert all(part.readable for part in parts)
    assert needed_places(readings) == {}


def test_streaks_over_the_crest_spoil_the_tooth_surfaces_and_leave_bone_and_canal() -> None:
    readings = site_readings(full_plan(), check_with(lambda p: (p[..., 2] > 1.5).astype(float)))
    for site, parts in readings.items():
        by_part = {part.part: part for part in parts}
        assert by_part["bone"].readable
        assert by_part["canal"].readable
        assert by_part["roots beside"].readable
        assert by_part["tooth surfaces"].readable is False
        assert "Degradation" in by_part["tooth surfaces"].why
        assert float(needed_places(readings)[f"{site}, tooth surfaces"][2]) > 1.5


def test_one_side_is_spoilt_the_other_is_not() -> None:
    readings = site_readings(full_plan(), check_with(lambda p: (p[..., 0] > 4.0).astype(float)))
    assert all(part.readable is False for part in readings["36"])
    assert all(part.readable for part in readings["46"])


def test_the_canal_alone_can_be_lost() -> None:
    readings = site_readings(full_plan(), check_with(lambda p: (p[..., 2] < -11.0).astype(float)))
    by_part = {part.part: part for part in readings["36"]}
    assert by_part["canal"].readable is False
    assert by_part["bone"].readable
    assert by_part["tooth surfaces"].readable


def test_without_a_canal_or_an_arch_there_is_no_verdict_and_it_says_so() -> None:
    plan = evolve(full_plan(), canals={}, arch=None)
    by_part = {part.part: part for part in site_readings(plan, check_with(lambda p: np.ones(p.shape[:-1])))["36"]}
    assert by_part["canal"].readable is None
    assert "No canal is marked" in by_part["canal"].why
    assert by_part["tooth surfaces"].readable is None
    assert by_part["bone"].readable is False


def test_the_chain_and_the_findings_judge_each_site_by_all_its_parts_and_say_why_not() -> None:
    """Streaks over one crest leave the bed readable and spoil what the match needs there: the answer is no."""
    plan = full_plan()
    remember_scan_check(plan, check_with(lambda p: ((p[..., 2] > 1.5) & (p[..., 0] > 4.0)).astype(float)))
    link = chain_of(plan)[0]
    assert link.per_site == {"36": "no (tooth surfaces)", "46": "yes"}
    assert sorted(link.answer.split(", ")) == ["36 no (tooth surfaces)", "46 yes"]
    assert link.why.startswith("36, tooth surfaces: Degradation ")
    said = [finding.text for finding in findings_of(plan) if finding.code == "site-unreadable"]
    assert len(said) == 1
    assert said[0].startswith("The scan at 36 cannot be trusted for tooth surfaces: ")


def test_a_site_with_several_lost_parts_names_them_all() -> None:
    parts = site_readings(full_plan(), check_with(lambda p: np.ones(p.shape[:-1])))["36"]
    assert site_word(parts) == "no (bone, canal, roots beside and tooth surfaces)"
