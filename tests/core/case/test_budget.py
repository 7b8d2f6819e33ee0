"""From the plan to the budget: bearings, the right match, localisation, scatter, own outcomes, the page."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from planner_core.anatomy.marked import MarkedTooth, ToothState
from planner_core.anatomy.structures import Side
from planner_core.case import derived, edits
from planner_core.case.blockers import blockers_of
from planner_core.case.budget_sheet import budget_page_of
from planner_core.case.plan import AdoptedMatch, SurfaceRole
from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance
from planner_core.planning.carriers import BearingArea
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.eligibility import CarrierTooth, MouthFacts
from planner_core.planning.own_outcomes import OutcomeLine, OwnData
from planner_core.planning.seating import Pin
from planner_core.registration.match import Road
from tests.core.case.sample_plans import full_plan, small_body, small_canal


class Streaked:
    """A scan check that calls some places unreadable."""

    def __init__(self, level, near=None, within_mm=30.0):
        self.level, self.near, self.within = level, near, within_mm

    def level_at(self, points):
        points = np.atleast_2d(points)
        if self.near is None:
            return np.full(len(points), self.level)
        return np.where(np.linalg.norm(points - self.near, axis=1) < self.within, self.level, 0.0)


def with_room(plan):
    """Give a plan whose canals lie clear of the drills."""
    for side in (Side.LEFT, Side.RIGHT):
        plan = edits.set_canal(plan, low_canal(side))
    return plan


def low_canal(side):
    canal = small_canal(side)
    return evolve(canal, path_lps_mm=canal.path_lps_mm - np.array([0.0, 0.0, 5.5]))


def with_teeth(plan, *numbers, **state):
    teeth = tuple(CarrierTooth(n, **state) for n in numbers)
    return edits.set_mouth(plan, evolve(plan.mouth, teeth=(*(plan.mouth.teeth or ()), *teeth)))


def source(plan, name, site="36"):
    return next(s for s in derived.budgets_of(plan)[site].sources if s.name == name)


def test_teeth_named_in_the_plan_carry_and_a_short_span_shows():
    plan = full_plan()
    assert "typical guide assumed" in source(plan, "seating").value_text
    wide = with_teeth(plan, "33", "35", "37", "43", "45", "47")
    short = with_teeth(plan, "31", "32", "41", "42")
    assert "teeth 33, 35, 37, 43, 45, 47" in source(wide, "seating").value_text
    assert not [f for f in derived.budgets_of(wide)["36"].findings if f.code == "contacts-assumed"]
    assert source(short, "seating").apex_rms_mm > 3.0 * source(wide, "seating").apex_rms_mm
    one_side = with_teeth(plan, "43", "45", "46", "47")
    assert source(one_side, "seating").apex_rms_mm > 2.0 * source(wide, "seating").apex_rms_mm


def test_a_free_end_shows_in_depth_and_goes_with_a_tooth_behind_it():
    plan = full_plan()
    ends = derived.guide_inputs_of(with_teeth(plan, "33", "34", "43", "44")).free_end_mm
    assert ends["36"] > 5.0
    between = derived.guide_inputs_of(with_teeth(plan, "33", "34", "37", "38", "43", "44", "47", "48"))
    assert not between.free_end_mm
    bent = derived.budgets_of(with_teeth(plan, "33", "34", "43", "44"))["36"]
    thick = derived.budgets_of(edits.set_wall(with_teeth(plan, "33", "34", "43", "44"), 6.0))["36"]
    assert bent.depth_mean_mm > thick.depth_mean_mm + 0.2


def test_a_tooth_marked_mobile_or_to_be_extracted_never_carries():
    plan = with_teeth(full_plan(), "33", "35", "43", "45")
    ends = ([22.0, 3.0, 6.0], [22.0, 3.0, 12.0], [22.0, 3.0, -10.0])
    tooth = MarkedTooth("35", small_body((22.0, 3.0, 0.0)), [0, 0, -1], *ends, 0.2, 0.4, [[22.0, 3.0, 3.0]])
    sound = edits.mark_tooth(plan, tooth)
    np.testing.assert_allclose(derived.places_of(sound)[Support.TEETH].points_lps_mm[1], [22.0, 3.0, 9.0])
    for state in (ToothState.MOBILE, ToothState.TO_EXTRACT, ToothState.IMPACTED, ToothState.RETAINED_ROOT):
        lost = edits.set_tooth_state(sound, "35", state)
        assert "35" not in derived.places_of(lost)[Support.TEETH].words
        assert len(derived.places_of(lost)[Support.TEETH].points_lps_mm) == 3
    out = edits.set_tooth_state(edits.mark_tooth(plan, evolve(tooth, site="36")), "36", ToothState.TO_EXTRACT)
    assert derived.guide_inputs_of(out).sockets == {"36"}
    assert "in a socket" in source(out, "execution").value_text


def test_mucosa_areas_pins_and_thickness_reach_the_budget():
    plan = edits.set_guide(full_plan(), Support.MUCOSA)
    thin, thick = (
        edits.set_bearing_areas(plan, (BearingArea(Support.MUCOSA, -40.0, 40.0, mm),)) for mm in (1.5, 3.5)
    )
    assert source(thick, "seating").apex_rms_mm > 1.5 * source(thin, "seating").apex_rms_mm
    assert "mucosa at stations" in source(thin, "seating").value_text
    pins = tuple(Pin(p, [0.0, 1.0, 0.0]) for p in ([0.0, -22.0, 4.0], [22.0, 10.0, 4.0], [-22.0, 10.0, 4.0]))
    held = edits.set_pins(thin, pins)
    assert source(held, "movement").apex_rms_mm < source(thin, "movement").apex_rms_mm
    assert source(held, "seating").apex_rms_mm == pytest.approx(source(thin, "seating").apex_rms_mm, rel=0.01)
    # On bone they carry nothing: a stretch of mucosa is none of bone.
    assert Support.BONE not in derived.places_of(thin)


def test_edits_of_what_carries_refuse_nonsense():
    plan = full_plan()
    with pytest.raises(PlannerError, match="carries nothing"):
        edits.set_bearing_areas(plan, (BearingArea(Support.BONE, 3.0, 3.5),))
    with pytest.raises(PlannerError, match="no arch"):
        edits.set_bearing_areas(evolve(plan, arch=None), (BearingArea(Support.BONE, 3.0, 30.0),))
    with pytest.raises(PlannerError, match="wall of 0"):
        edits.set_wall(plan, 0.0)
    with pytest.raises(PlannerError, match="pin"):
        edits.set_pins(plan, (Pin([np.nan, 0.0, 0.0], [0.0, 0.0, 1.0]),))


def test_mucosa_is_never_given_the_match_of_the_teeth():
    plan = full_plan()
    assert derived.match_for(plan, Support.TEETH) is not None
    assert derived.match_for(plan, Support.MUCOSA) is None
    on_mucosa = edits.set_guide(plan, Support.MUCOSA)
    assert "assumed" in source(on_mucosa, "match").value_text
    assert "match-of-another-surface" in {f.code for f in blockers_of(on_mucosa)}
    dual = evolve(plan.match, match=evolve(plan.match.match, road=Road.DUAL_SCAN))
    assert isinstance(dual, AdoptedMatch)
    of_prosthesis = evolve(plan, surfaces={"lower": evolve(plan.surfaces["lower"], role=SurfaceRole.PROSTHESIS)})
    role = {s: derived.match_for(of_prosthesis, s) is not None for s in (Support.TEETH, Support.MUCOSA)}
    assert role == {Support.TEETH: False, Support.MUCOSA: role[Support.MUCOSA]}


def test_the_match_steps_own_covariance_moves_the_budget():
    plan = full_plan()
    worse = evolve(
        plan,
        match=evolve(
            plan.match,
            match=evolve(plan.match.match, covariance=PoseCovariance(np.diag([1e-6] * 3 + [0.25] * 3), (0, 0, 0))),
        ),
    )
    assert source(worse, "match").entry_rms_mm == pytest.approx(np.sqrt(0.75), rel=0.05)
    assert source(plan, "match").entry_rms_mm == pytest.approx(np.sqrt(0.03), rel=0.05)


def test_pairs_set_by_hand_in_streaks_make_the_match_worse_and_measured_ones_do_not(monkeypatch):
    plan = full_plan()
    clear = derived.match_in_use(plan).rms_at([24.0, 5.0, 0.0])
    check = Streaked(0.8)
    monkeypatch.setattr("planner_core.case.derived.matching.known_scan_check", lambda plan: check)
    assert derived.match_in_use(plan).rms_at([24.0, 5.0, 0.0]) > 2.0 * clear
    check.level = 0.2
    other = evolve(plan, pairs=tuple(plan.pairs))
    assert derived.match_in_use(evolve(other, match=evolve(plan.match))) is not None
    measured = [evolve(pair, localisation_mm=0.1) for pair in plan.pairs]
    from planner_core.case.derived.matching import _in_streaks

    found = plan.match.match.covariance
    assert _in_streaks(found, tuple(measured), Streaked(0.8)) is found
    assert _in_streaks(found, plan.pairs, Streaked(0.2)) is found


def test_localisation_of_the_canal_comes_from_the_anatomy_at_that_place_and_from_the_scan_check(monkeypatch):
    plan = with_room(full_plan())

    def harm(of):
        return next(h for h in derived.budgets_of(of)["36"].harms if h.obstacle == "canal, left")

    clear = harm(plan)
    assert clear.localisation_mm == pytest.approx(0.4)
    canal = low_canal(Side.LEFT)
    near = np.argmin(np.linalg.norm(canal.path_lps_mm - np.array([24.0, 5.0, -12.0]), axis=1))
    sigma = np.full(len(canal.path_lps_mm), 0.2)
    sigma[max(0, near - 15) : near + 15] = 0.9
    blurred = harm(edits.set_canal(plan, evolve(canal, sigma_mm=sigma)))
    assert blurred.localisation_mm == pytest.approx(0.9)
    assert blurred.chance > clear.chance
    unseen = harm(edits.set_canal(plan, evolve(canal, certain=np.zeros(len(sigma), bool))))
    assert unseen.localisation_mm == pytest.approx(1.0)
    monkeypatch.setattr("planner_core.case.derived.budget.known_scan_check", lambda plan: Streaked(0.6))
    streaked = harm(evolve(plan))
    assert streaked.localisation_mm == pytest.approx(np.hypot(0.4, 0.6))
    assert streaked.chance > clear.chance
    # What moves the drill does not contain how well the canal is seen.
    assert derived.budgets_of(evolve(plan))["36"].apex.p95_mm == pytest.approx(
        derived.budgets_of(plan)["36"].apex.p95_mm
    )


def outcomes(entry=0.3, apex=0.4, angle=1.0):
    lines = tuple(
        OutcomeLine(k, f"G{k}", "36", 10.0, entry, apex, angle, Support.TEETH, Guidance.FULL) for k in range(2, 32)
    )
    return OwnData("ours.csv", "0" * 64, "2026-01-31", lines)


def test_own_outcomes_change_the_budget_and_are_named_with_their_weight():
    plan = with_room(full_plan())
    own = edits.set_own_data(plan, outcomes())
    assert source(own, "execution").apex_rms_mm < source(plan, "execution").apex_rms_mm
    assert "ours.csv" in source(own, "execution").source_text
    assert "30.0 independent cases" in source(own, "execution").source_text
    assert derived.budgets_of(own)["36"].apex.p95_mm < derived.budgets_of(plan)["36"].apex.p95_mm
    worse = edits.set_own_data(plan, outcomes(2.5, 2.9, 6.0))
    assert derived.budgets_of(worse)["36"].chance_of_harm > derived.budgets_of(plan)["36"].chance_of_harm
    with pytest.raises(PlannerError, match="no outcomes"):
        edits.set_own_data(plan, evolve(outcomes(), lines=()))


def test_the_same_settings_give_the_same_inputs_through_a_drag():
    plan = with_teeth(full_plan(), "33", "34", "43", "44")
    moved = edits.move_fixture(plan, "36", plan.fixtures["36"].pose.shifted([0.01, 0.0, 0.0]))
    assert derived.guide_inputs_of(plan) is derived.guide_inputs_of(moved)


def test_every_option_uses_its_own_bearings_and_refusals():
    plan = edits.set_mouth(full_plan(), MouthFacts(teeth=(CarrierTooth("33"), CarrierTooth("43", mobile=True))))
    plan = edits.set_bearing_areas(plan, (BearingArea(Support.BONE, -30.0, 30.0),))
    choice = derived.choice_of(plan)
    teeth = next(o for o in choice.options if o.support is Support.TEETH)
    assert not teeth.eligible
    assert "tooth 43 is mobile" in teeth.refusals[0].reason
    bone = next(o for o in choice.options if o.support is Support.BONE)
    assert any("bone at stations" in s.value_text for s in bone.sites["36"].sources)
    mucosa = next(o for o in choice.options if o.support is Support.MUCOSA)
    assert any("typical guide assumed" in s.value_text for s in mucosa.sites["36"].sources)


def test_the_page_says_what_was_computed():
    plan = edits.set_own_data(full_plan(), outcomes())
    page = budget_page_of(plan)
    evaluation = derived.evaluation_of(plan)
    assert page.advice == evaluation.choice.reason
    assert [row.site.iso for row in page.sites] == list(plan.fixtures)
    for row in page.sites:
        budget = derived.budgets_of(plan)[row.site.iso]
        assert sum(share for _, share in row.shares) == pytest.approx(1.0)
        assert row.chance_all == budget.chance_of_harm
        assert row.drawn[1] <= row.drawn[0] <= row.drawn[2]
    assert len(page.guides) == 10
    assert "independent cases" in page.own_data
    assert {f.verdict for f in page.published} <= {"fitted", "missed", "reproduced", "no limits"}
    assert all(mark in ("M", "our choice") for _, _, mark in page.assumed)
    assert budget_page_of(evolve(plan, fixtures={})) is None
