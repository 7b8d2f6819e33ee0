"""Chain, staleness, blockers and derived results."""

from __future__ import annotations

from collections.abc import Callable

import attrs
import numpy as np
import pytest

from planner_core.anatomy.structures import Side
from planner_core.case import edits
from planner_core.case.blockers import blockers_of, findings_of
from planner_core.case.case_file import CaseStore
from planner_core.case.chain import QUESTIONS, LinkState, chain_of
from planner_core.case.derived import (
    budgets_of,
    known_scan_check,
    ledger_of,
    live_ledger_of,
    match_in_use,
    match_state,
    scan_check_of,
)
from planner_core.case.fingerprints import fingerprint
from planner_core.case.plan import Patient, Plan, ScanInput
from planner_core.case.sheet import sheet_of
from planner_core.case.staleness import stale_parts
from planner_core.errors import PlannerError
from planner_core.findings import Severity
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource
from planner_core.planning.drilling import DrillList, DrillStep, Guidance, Support
from planner_core.planning.fixture import FixturePose
from planner_core.protocol.sheet import DRAFT, FINAL
from tests.core.case.sample_plans import full_plan, small_canal, small_surface, with_marks


def readable_volume(seed: int = 0) -> Volume:
    """A block of bone and soft tissue in air, with noise, that can be checked."""
    index = np.stack(np.mgrid[0:40, 0:50, 0:60], axis=-1)
    grey = np.full(index.shape[:3], -1000.0)
    grey[5:35, 5:45, 5:55] = 0.0
    grey[10:30, 12:38, 12:48] = 1000.0
    grey += np.random.default_rng(seed).normal(0.0, 25.0, grey.shape)
    affine = np.diag([1.0, 1.0, 1.2, 1.0])[[2, 1, 0, 3]]
    return Volume(grey.astype(np.int16), affine)


@pytest.fixture(scope="module")
def plan() -> Plan:
    """A plan in which everything is in order but the generic parts."""
    scan = ScanInput(readable_volume(), ScanSource("dicom"))
    full = full_plan()
    plan = edits.set_scan(full, scan)
    plan = edits.set_pairs(plan, full.pairs)
    plan = edits.set_arch(plan, full.arch)
    for canal in full.canals.values():
        plan = edits.set_canal(plan, attrs.evolve(canal, path_lps_mm=canal.path_lps_mm - [0, 0, 8]))
    assert full.match is not None
    assert full.bone is not None
    plan = edits.adopt_match(plan, full.match.match, "lower")
    plan = edits.adopt_bone(plan, full.bone.bone)
    for site, fixture in full.fixtures.items():
        plan = edits.move_fixture(plan, site, fixture.pose)
    plan = edits.set_sleeve(plan, "46", full.guide.sleeves["36"])
    return edits.set_reading(plan, full.reading)


def own_parts(plan: Plan) -> Plan:
    """The same with a clinic's own shapes and drills, so that no blocker stands."""
    for site, fixture in plan.fixtures.items():
        plan = edits.change_shape(plan, site, attrs.evolve(fixture.shape, generic=False))
    drills = DrillList("House list", (DrillStep("Pilot", 2.0), DrillStep("Last", 3.5)), False, 0.4)
    plan = edits.set_drill_list(plan, drills)
    return edits.set_margin(edits.set_margin(plan, "canal", None), "bone surface", 1.0)


def states(plan: Plan) -> dict[str, LinkState]:
    return {link.key: link.state for link in chain_of(plan)}


def test_an_empty_plan_asks_for_the_scan_first() -> None:
    links = chain_of(Plan())
    assert [(link.key, link.question) for link in links] == list(QUESTIONS)
    assert links[0].state is LinkState.OPEN
    assert all(link.state is LinkState.WAITING for link in links[1:])


def test_answers_are_computed_per_site(plan: Plan) -> None:
    scan_check_of(plan)
    links = {link.key: link for link in chain_of(plan)}
    assert links["scan"].per_site == {"36": "yes", "46": "yes"}
    assert links["scan"].answer == "36 yes, 46 yes"
    assert links["match"].per_site["36"].endswith(" mm")
    assert links["match"].answer.startswith("within 36 ")
    assert links["anatomy"].answer == "2 canals, bone surface"
    more = {link.key: link for link in chain_of(with_marks(plan))}
    assert more["anatomy"].answer == "2 canals, bone surface, 1 tooth, 1 air space, 2 drawn"
    assert set(links["fixtures"].per_site) == {"36", "46"}
    assert links["budget"].per_site["36"].split()[0] in ("enough", "too")
    assert links["guide"].answer == "Teeth, all drills and fixture"
    assert links["sheet"].answer.startswith("Draft, ")


def test_a_scan_not_checked_yet_leaves_only_its_link_waiting() -> None:
    plan = edits.set_scan(Plan(), ScanInput(readable_volume(5), ScanSource("dicom")))
    assert known_scan_check(plan) is None
    assert states(plan)["scan"] is LinkState.WAITING
    scan_check_of(plan)
    assert states(plan)["scan"] is LinkState.ANSWERED


BREAKS: list[tuple[str, Callable[[Plan], Plan], str, set[str]]] = [
    ("pairs moved", lambda p: edits.remove_pair(p, "m0"), "match", {"match"}),
    (
        "another surface",
        lambda p: edits.add_surface(p, attrs.evolve(p.surfaces["lower"], surface=small_surface(70))),
        "match",
        {"match"},
    ),
    (
        "another scan",
        lambda p: edits.set_scan(p, ScanInput(readable_volume(1), ScanSource("dicom"))),
        "match",
        {
            "match", "bone", "arch", "canal:left", "canal:right", "fixture:36", "fixture:46", "pairs", "reading",
        },
    ),
]  # fmt: skip


@pytest.mark.parametrize(("name", "change", "first", "parts"), BREAKS, ids=[b[0] for b in BREAKS])
def test_a_changed_input_breaks_the_links_behind_it(
    plan: Plan, name: str, change: Callable[[Plan], Plan], first: str, parts: set[str]
) -> None:
    after = change(plan)
    assert {part.part for part in stale_parts(after)} == parts
    links = chain_of(after)
    broken = [link.key for link in links if link.state is LinkState.STALE]
    assert broken[0] == first
    start = [link.key for link in links].index(first)
    for link in links[start:]:
        assert link.state is not LinkState.ANSWERED
        if link.state is LinkState.STALE:
            assert link.answer == ""
            assert link.per_site == {}
            assert link.why
    codes = [f.code for f in blockers_of(after)]
    assert codes.count("stale") == len(parts)
    assert match_state(after) == "stale"
    assert match_in_use(after) is None


def test_doing_the_stale_part_again_mends_the_chain(plan: Plan) -> None:
    broken = edits.remove_pair(edits.add_pair(plan, attrs.evolve(plan.pairs[0], name="m9")), "m0")
    assert states(broken)["match"] is LinkState.STALE
    assert plan.match is not None
    mended = edits.adopt_match(broken, plan.match.match, "lower")
    assert stale_parts(mended) == ()
    assert states(mended)["match"] is LinkState.ANSWERED


def test_going_back_to_the_same_values_is_not_stale(plan: Plan) -> None:
    there = edits.remove_pair(plan, "m2")
    back = edits.add_pair(there, plan.pairs[2])
    assert {p.part for p in stale_parts(there)} == {"match"}
    assert stale_parts(back) == ()


def test_staleness_is_the_same_after_reopening(plan: Plan, tmp_path: object) -> None:
    from pathlib import Path

    folder = Path(str(tmp_path)) / "case"
    with CaseStore.create(folder, plan=plan) as store:
        store.append(edits.remove_pair(plan, "m0"), "Remove pair")
    with CaseStore.open(folder) as store:
        assert stale_parts(store.plan(1)) == ()
        assert {p.part for p in stale_parts(store.plan(2))} == {"match"}


def test_no_blocker_stands_in_a_plan_that_is_in_order(plan: Plan) -> None:
    ready = own_parts(plan)
    scan_check_of(ready)
    assert [f.text for f in blockers_of(ready)] == []
    content = sheet_of(ready)
    assert content.status == FINAL
    assert sheet_of(ready, wanted=DRAFT).status == DRAFT


BLOCKS: list[tuple[str, Callable[[Plan], Plan]]] = [
    ("not-read", lambda p: edits.set_reading(p, None)),
    ("generic-drills", lambda p: edits.set_drill_list(p, DrillList("G", (DrillStep("d", 2.0),), True, 0.4))),
    ("tip-unknown", lambda p: edits.set_drill_list(p, DrillList("H", (DrillStep("d", 2.0),), False, None))),
    ("no-drill-list", lambda p: edits.set_drill_list(p, None)),
    ("generic-fixture", lambda p: edits.change_shape(p, "36", attrs.evolve(p.fixtures["36"].shape, generic=True))),
    ("no-sleeve", lambda p: edits.set_sleeve(p, "36", None)),
    ("no-guide-code", lambda p: edits.set_guide(p, code="")),
    ("no-match", lambda p: edits.adopt_match(p, None)),
    ("canal-not-marked", lambda p: edits.remove_canal(p, Side.LEFT)),
    ("no-fixture", lambda p: edits.delete_fixture(edits.delete_fixture(p, "36"), "46")),
    ("stale", lambda p: edits.remove_pair(p, "m0")),
    ("touches", lambda p: edits.move_fixture(p, "36", FixturePose([26, 15, -8], [0, 0, -1]))),
    ("harm-above-limit", lambda p: edits.set_harm_limit(edits.set_canal(p, small_canal(Side.LEFT)), 1e-6)),
    (
        "match-not-trusted",
        lambda p: edits.adopt_match(
            p,
            attrs.evolve(p.match.match, trusted=False, reasons=("Too few.",)),  # type: ignore[union-attr]
            "lower",
        ),
    ),
]


@pytest.mark.parametrize(("code", "change"), BLOCKS, ids=[b[0] for b in BLOCKS])
def test_each_blocker_makes_a_draft(plan: Plan, code: str, change: Callable[[Plan], Plan]) -> None:
    after = change(own_parts(plan))
    assert code in {f.code for f in blockers_of(after)}
    assert sheet_of(after).status == DRAFT
    assert chain_of(after)[6].state is not LinkState.ANSWERED


def test_a_guide_on_bone_needs_no_match(plan: Plan) -> None:
    after = edits.adopt_match(edits.set_guide(own_parts(plan), support=Support.BONE), None)
    assert "no-match" not in {f.code for f in blockers_of(after)}
    assert states(after)["match"] is LinkState.ANSWERED
    free = edits.set_guide(after, guidance=Guidance.FREE_HAND)
    assert {"no-sleeve", "no-guide-code"}.isdisjoint(f.code for f in blockers_of(free))
    assert "free-hand" in {f.code for f in findings_of(free)}


def test_findings_come_blockers_first_and_once(plan: Plan) -> None:
    found = findings_of(plan)
    order = [f.severity for f in found]
    assert order == sorted(order, key=[Severity.BLOCKER, Severity.WARNING, Severity.NOTE].index)
    assert len(set(found)) == len(found)


def test_results_are_remembered_by_their_inputs(plan: Plan) -> None:
    assert ledger_of(plan) is ledger_of(edits.set_notes(plan, "other notes"))
    assert live_ledger_of(plan) is live_ledger_of(edits.move_fixture(plan, "36", plan.fixtures["46"].pose))
    assert ledger_of(plan) is not ledger_of(edits.set_margin(plan, "canal", 3.0))
    assert budgets_of(plan) is budgets_of(edits.set_title(plan, "x"))
    assert budgets_of(plan) is not budgets_of(edits.set_guide(plan, guidance=Guidance.PILOT))
    assert scan_check_of(plan) is scan_check_of(edits.delete_fixture(plan, "36"))
    with pytest.raises(PlannerError, match="no scan"):
        scan_check_of(Plan())


def test_a_stale_match_does_not_feed_the_budget(plan: Plan) -> None:
    fresh = {f.code for f in budgets_of(plan)["36"].findings}
    stale = {f.code for f in budgets_of(edits.remove_pair(plan, "m0"))["36"].findings}
    assert "match-assumed" not in fresh
    assert "match-assumed" in stale


def test_the_sheet_says_what_the_numbers_say(plan: Plan) -> None:
    content = sheet_of(plan)
    page = content.pages[0]
    assert page.site.iso == "36"
    budget = budgets_of(plan)["36"]
    assert [row.p95 for row in page.errors] == [
        budget.entry.p95_mm, budget.apex.p95_mm, budget.angle_p95_deg, budget.depth_p95_mm,
    ]  # fmt: skip
    known = {(row.obstacle, row.body): row.distance_mm for row in ledger_of(plan).of("36")}
    assert {(r.obstacle, r.body): r.distance_mm for r in page.obstacles} == known
    # The block of bone ends 1 mm above the platform, along an axis that leans by 3 degrees.
    assert page.depth_from_crest_mm == pytest.approx(10.0 + 1.0, abs=0.01)
    assert "leans 3°" in page.tilt_words


def test_fingerprints_see_every_change() -> None:
    plan = full_plan()
    assert fingerprint(plan.fixtures) == fingerprint(full_plan().fixtures)
    assert fingerprint(plan.fixtures) != fingerprint(edits.set_lock(plan, "36", True).fixtures)
    assert fingerprint(plan.bone) == fingerprint(full_plan().bone)
    assert fingerprint(1.0) != fingerprint(1)


@pytest.mark.parametrize(
    ("patient", "source", "differs"),
    [
        (Patient("Doe, Jane", "1", "1960-01-01"), ScanSource("dicom", "DOE^JANE", "1", "1960-01-01"), ""),
        (Patient("Doe Jane"), ScanSource("dicom", "Doe Jane", "77", "1960-01-01"), ""),
        (Patient(), ScanSource("dicom", "Doe Jane", "77", "1960-01-01"), ""),
        (Patient("Doe, Jane", "1"), ScanSource("nifti"), ""),
        (Patient("Doe, Jane", "1"), ScanSource("dicom", "DOE^JANE", "2"), "number differs"),
        (Patient("Doe, Jane"), ScanSource("dicom", "DOE^JOHN"), "name differs"),
        (
            Patient("Doe, Jane", "", "1960-01-01"),
            ScanSource("dicom", "DOE^JANE", "", "1961-01-01"),
            "birth date differs",
        ),
        (Patient("Doe, Jane", "1"), ScanSource("dicom", "ROE^R", "2"), "number and the name differ"),
    ],
)
def test_a_scan_of_another_patient_blocks(plan: Plan, patient: Patient, source: ScanSource, differs: str) -> None:
    assert plan.scan is not None
    after = edits.set_patient(edits.set_scan(plan, attrs.evolve(plan.scan, source=source)), patient)
    found = [f.text for f in blockers_of(after) if f.code == "patient-differs"]
    assert len(found) == (1 if differs else 0)
    assert all(differs in text for text in found)


def test_the_scans_patient_is_taken_only_where_there_is_none(plan: Plan) -> None:
    assert plan.scan is not None
    scan = attrs.evolve(plan.scan, source=ScanSource("dicom", "Doe Jane", "77", "1960-01-01"))
    named = edits.take_patient(edits.set_patient(edits.set_scan(plan, scan), Patient(invented=True)))
    assert named.patient == Patient("Doe Jane", "77", "1960-01-01", invented=True)
    kept = edits.set_patient(edits.set_scan(plan, scan), Patient("Roe"))
    assert edits.take_patient(kept) is kept
    assert edits.take_patient(Plan()).patient == Patient()
