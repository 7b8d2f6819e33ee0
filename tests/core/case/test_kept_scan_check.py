"""The scan check that a case keeps: the same when read again, made anew for another scan or another estimate."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.check import check
from planner_core.case.derived import scan
from planner_core.case.pack import pack, unpack
from planner_core.case.plan import Plan, ScanInput
from planner_core.findings import Finding, Severity
from planner_core.geometry.volume import Volume
from planner_core.imaging import scan_check_kept
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scan import ScanSource
from planner_core.imaging.scan_check import ScanCheck
from planner_core.imaging.scan_check_kept import from_kept_form, kept_form, kept_key

PLACE = np.array([[0, 0, 0.5, -9.0], [0, 0.5, 0, 4.0], [0.5, 0, 0, 7.0], [0, 0, 0, 1.0]])


def scan_of(seed: int = 1) -> Volume:
    stored = np.random.default_rng(seed).integers(-900, 2000, (12, 10, 9)).astype(np.int16)
    return Volume(stored, PLACE)


def made_check(volume: Volume, with_maps: bool = True) -> ScanCheck:
    rng = np.random.default_rng(2)
    maps = [Volume(rng.integers(0, 1000, (6, 5, 5)).astype(np.int16), PLACE, scale=s) for s in (0.001, 0.37)]
    return ScanCheck(
        restorations=(Restoration((1.0, -2.5, 3.25), 512.3, (9.0, 8.0, 7.0), True, "zirconia", 0.91),),
        slice_scores=rng.random(12),
        degraded_slices=((3, 7), (9, 9)),
        level_map=maps[0] if with_maps else None,
        grey=GreyLevels(-990.0, 12.0, 1400.5, 31.25, -1000.0, 3071.0, saturated=True, air_seen=False),
        scan_shape=volume.shape,
        scan_lps_from_index=volume.lps_from_index,
        findings=(Finding(Severity.WARNING, "degraded-slices", "Slices 4 to 8 …", "slices 4-8"),),
        added_map=maps[1] if with_maps else None,
    )


@pytest.mark.parametrize("with_maps", [True, False])
def test_what_is_kept_says_the_same(with_maps: bool) -> None:
    volume = scan_of()
    check = made_check(volume, with_maps)
    again = from_kept_form(kept_form(check))
    assert again is not None
    points = volume.to_lps(np.random.default_rng(3).uniform(0, 8, (20, 3)))
    np.testing.assert_array_equal(again.level_at(points), check.level_at(points))
    assert again.readable_at(points[0]) == check.readable_at(points[0])
    assert (again.degradation is None) == (check.degradation is None)
    np.testing.assert_array_equal(again.slice_scores, check.slice_scores)
    assert (again.grey, again.findings, again.degraded_slices) == (
        check.grey,
        check.findings,
        check.degraded_slices,
    )
    assert (again.added_map is None) == (check.added_map is None)
    if again.added_map is not None and check.added_map is not None:
        assert again.added_map.content_hash == check.added_map.content_hash
    for mine, theirs in zip(again.restorations, check.restorations, strict=True):
        np.testing.assert_array_equal(mine.centre_lps_mm, theirs.centre_lps_mm)
        np.testing.assert_array_equal(mine.extent_mm, theirs.extent_mm)
        assert (mine.volume_mm3, mine.kind, mine.kind_confidence, mine.saturated) == (
            theirs.volume_mm3, theirs.kind, theirs.kind_confidence, theirs.saturated,
        )  # fmt: skip


def test_bytes_that_are_no_check_are_none() -> None:
    data = kept_form(made_check(scan_of()))
    for bad in (b"", b"no archive", data[: len(data) // 2], data[:-40]):
        assert from_kept_form(bad) is None


class Counted:
    """Stands for the check and counts how often it is made."""

    def __init__(self) -> None:
        self.made = 0

    def __call__(self, volume: Volume, *_: object) -> ScanCheck:
        self.made += 1
        return made_check(volume)


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counted:
    check = Counted()
    monkeypatch.setattr(scan, "check_scan", check)
    return check


def with_scan(volume: Volume) -> Plan:
    return edits.set_scan(Plan(), ScanInput(volume, ScanSource(kind="nifti")))


def test_a_case_keeps_the_check_and_makes_it_anew_when_scan_or_estimate_change(
    tmp_path: Path, counted: Counted, monkeypatch: pytest.MonkeyPatch
) -> None:
    CaseStore.create(tmp_path / "case", plan=with_scan(scan_of())).close()
    for _ in range(2):
        with CaseStore.open(tmp_path / "case") as store:
            found = scan.scan_check_of(store.plan(), store=store)
            assert found.restorations[0].kind == "zirconia"
    assert counted.made == 1, "the second opening reads what the first one kept"
    with CaseStore.open(tmp_path / "case", read_only=True) as store:
        scan.scan_check_of(store.plan(), store=store)
        assert counted.made == 1
    with CaseStore.open(tmp_path / "case") as store:
        scan.scan_check_of(with_scan(scan_of(seed=5)), store=store)
        assert counted.made == 2, "another scan has another check"
    monkeypatch.setattr(scan_check_kept, "_form_of_the_estimate", lambda: "changed")
    with CaseStore.open(tmp_path / "case") as store:
        scan.scan_check_of(store.plan(), store=store)
    assert counted.made == 3, "what an earlier form of the estimate said is not taken for this one's"


def test_a_damaged_or_read_only_case_costs_time_only(tmp_path: Path, counted: Counted) -> None:
    CaseStore.create(tmp_path / "case", plan=with_scan(scan_of())).close()
    with CaseStore.open(tmp_path / "case", read_only=True) as store:
        scan.scan_check_of(store.plan(), store=store)
    assert not list((tmp_path / "case" / "blobs").glob("*.bin")), (
        "nothing is written into a case opened for reading"
    )
    with CaseStore.open(tmp_path / "case") as store:
        scan.scan_check_of(store.plan(), store=store)
    (blob,) = (tmp_path / "case" / "blobs").glob("*.bin")
    whole = blob.read_bytes()
    for damaged in (whole[:-7], whole[:-7] + bytes(7)):
        blob.write_bytes(damaged)
        report = check(tmp_path / "case")
        assert report.whole, "a kept result is never needed"
        assert [finding.code for finding in report.findings] == ["kept-result-changed"]
        made = counted.made
        for _ in range(2):
            with CaseStore.open(tmp_path / "case") as store:
                assert scan.scan_check_of(store.plan(), store=store).restorations
        assert counted.made == made + 1, "made anew once, and kept again"
        assert blob.read_bytes() == whole
    blob.unlink()
    assert check(tmp_path / "case").whole
    pack(tmp_path / "case", tmp_path / "case.zip")
    unpack(tmp_path / "case.zip", tmp_path / "again")
    assert check(tmp_path / "again").findings == ()


def test_the_key_names_the_scan_and_every_file_of_the_estimate(monkeypatch: pytest.MonkeyPatch) -> None:
    volume = scan_of()
    assert kept_key(volume) == kept_key(scan_of())
    assert kept_key(volume) != kept_key(scan_of(seed=2))
    assert kept_key(volume) != kept_key(Volume(volume.stored, PLACE, offset=1.0))
    before = scan_check_kept._form_of_the_estimate()
    scan_check_kept._form_of_the_estimate.cache_clear()
    monkeypatch.setattr(scan_check_kept, "PARTS_OF_THE_ESTIMATE", ("scan_check",))
    assert scan_check_kept._form_of_the_estimate() != before
    scan_check_kept._form_of_the_estimate.cache_clear()


def test_a_check_on_other_findings_is_another_one() -> None:
    made = made_check(scan_of())
    other = evolve(made, findings=())
    assert kept_form(made) != kept_form(other)
