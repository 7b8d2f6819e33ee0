"""Choice of guide, what helps, sensitivity, own data and drift."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.volume import Volume
from planner_core.planning.calibration import reference_fixture
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.choice import Burden, choose
from planner_core.planning.drilling import DrillList, DrillStep, Guidance, Support
from planner_core.planning.eligibility import CarrierTooth, MouthFacts, opening_needed_mm
from planner_core.planning.error_budget import site_budget
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import ledger
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Tube
from planner_core.planning.own_data import (
    PRIOR_CASES,
    OwnOutcome,
    effective_cases,
    moments_of,
    spread_of,
    update_execution,
)
from planner_core.planning.pilot_drift import drift_from_resistance, pilot_drift
from planner_core.planning.published import EXECUTION, PoseSpread
from planner_core.planning.sensitivity import sensitivity
from planner_core.planning.what_helps import what_helps

SHAPE = generic_catalogue().fixture("generic-parallel-4.0x10")
OWN = DrillList("own", (DrillStep("last", 3.5),), generic=False, tip_overshoot_mm=0.5)


def fixture(site="36", x=0.0):
    return {site: PlacedFixture(site, SHAPE, FixturePose([x, 0.0, 0.0], [0.0, 0.0, -1.0]))}


def canal(distance):
    z = -10.5 - distance - 1.5
    return Obstacle(ObstacleKind.CANAL, "canal, left", Tube([[-20, 0, z], [20, 0, z]], 1.5), 0.3)


def chosen(distance, facts=None, fixtures=None, **kw):
    placed = fixtures or fixture()
    obstacles = [canal(distance)]
    rows = ledger(placed, obstacles, drills=OWN).rows
    return choose(
        placed, obstacles, rows, guide=GuideInputs(drills=OWN), facts=facts, catalogue=generic_catalogue(), **kw
    )


def test_far_from_everything_the_least_burden_is_advised():
    choice = chosen(6.0)
    assert choice.advised.support == Support.TEETH
    assert choice.advised.burden == Burden.NO_FLAP
    assert len(choice.options) == 10


def test_refused_teeth_hand_over_to_mucosa_with_the_reason():
    teeth = (CarrierTooth("35", mobile=True), CarrierTooth("34", to_extract=True), CarrierTooth("44"))
    choice = chosen(6.0, MouthFacts(teeth=teeth))
    assert choice.advised.support == Support.MUCOSA
    refused = next(o for o in choice.options if o.support == Support.TEETH)
    assert "tooth 35 is mobile" in refused.refusals[0].reason
    assert "tooth 34 is to be extracted" in refused.refusals[0].reason


def test_every_refusal_has_its_reason():
    facts = MouthFacts(
        teeth=(), mucosa_thickness_mm=5.0, mucosa_mobile=True, keratinised_width_mm=3.0, flap_needed=True,
        mouth_opening_mm=30.0,
    )  # fmt: skip
    choice = chosen(6.0, facts)
    mucosa = next(o for o in choice.options if o.support == Support.MUCOSA)
    assert [r.reason.split()[0] for r in mucosa.refusals] == ["A", "The", "The", "The", "The"]
    assert choice.advised.support == Support.NONE  # the only one that needs no opening for a guide
    assert opening_needed_mm(GuideInputs(), fixture()) == pytest.approx(14 + 6 + 19)


def test_one_sided_teeth_do_not_carry_sites_on_both_sides():
    both = {**fixture("36", 15.0), **fixture("46", -15.0)}
    teeth = tuple(CarrierTooth(n) for n in ("33", "34", "35"))
    choice = chosen(6.0, MouthFacts(teeth=teeth), both)
    refused = next(o for o in choice.options if o.support == Support.TEETH)
    assert "one side" in refused.refusals[0].reason


def test_none_passes_says_what_then_and_works_it_out():
    choice = chosen(0.3)
    assert choice.advised is None
    assert choice.reason.startswith("None passes")
    shorter = next(h for h in choice.instead if h.key == "shorter fixture")
    assert shorter.chance_after < shorter.chance_before
    assert any("graft" in line for line in choice.then)
    assert choice.decisive is not None


def test_nothing_is_forced_bone_wins_only_by_numbers():
    """With a superb bone surface and a hopeless match, the numbers pick bone where the others fail."""
    hopeless = PoseCovariance(np.diag([1e-3] * 3 + [2.0] * 3), [0.0, 0.0, 0.0])
    placed = fixture()
    obstacles = [canal(2.6)]
    rows = ledger(placed, obstacles, drills=OWN).rows
    guide = GuideInputs(drills=OWN, values={"bone_contact_sigma_mm": 0.1, "blunder_share": 0.0})
    matches = {Support.TEETH: hopeless, Support.MUCOSA: hopeless}
    choice = choose(placed, obstacles, rows, guide=guide, matches=matches)
    assert choice.advised.support == Support.BONE
    assert choice.advised.burden == Burden.FLAP


def test_what_helps_is_ranked_and_computed():
    placed, obstacles = fixture(), [canal(1.0)]
    match = PoseCovariance(np.diag([1e-4] * 3 + [0.05] * 3), [0.0, 0.0, 0.0])
    guide = GuideInputs(support=Support.MUCOSA, guidance=Guidance.PILOT, drills=OWN)
    helps = what_helps(
        "36", placed, obstacles, guide=guide, match=match, marker_count=4, catalogue=generic_catalogue(),
        supports=(Support.TEETH, Support.BONE),
    )  # fmt: skip
    keys = [h.key for h in helps]
    assert {"marker", "longer sleeve", "pin", "full guidance", "teeth support", "shorter fixture"} <= set(keys)
    saved = [h.saved for h in helps]
    assert saved == sorted(saved, reverse=True)
    assert helps[0].key == "shorter fixture"
    # Each is the budget of the changed plan, to the last digit.
    full = next(h for h in helps if h.key == "full guidance")
    rows = ledger(placed, obstacles, drills=OWN).rows
    again = site_budget(placed["36"], guide=evolve(guide, guidance=Guidance.FULL), match=match, rows=rows)
    assert full.chance_after == pytest.approx(again.chance_of_harm)


def test_sensitivity_names_the_assumption_that_decides():
    placed, obstacles = fixture(), [canal(2.0)]
    rows = ledger(placed, obstacles, drills=OWN).rows
    effects = sensitivity(placed, rows, guide=GuideInputs(drills=OWN))
    names = [e.name for e in effects]
    assert "blunder_share" in names
    assert "mucosa_contact_sigma_mm" not in names  # of no effect on a guide on teeth
    deciding = [e for e in effects if e.decides]
    assert effects[: len(deciding)] == tuple(deciding)
    for e in effects:
        assert e.low < e.high


def outcomes(n_guides, per_guide, scale, seed=0):
    """Draw outcomes whose execution is `scale` times the prior's."""
    rng = np.random.default_rng(seed)
    true = PoseSpread(EXECUTION.shift_sigma_mm * scale, EXECUTION.tilt_sigma_deg * scale, EXECUTION.pivot_mm)
    from planner_core.planning.gathered import gather
    from planner_core.planning.monte_carlo import common_draws, draw_site

    plan = {"36": reference_fixture()}
    guide = GuideInputs(execution=true, values={"blunder_share": 0.0})
    gathered = gather(plan, guide, None)
    expected = site_budget(plan["36"], guide=GuideInputs(values={"blunder_share": 0.0}))
    found = draw_site(gathered["36"], guide, common_draws(gathered, guide, n_guides * per_guide, rng), [], rng)
    return [
        OwnOutcome(
            f"guide {k // per_guide}", float(np.linalg.norm(found.entry_mm[k])),
            float(np.linalg.norm(found.apex_mm[k])), float(np.degrees(found.angle_rad[k])), 11.0, expected,
        )
        for k in range(n_guides * per_guide)
    ]  # fmt: skip


def test_moments_and_spread_are_inverse():
    spread = PoseSpread(0.5, 2.2, 1.1)
    back = spread_of(moments_of(spread, 11.0), 11.0)
    assert (back.shift_sigma_mm, back.tilt_sigma_deg, back.pivot_mm) == pytest.approx((0.5, 2.2, 1.1))


@pytest.mark.parametrize("scale", [0.5, 1.5])
def test_own_outcomes_move_the_execution_towards_the_truth(scale):
    few = update_execution(outcomes(10, 1, scale))
    many = update_execution(outcomes(1500, 1, scale))
    truth = EXECUTION.tilt_sigma_deg * scale
    assert abs(many.posterior.tilt_sigma_deg - truth) < 0.12 * truth
    assert few.own_share == pytest.approx(10 / (10 + PRIOR_CASES))
    assert abs(few.posterior.tilt_sigma_deg - EXECUTION.tilt_sigma_deg) < abs(
        many.posterior.tilt_sigma_deg - EXECUTION.tilt_sigma_deg
    )
    assert "independent cases" in few.text


def test_fixtures_of_one_guide_count_less():
    together, apart = outcomes(1, 6, 1.0), outcomes(6, 1, 1.0)
    assert effective_cases(apart) == pytest.approx(6.0)
    assert effective_cases(together) == pytest.approx(6.0 / 3.5)


def test_bench_figures_and_nonsense_are_refused():
    bench = [evolve(outcomes(1, 1, 1.0)[0], kind="bench")]
    with pytest.raises(PlannerError, match="Bench figures"):
        update_execution(bench)
    with pytest.raises(PlannerError, match="no own outcomes"):
        update_execution([])
    with pytest.raises(PlannerError, match="not a length"):
        update_execution([evolve(outcomes(1, 1, 1.0)[0], entry_mm=-1.0)])


def test_drift_goes_from_dense_to_soft_and_is_none_in_even_bone():
    turn = np.arange(24) * 2 * np.pi / 24
    out = np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)
    depths = np.linspace(0.5, 9.5, 19)
    even = drift_from_resistance(depths, out, np.full((19, 24), 0.7), 1.0, 10.0)
    assert np.linalg.norm(even.apex_lps_mm) < 1e-9
    lopsided = np.tile(0.5 + 0.4 * np.cos(turn), (19, 1))  # dense towards +x
    drift = drift_from_resistance(depths, out, lopsided, 1.0, 10.0)
    assert drift.apex_lps_mm[0] == pytest.approx(-0.8, abs=1e-6)
    deep = lopsided.copy()
    deep[depths < 5] = 0.5  # lopsided only in the deep half: it tilts
    assert drift_from_resistance(depths, out, deep, 1.0, 10.0).tilt_deg > 3.0


def test_drift_from_a_volume_with_a_dense_plate_on_one_side():
    x = np.arange(60) * 0.4 - 12.0
    grey = np.where(x > 1.5, 1500, 300)[None, None, :].repeat(60, 0).repeat(60, 1).astype(np.int16)
    affine = np.array([[0, 0, 0.4, -12.0], [0, 0.4, 0, -12.0], [0.4, 0, 0, -20.0], [0, 0, 0, 1]])
    volume = Volume(grey, affine)
    drift = pilot_drift(volume, fixture()["36"], soft_grey=0.0, bone_grey=1500.0)
    assert drift.entry_lps_mm[0] < -0.1
    assert abs(drift.entry_lps_mm[1]) < 0.02
    guide = GuideInputs(guidance=Guidance.PILOT, pilot_drift={"36": drift.spread})
    with_drift = site_budget(fixture()["36"], guide=guide)
    published = site_budget(fixture()["36"], guide=GuideInputs(guidance=Guidance.PILOT))
    assert {s.name for s in with_drift.sources} == {s.name for s in published.sources}
    with pytest.raises(PlannerError, match="not brighter"):
        pilot_drift(volume, fixture()["36"], soft_grey=1500.0, bone_grey=1500.0)
