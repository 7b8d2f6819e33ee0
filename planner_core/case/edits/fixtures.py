"""Edits of fixtures."""

from __future__ import annotations

from attrs import evolve

from planner_core.case.edits.shared import check_pose, check_site, drawn, present, unlocked, with_fixture, without
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
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
        guide=guide,
        made_on=without(plan.made_on, f"fixture:{site}"),
    )


def set_lock(plan: Plan, site: str, locked: bool) -> Plan:
    """Lock a fixture against moving, or free it."""
    fixture = present(plan.fixtures, site, "fixture at")
    return evolve(plan, fixtures={**plan.fixtures, site: evolve(fixture, locked=locked)})
