"""Edits of fixtures."""

from __future__ import annotations

from attrs import evolve

from planner_core.anatomy.structures import ArchCurve
from planner_core.case.edits.shared import check_pose, check_site, drawn, present, unlocked, with_fixture, without
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.planning import handling
from planner_core.planning.crowns import average_station_mm
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture


def place_fixture(plan: Plan, site: str, shape: FixtureShape, pose: FixturePose) -> Plan:
    """Place a new fixture at a free site."""
    check_site(site, plan.jaw)
    check_pose(site, pose)
    if site in plan.fixtures:
        raise PlannerError(f"There is a fixture at {site} already.", "Move or change it, or choose another site.")
    fixtures = {**plan.fixtures, site: PlacedFixture(site, shape, pose)}
    return drawn(evolve(plan, fixtures=dict(sorted(fixtures.items()))), f"fixture:{site}")


def move_fixture(plan: Plan, site: str, pose: FixturePose) -> Plan:
    """Move a fixture that is not locked."""
    check_pose(site, pose)
    return with_fixture(plan, evolve(unlocked(plan, site), pose=pose))


def change_shape(plan: Plan, site: str, shape: FixtureShape) -> Plan:
    """Give a fixture that is not locked another shape; the platform stays where it is."""
    return with_fixture(plan, evolve(unlocked(plan, site), shape=shape))


def delete_fixture(plan: Plan, site: str) -> Plan:
    """Take a fixture that is not locked out of the plan, with its sleeve."""
    unlocked(plan, site)
    guide = evolve(plan.guide, sleeves=without(plan.guide.sleeves, site))
    return evolve(
        plan,
        fixtures=without(plan.fixtures, site),
        abutments=without(plan.abutments, site),
        guide=guide,
        made_on=without(plan.made_on, f"fixture:{site}"),
    )


def align_fixture(plan: Plan, site: str, other: str, about_apex: bool = False) -> Plan:
    """Turn a fixture parallel to another, about its entry or its apex."""
    fixture = unlocked(plan, site)
    model = present(plan.fixtures, other, "fixture at")
    return with_fixture(plan, handling.parallel_to(fixture, model, about_apex))


def mirror_fixture(plan: Plan, site: str, to_site: str | None = None) -> Plan:
    """Place a fixture on the other side that mirrors one across the arch's midline, with its abutment."""
    fixture = present(plan.fixtures, site, "fixture at")
    arch = _arch(plan)
    to_site = opposite_site(site) if to_site is None else to_site
    mirrored = handling.mirrored(fixture, to_site, arch.point_at(0.0), arch.tangent_at(0.0))
    return _placed_like(plan, site, to_site, mirrored.pose)


def copy_fixture(plan: Plan, site: str, to_site: str) -> Plan:
    """Place a copy at another site: same shape and abutment, parallel, as far off the arch and as deep as here.

    Under a planned tooth it stands under that tooth, else at the site's average station.
    """
    fixture = present(plan.fixtures, site, "fixture at")
    check_site(to_site, plan.jaw)
    arch = _arch(plan)
    platform = fixture.pose.platform_lps_mm
    here = arch.station_of(platform)
    offset = platform - arch.point_at(here)
    crown = plan.crowns.get(to_site)
    there = average_station_mm(to_site) if crown is None else arch.station_of(crown.cervical_lps_mm)
    place = (
        arch.point_at(there)
        + float(offset @ arch.outward_at(here)) * arch.outward_at(there)
        + float(offset @ arch.up_lps) * arch.up_lps
    )
    return _placed_like(plan, site, to_site, handling.copied(fixture, to_site, place).pose)


def opposite_site(site: str) -> str:
    """Give the site of the same tooth on the other side."""
    return {"1": "2", "2": "1", "3": "4", "4": "3"}[site[0]] + site[1]


def _arch(plan: Plan) -> ArchCurve:
    if plan.arch is None:
        raise PlannerError("There is no arch to mirror or copy along.", "Draw the arch first.")
    return plan.arch


def _placed_like(plan: Plan, site: str, to_site: str, pose: FixturePose) -> Plan:
    plan = place_fixture(plan, to_site, plan.fixtures[site].shape, pose)
    if site in plan.abutments:
        abutments = {**plan.abutments, to_site: plan.abutments[site]}
        plan = evolve(plan, abutments=dict(sorted(abutments.items())))
    return plan


def set_lock(plan: Plan, site: str, locked: bool) -> Plan:
    """Lock a fixture against moving, or free it."""
    fixture = present(plan.fixtures, site, "fixture at")
    return evolve(plan, fixtures={**plan.fixtures, site: evolve(fixture, locked=locked)})
