"""The error budget: sums, sources, harm, and agreement of its two evaluations."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import rotation_about
from planner_core.planning.calibration import (
    PLAUSIBILITY_MM,
    apex_plausible_mm,
    fit_execution,
    fit_guidance,
    mixture,
    published_checks,
    reference_budget,
    reference_fixture,
)
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.drilling import DrillList, DrillStep, Guidance, Sleeve, Support
from planner_core.planning.error_budget import budgets, site_budget
from planner_core.planning.error_sources import play_at_mm, play_half_tilt_rad
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.gathered import gather
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import ledger
from planner_core.planning.monte_carlo import disagreements, monte_carlo
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Tube
from planner_core.planning.published import EXECUTION, GUIDANCE_EXTRA, TAHMASEB_2018, PoseSpread
from planner_core.planning.seating import Pin

SHAPE = generic_catalogue().fixture("generic-parallel-4.0x10")
OWN = DrillList("own", (DrillStep("last", 3.5),), generic=False, tip_overshoot_mm=0.0)
NOTHING = {
    "making_sigma_mm": 0.0, "making_tilt_deg": 0.0, "tooth_contact_sigma_mm": 1e-6, "tooth_proud_mm": 0.0,
    "load_axial_n": 0.0, "load_lateral_n": 0.0, "depth_stop_sigma_mm": 0.0, "debris_mm": 0.0, "blunder_share": 0.0,
    "operator_spread": 0.0,
}  # fmt: skip


def placed(site="36", place=(0.0, 0.0, 0.0), axis=(0.0, 0.0, -1.0)):
    return PlacedFixture(site, SHAPE, FixturePose(place, axis))


def floor(distance, sigma=0.0):
    """Give a wide, flat obstacle that far below a 10 mm fixture drilled without overshoot."""
    return Obstacle(ObstacleKind.DRAWN, "flat", Tube([[0.0, 0.0, -10.0 - distance - 400.0]], 400.0), sigma)


def canal(distance, sigma=0.0):
    """Give a canal whose wall lies that far below a 10 mm fixture drilled without overshoot."""
    z = -10.0 - distance - 1.5
    return Obstacle(ObstacleKind.CANAL, "canal, left", Tube([[-20, 0, z], [20, 0, z]], 1.5), sigma)


def test_play_of_the_worked_example():
    """Sleeve 5.0, clearance 0.10, gap 4.0, fixture 11.0: drill depth 20.0, play 0.350 mm at the apex (C)."""
    sleeve = Sleeve("worked example", 5.0, 6.0, 5.0, 4.0, 0.10)
    assert sleeve.drill_depth_mm(11.0) == pytest.approx(20.0)
    assert play_at_mm(sleeve, 11.0) == pytest.approx(0.350, abs=1e-6)
    assert np.degrees(play_half_tilt_rad(sleeve)) == pytest.approx(1.146, abs=5e-4)
    assert play_at_mm(sleeve, 0.0) == pytest.approx(0.130, abs=1e-6)


def test_play_of_the_published_maximum():
    """FACTS.md section 0 row 6: 0.41 over 4 mm gives 5.852 degrees; 17 mm below the upper lip 1.537 mm."""
    sleeve = Sleeve("published", 5.0, 6.0, 4.0, 13.0, 0.41)
    assert np.degrees(play_half_tilt_rad(sleeve)) == pytest.approx(5.852, abs=1e-3)
    assert play_at_mm(sleeve, 0.0) == pytest.approx(1.537, abs=1e-3)


@pytest.mark.parametrize(
    ("clearance", "angle", "at_9", "at_20"), [(0.05, 0.573, 0.065, 0.175), (0.2, 2.291, 0.26, 0.7)]
)
def test_play_unit_values(clearance, angle, at_9, at_20):
    """FACTS.md section 10 (C): sleeve 5, depths below the top lip."""
    sleeve = Sleeve("unit", 5.0, 6.0, 5.0, 4.0, clearance)
    assert np.degrees(play_half_tilt_rad(sleeve)) == pytest.approx(angle, abs=1e-3)
    assert play_at_mm(sleeve, 0.0) == pytest.approx(at_9, abs=1e-3)
    assert play_at_mm(sleeve, 11.0) == pytest.approx(at_20, abs=1e-3)


def test_shares_add_up_and_the_sum_is_the_sum_of_the_parts():
    budget = site_budget(placed(), guide=GuideInputs())
    assert sum(s.share for s in budget.sources) == pytest.approx(1.0)
    member = gather({"36": placed()}, GuideInputs(), None)["36"]
    np.testing.assert_allclose(member.covariances.sum(axis=0), budget.displacement.covariance)
    at_apex = budget.displacement.covariance_at(placed().apex_lps_mm)
    np.testing.assert_allclose(at_apex, budget.apex.covariance_mm2, atol=1e-12)


def test_match_alone_is_the_match_at_the_site():
    """With every other source off, the budget is the covariance that it was given."""
    match = PoseCovariance(np.diag([1e-4, 2e-4, 3e-4, 0.01, 0.02, 0.03]), [30.0, -10.0, 5.0])
    guide = GuideInputs(values=NOTHING, execution=PoseSpread(0.0, 0.0), sleeves={
        "36": Sleeve("tight", 5.0, 6.0, 5.0, 4.0, 0.0)})  # fmt: skip
    budget = site_budget(placed(), guide=guide, match=match)
    np.testing.assert_allclose(budget.entry.covariance_mm2, match.covariance_at([0, 0, 0]), atol=1e-9)
    np.testing.assert_allclose(budget.apex.covariance_mm2, match.covariance_at([0, 0, -10]), atol=1e-9)


@pytest.mark.parametrize(("leeway", "percent"), [(3.0, 0.03), (2.0, 1.1), (1.0, 12.7)])
def test_chance_of_harm_in_closed_form(leeway, percent):
    guide = GuideInputs(drills=OWN, values=NOTHING, execution=PoseSpread(0.877, 0.0), sleeves={
        "36": Sleeve("tight", 5.0, 6.0, 5.0, 4.0, 0.0)})  # fmt: skip
    zero = PoseCovariance.zero()
    rows = ledger({"36": placed()}, [floor(leeway)], drills=OWN).rows
    budget = site_budget(placed(), guide=guide, match=zero, rows=rows)
    (harm,) = budget.harms
    assert harm.sigma_mm == pytest.approx(0.877, abs=1e-3)
    assert harm.leeway_mm == pytest.approx(leeway, abs=0.002)
    assert 100 * harm.chance == pytest.approx(percent, abs=0.06)
    assert harm.decisive


def test_a_canal_under_the_drill_is_passed_beside():
    """The first order knows how wide the two meet: near the drawn chance, where a wall would be far above."""
    fixtures = {"36": placed()}
    for leeway in (0.5, 1.0, 1.5):
        obstacles = [canal(leeway, 0.3)]
        rows = ledger(fixtures, obstacles, drills=OWN).rows
        guide = GuideInputs(drills=OWN)
        first = budgets(fixtures, guide=guide, rows=rows)["36"].harms[0]
        drawn = monte_carlo(fixtures, obstacles, guide=guide, rows=rows).sites["36"].chance_of_harm
        flat = ledger(fixtures, [floor(leeway, 0.3)], drills=OWN).rows
        wall = budgets(fixtures, guide=guide, rows=flat)["36"].harms[0]
        assert first.chance < wall.chance
        assert 0.9 * drawn.low <= first.chance <= 1.35 * drawn.high


def test_obstacle_localisation_adds_to_harm_but_not_to_the_drill():
    guide = GuideInputs(drills=OWN)
    sharp, blurred = (
        site_budget(placed(), guide=guide, rows=ledger({"36": placed()}, [canal(2.0, s)], drills=OWN).rows)
        for s in (0.0, 0.6)
    )
    assert blurred.apex.p95_mm == sharp.apex.p95_mm
    assert blurred.harms[0].sigma_mm == pytest.approx(np.hypot(sharp.harms[0].sigma_mm, 0.6))
    assert blurred.harms[0].chance > sharp.harms[0].chance

    class Streaked:
        def level_at(self, points):
            return np.ones(len(points))

    rows = ledger({"36": placed()}, [canal(2.0)], drills=OWN).rows
    worse = site_budget(placed(), guide=guide, rows=rows, degradation=Streaked())
    assert worse.harms[0].localisation_mm == pytest.approx(1.0)


def test_bias_counts_towards_and_away_from_an_obstacle():
    rows = ledger({"36": placed()}, [canal(2.0)], drills=OWN).rows
    shallow, level = (
        site_budget(placed(), guide=GuideInputs(drills=OWN).changed(debris_mm=d), rows=rows) for d in (0.4, 0.0)
    )
    assert shallow.depth_mean_mm < level.depth_mean_mm
    assert shallow.harms[0].chance < level.harms[0].chance
    sunk = GuideInputs(support=Support.MUCOSA, drills=OWN).changed(mucosa_sinks_mm=0.6, debris_mm=0.0)
    deeper = site_budget(placed(), guide=sunk, rows=rows)
    plain = site_budget(placed(), guide=sunk.changed(mucosa_sinks_mm=0.0), rows=rows)
    assert deeper.depth_mean_mm - plain.depth_mean_mm == pytest.approx(0.6)
    assert deeper.harms[0].chance > plain.harms[0].chance


def test_pins_leave_seating_unchanged_and_lessen_movement():
    pins = (Pin([25.0, 0, 6], [1, 0, 0]), Pin([-15.0, 20, 6], [0, 1, 0]), Pin([-15.0, -20, 6], [0, 1, 0]))
    guide = GuideInputs(support=Support.MUCOSA)
    free = {s.name: s for s in site_budget(placed(), guide=guide).sources}
    held = {s.name: s for s in site_budget(placed(), guide=evolve(guide, pins=pins)).sources}
    assert held["seating"].apex_rms_mm == pytest.approx(free["seating"].apex_rms_mm, rel=0.01)
    assert held["movement"].apex_rms_mm < 0.7 * free["movement"].apex_rms_mm


def test_free_end_bends_deeper():
    guide = GuideInputs(free_end_mm={"36": 15.0}, wall_mm=3.0)
    bent, firm = site_budget(placed(), guide=guide), site_budget(placed(), guide=GuideInputs())
    assert bent.depth_mean_mm - firm.depth_mean_mm == pytest.approx(0.5, abs=0.01)
    assert bent.apex.p95_mm > firm.apex.p95_mm


def test_which_sources_apply():
    def names(**kw):
        return [s.name for s in site_budget(placed(), guide=GuideInputs(**kw)).sources]

    assert names() == ["match", "seating", "making", "movement", "play", "depth", "execution"]
    assert "match" not in names(support=Support.BONE)
    assert names(support=Support.NONE) == ["depth", "guidance", "execution"]
    assert "guidance" in names(guidance=Guidance.PILOT)


def test_rigid_motion_turns_the_budget_along():
    turn = rotation_about([0.3, -1.0, 0.6], 0.7)
    match = PoseCovariance(np.diag([1e-4, 2e-4, 3e-4, 0.01, 0.02, 0.03]), [30.0, -10.0, 5.0])
    six = np.zeros((6, 6))
    six[:3, :3] = six[3:, 3:] = turn
    moved_match = PoseCovariance(six @ match.covariance @ six.T, turn @ match.about_lps_mm)
    here = site_budget(placed(), guide=GuideInputs(), match=match)
    there = site_budget(placed(axis=turn @ [0, 0, -1.0]), guide=GuideInputs(), match=moved_match)
    assert there.apex.p95_mm == pytest.approx(here.apex.p95_mm, rel=1e-6)
    assert there.angle_mean_deg == pytest.approx(here.angle_mean_deg, rel=1e-6)


def test_envelope_widens_towards_the_tip_and_reaches_it():
    budget = site_budget(placed(), guide=GuideInputs())
    depths, radius = budget.envelope.depths_mm, budget.envelope.radius_p95_mm
    assert depths[0] == 0.0
    assert depths[-1] == pytest.approx(12.0)  # ten and the unknown overshoot
    assert radius[0] == pytest.approx(budget.entry.p95_mm)
    assert np.all(np.diff(radius[3:]) > 0)


def test_execution_is_what_tahmaseb_leaves():
    """The stored term is the fitted one, and with it the mixture falls inside the published confidence limits."""
    fitted, left = fit_execution()
    assert left
    assert fitted.shift_sigma_mm == pytest.approx(EXECUTION.shift_sigma_mm, abs=0.005)
    assert fitted.tilt_sigma_deg == pytest.approx(EXECUTION.tilt_sigma_deg, abs=0.005)
    means = mixture(Guidance.FULL)
    assert TAHMASEB_2018.entry_limits_mm[0] < means.entry_mm < TAHMASEB_2018.entry_limits_mm[1]
    assert TAHMASEB_2018.apex_limits_mm[0] < means.apex_mm < TAHMASEB_2018.apex_limits_mm[1]
    assert TAHMASEB_2018.angle_limits_deg[0] < means.angle_deg < TAHMASEB_2018.angle_limits_deg[1]


@pytest.mark.parametrize("guidance", [Guidance.DRILLS, Guidance.PILOT, Guidance.FREE_HAND])
def test_guidance_terms_are_the_fitted_ones(guidance):
    fitted = fit_guidance(guidance)
    assert fitted.shift_sigma_mm == pytest.approx(GUIDANCE_EXTRA[guidance].shift_sigma_mm, abs=0.01)
    assert fitted.tilt_sigma_deg == pytest.approx(GUIDANCE_EXTRA[guidance].tilt_sigma_deg, abs=0.01)


def test_terms_too_large_for_the_series_leave_nothing_and_say_so():
    fitted, left = fit_execution(values={"making_sigma_mm": 1.5})
    assert not left
    assert fitted.shift_sigma_mm == pytest.approx(0.0, abs=1e-3)


def test_order_by_support_and_by_guidance():
    """Ozan 2009 and Raico Gallardo 2017: teeth < mucosa <= bone; the less guided, the worse."""
    teeth, mucosa, bone = (
        reference_budget(s, Guidance.FULL) for s in (Support.TEETH, Support.MUCOSA, Support.BONE)
    )
    assert teeth.angle_mean_deg < mucosa.angle_mean_deg <= bone.angle_mean_deg
    assert teeth.apex.mean_abs_mm < mucosa.apex.mean_abs_mm <= bone.apex.mean_abs_mm
    angles = [mixture(g).angle_deg for g in (Guidance.FULL, Guidance.DRILLS, Guidance.PILOT, Guidance.FREE_HAND)]
    assert angles == sorted(angles)


def test_plausibility_of_entry_apex_and_angle():
    for support in (Support.TEETH, Support.MUCOSA, Support.BONE):
        assert abs(apex_plausible_mm(reference_budget(support, Guidance.FULL), 11.0)) < PLAUSIBILITY_MM


def test_checks_are_listed_fitted_apart_from_unfitted():
    checks = published_checks()
    assert {c.series for c in checks if c.fitted} == {
        "Tahmaseb 2018", "Tattan 2020, free hand minus fully guided", "Tattan 2020, partially minus fully guided",
        "Gargallo-Albiol 2020, half guided minus fully guided",
    }  # fmt: skip
    assert all(c.reproduced for c in checks if c.fitted and c.reproduced is not None)
    assert any(c.reproduced is False for c in checks if c.series == "Zhou 2018")  # missed, and listed as missed


def test_blunders_make_the_published_maxima():
    """Tahmaseb 2014: the largest entry error of 1,530 was 4.5 mm, the largest apex error of 1,465 was 7.1 mm."""
    fixture = {"36": reference_fixture()}
    guide = GuideInputs(values={"blunder_share": 0.0})
    entry = [np.linalg.norm(_draw(fixture, GuideInputs(), s)[0], axis=1).max() for s in range(40)]
    apex = [np.linalg.norm(_draw(fixture, GuideInputs(), s)[1], axis=1).max() for s in range(40)]
    plain = [np.linalg.norm(_draw(fixture, guide, s)[0], axis=1).max() for s in range(40)]
    assert np.quantile(entry, 0.05) < 4.5 < np.quantile(entry, 0.95)
    assert np.quantile(apex, 0.05) < 7.1 < np.quantile(apex, 0.95)
    assert np.median(plain) < 3.5


def _draw(fixture, guide, seed):
    from planner_core.planning.monte_carlo import common_draws, draw_site

    gathered = gather(fixture, guide, None)
    rng = np.random.default_rng(seed)
    found = draw_site(gathered["36"], guide, common_draws(gathered, guide, 1500, rng), [], rng)
    return found.entry_mm, found.apex_mm


def test_two_evaluations_agree_and_repeat():
    fixtures = {"36": placed(), "37": placed("37", (9.0, 0.0, 0.0), (0.1, 0.0, -1.0))}
    obstacles = [canal(2.0, 0.4)]
    guide = GuideInputs(drills=OWN, support=Support.MUCOSA)
    rows = ledger(fixtures, obstacles, drills=OWN).rows
    first = budgets(fixtures, guide=guide, rows=rows)
    drawn = monte_carlo(fixtures, obstacles, guide=guide, rows=rows)
    again = monte_carlo(fixtures, obstacles, guide=guide, rows=rows)
    assert drawn.case_chance == again.case_chance
    assert drawn.sites["36"] == again.sites["36"]
    assert not [f for f in disagreements(first, drawn) if f.severity == "warning"]
    for site, budget in first.items():
        other = drawn.sites[site]
        assert budget.entry.mean_abs_mm == pytest.approx(other.entry_mean_mm, rel=0.05)
        assert budget.apex.p95_mm == pytest.approx(other.apex_p95_mm, rel=0.05)
        assert budget.angle_p95_deg == pytest.approx(other.angle_p95_deg, rel=0.05)
        assert budget.depth_p95_mm == pytest.approx(other.depth_p95_mm, rel=0.05)


def test_drawn_chance_against_a_flat_obstacle_is_the_closed_form():
    """A wide, flat obstacle below: the drawn chance is the one-sided normal one."""
    guide = GuideInputs(drills=OWN, values=NOTHING, execution=PoseSpread(0.877, 0.0), sleeves={
        "36": Sleeve("tight", 5.0, 6.0, 5.0, 4.0, 0.0)})  # fmt: skip
    ball = floor(1.0)
    rows = ledger({"36": placed()}, [ball], drills=OWN).rows
    drawn = monte_carlo({"36": placed()}, [ball], guide=guide, match=PoseCovariance.zero(), rows=rows)
    chance = drawn.sites["36"].chance_of_harm
    assert chance.low < 0.127 < chance.high


def test_common_errors_are_drawn_once_for_the_whole_guide():
    """With only seating wrong, two sites fail together; with only execution wrong, they fail apart."""
    fixtures = {"36": placed(), "37": placed("37", (0.5, 0.0, 0.0))}
    obstacles = [canal(1.5)]
    rows = ledger(fixtures, obstacles, drills=OWN).rows
    tight = Sleeve("tight", 5.0, 6.0, 5.0, 4.0, 0.0)
    base = {**NOTHING, "tooth_contact_sigma_mm": 1.8}
    together = GuideInputs(
        drills=OWN, values=base, execution=PoseSpread(0.0, 0.0), sleeves=dict.fromkeys(fixtures, tight)
    )
    apart = evolve(together, values=NOTHING, execution=PoseSpread(0.9, 0.0))
    zero = PoseCovariance.zero()
    for guide, least, most in ((together, 1.0, 1.15), (apart, 1.75, 2.0)):
        drawn = monte_carlo(fixtures, obstacles, guide=guide, match=zero, rows=rows)
        one = max(s.chance_of_harm.value for s in drawn.sites.values())
        assert least <= drawn.case_chance.value / one <= most


def test_unknown_numbers_are_refused():
    with pytest.raises(PlannerError, match="no number called"):
        GuideInputs(values={"luck": 1.0})


def test_findings_say_what_was_assumed():
    rows = ledger({"36": placed()}, [canal(2.0)]).rows
    codes = {f.code for f in site_budget(placed(), guide=GuideInputs(), rows=rows).findings}
    assert codes == {"match-assumed", "contacts-assumed", "tip-unknown"}
    assert not budgets({}, guide=GuideInputs())
