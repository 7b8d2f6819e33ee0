"""What the edits share."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeVar

import numpy as np
from attrs import evolve

from planner_core.anatomy.structures import Jaw
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray
from planner_core.planning.fixture import FixturePose, PlacedFixture

Value = TypeVar("Value")


def check_site(site: str, jaw: Jaw) -> None:
    """Refuse what is no site of a permanent tooth in this jaw."""
    if not re.fullmatch(r"[1-4][1-8]", site):
        raise PlannerError(
            f"{site!r} is not a site for a fixture.", "Use the two-digit numbers 11 to 48 of ISO 3950."
        )
    if (site[0] in "12") != (jaw is Jaw.UPPER):
        raise PlannerError(
            f"Site {site} does not lie in the {jaw.value} jaw of this case.", "Choose a site of this jaw."
        )


def check_pose(site: str, pose: FixturePose) -> None:
    """Refuse a pose whose numbers are not finite."""
    check_points(pose.platform_lps_mm, (3,), f"the pose of fixture {site}")
    check_points(pose.axis_lps, (3,), f"the pose of fixture {site}")


def check_points(points: AnyArray, shape: tuple[int, ...], what: str) -> None:
    """Refuse points that are not finite or not of this shape (-1 = any number)."""
    fits = points.ndim == len(shape) and all(
        want in (-1, have) for want, have in zip(shape, points.shape, strict=False)
    )
    if not fits or not np.isfinite(points).all():
        raise PlannerError(f"A point of {what} is not three finite numbers.", "Set it again.")


def present(values: Mapping[str, Value], key: str, what: str) -> Value:
    """Give a value of a mapping, or say what there is."""
    if key not in values:
        known = ", ".join(values) or "none"
        raise PlannerError(f"There is no {what} {key!r} in this case.", f"There are: {known}.")
    return values[key]


def without(values: Mapping[str, Value], key: str) -> dict[str, Value]:
    """Give a mapping without one of its keys."""
    return {k: v for k, v in values.items() if k != key}


def unlocked(plan: Plan, site: str) -> PlacedFixture:
    """Give a fixture that may be moved."""
    fixture = present(plan.fixtures, site, "fixture at")
    if fixture.locked:
        raise PlannerError(f"Fixture {site} is locked.", "Unlock it first.")
    return fixture


def with_fixture(plan: Plan, fixture: PlacedFixture) -> Plan:
    """Put a changed fixture in the place of the old one."""
    fixtures = {**plan.fixtures, fixture.site: fixture}
    return drawn(evolve(plan, fixtures=fixtures), f"fixture:{fixture.site}")


def drawn(plan: Plan, part: str) -> Plan:
    """Remember which scan a part was drawn on."""
    scan_hash = "" if plan.scan is None else plan.scan.volume.content_hash
    if plan.made_on.get(part) == scan_hash:
        return plan
    return evolve(plan, made_on={**plan.made_on, part: scan_hash})
