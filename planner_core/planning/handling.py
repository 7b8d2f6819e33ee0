"""Moves of a fixture: depth, turning about entry or apex, parallel, mirrored, copied. A locked fixture refuses."""

from __future__ import annotations

import numpy as np
from attrs import evolve
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.frames import angle_between_deg, perpendicular, unit
from planner_core.planning.fixture import FixturePose, PlacedFixture

STEP_MM, STEP_DEG = 0.1, 0.5
"""One step of the keys (design)."""

HANDLE_UP_MM = 3.0
"""The handle that turns a fixture about its apex stands this far over the platform, mm (our choice)."""


def _free(fixture: PlacedFixture) -> None:
    if fixture.locked:
        raise PlannerError(f"The fixture {fixture.site} is locked.", "Unlock it first.")


def shift(fixture: PlacedFixture, by_lps_mm: ArrayLike) -> PlacedFixture:
    """Give the fixture moved by a vector in LPS, mm."""
    _free(fixture)
    return evolve(fixture, pose=fixture.pose.shifted(by_lps_mm))


def deepen(fixture: PlacedFixture, by_mm: float) -> PlacedFixture:
    """Give the fixture moved along its axis, + towards the apex, mm."""
    return shift(fixture, by_mm * fixture.pose.axis_lps)


def tilt(fixture: PlacedFixture, about_lps: ArrayLike, angle_deg: float, about_apex: bool = False) -> PlacedFixture:
    """Give the fixture turned about an axis through its entry or its apex."""
    _free(fixture)
    pivot = fixture.apex_lps_mm if about_apex else fixture.pose.platform_lps_mm
    return evolve(fixture, pose=fixture.pose.turned(about_lps, angle_deg, pivot))


def roll(fixture: PlacedFixture, by_deg: float) -> PlacedFixture:
    """Give the fixture turned about its own axis."""
    _free(fixture)
    return evolve(fixture, pose=evolve(fixture.pose, roll_deg=(fixture.pose.roll_deg + by_deg) % 360.0))


def with_axis(fixture: PlacedFixture, axis_lps: ArrayLike, about_apex: bool = False) -> PlacedFixture:
    """Give the fixture turned the shortest way so that its axis points along `axis_lps`."""
    wanted = unit(axis_lps)
    angle = angle_between_deg(fixture.pose.axis_lps, wanted)
    if angle < 1e-9:
        return fixture
    across = np.cross(fixture.pose.axis_lps, wanted)
    if np.linalg.norm(across) < 1e-9:
        across = perpendicular(wanted)
    return tilt(fixture, across, angle, about_apex)


def parallel_to(fixture: PlacedFixture, other: PlacedFixture, about_apex: bool = False) -> PlacedFixture:
    """Give the fixture made parallel to another."""
    return with_axis(fixture, other.pose.axis_lps, about_apex)


def mirrored(
    fixture: PlacedFixture, site: str, plane_point_lps_mm: ArrayLike, plane_normal_lps: ArrayLike
) -> PlacedFixture:
    """Give a fixture for `site` that mirrors another across a plane (the midline plane of the arch)."""
    normal = unit(plane_normal_lps)
    point = np.asarray(plane_point_lps_mm, dtype=np.float64)
    pose = fixture.pose
    platform = pose.platform_lps_mm - 2.0 * float((pose.platform_lps_mm - point) @ normal) * normal
    axis = pose.axis_lps - 2.0 * float(pose.axis_lps @ normal) * normal
    side = pose.side_lps() - 2.0 * float(pose.side_lps() @ normal) * normal
    plain = FixturePose(platform, axis)
    start = plain.side_lps()
    turn = float(np.degrees(np.arctan2(float(np.cross(start, side) @ plain.axis_lps), float(start @ side))))
    return PlacedFixture(site, fixture.shape, evolve(plain, roll_deg=turn))


def copied(fixture: PlacedFixture, site: str, platform_lps_mm: ArrayLike) -> PlacedFixture:
    """Give a fixture of the same shape and axis for another site."""
    return PlacedFixture(site, fixture.shape, evolve(fixture.pose, platform_lps_mm=platform_lps_mm))
