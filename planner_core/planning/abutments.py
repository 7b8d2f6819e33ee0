"""Abutments on fixtures: which way they turn the axis, their look, and how near they come to a path."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, angle_between_deg, rotation_about, unit
from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import Abutment
from planner_core.planning.fixture import FixturePose, PlacedFixture

POST_MM = 4.0
"""Post drawn over the abutment's shoulder, mm (our choice: for the eye only)."""

SHOULDER_WIDER_MM = 0.5
"""The shoulder is drawn this much wider than the platform, mm (our choice)."""

AROUND = 24


@frozen
class ChosenAbutment:
    """An abutment on a fixture in one of its rotational positions.

    Parameters
    ----------
    position : int
        Number of steps of 360 / `abutment.rotational_positions` degrees from the fixture's own side.
    """

    abutment: Abutment
    position: int = 0

    @property
    def turn_deg(self) -> float:
        """Turn about the fixture's axis from its side, degrees."""
        return 360.0 * self.position / max(1, self.abutment.rotational_positions)


def abutment_axis(pose: FixturePose, chosen: ChosenAbutment) -> FloatArray:
    """Give the unit direction in which the abutment rises, away from the jaw, shape (3,)."""
    up = -pose.axis_lps
    if chosen.abutment.angle_deg == 0.0:
        return np.asarray(up)
    towards = rotation_about(pose.axis_lps, np.radians(chosen.turn_deg)) @ pose.side_lps()
    lean = np.radians(chosen.abutment.angle_deg)
    return unit(np.cos(lean) * up + np.sin(lean) * towards)


def shoulder_lps_mm(fixture: PlacedFixture, chosen: ChosenAbutment) -> FloatArray:
    """Give the middle of the abutment's shoulder, shape (3,)."""
    return fixture.pose.at_depth(-chosen.abutment.height_mm)


def abutment_rings(fixture: PlacedFixture, chosen: ChosenAbutment) -> FloatArray:
    """Give the abutment as rings from the platform to the top of its post, shape (rings, around, 3), LPS mm."""
    pose = fixture.pose
    radius = fixture.shape.platform_diameter_mm / 2.0
    shoulder = shoulder_lps_mm(fixture, chosen)
    axis = abutment_axis(pose, chosen)
    across = np.cross(axis, pose.axis_lps)
    tilt_about = unit(across) if float(np.linalg.norm(across)) > 1e-9 else pose.side_lps()
    lean = rotation_about(tilt_about, np.radians(angle_between_deg(-pose.axis_lps, axis)))
    if float((lean @ -pose.axis_lps) @ axis) < 0.999999:
        lean = lean.T
    turn = np.linspace(0.0, 2.0 * np.pi, AROUND, endpoint=False)
    side = pose.side_lps()
    other = np.cross(pose.axis_lps, side)
    circle = np.cos(turn)[:, None] * side + np.sin(turn)[:, None] * other
    wide, narrow = radius + SHOULDER_WIDER_MM / 2.0, 0.6 * radius
    return np.array(
        [
            pose.platform_lps_mm + 0.8 * radius * circle,
            shoulder + wide * circle @ lean.T,
            shoulder + narrow * circle @ lean.T,
            shoulder + POST_MM * axis + 0.8 * narrow * circle @ lean.T,
        ]
    )


def abutment_surface(fixture: PlacedFixture, chosen: ChosenAbutment) -> Surface:
    """Give the abutment's closed surface in LPS, for drawing."""
    rings = abutment_rings(fixture, chosen)
    levels, around = rings.shape[:2]
    points = np.vstack([rings.reshape(-1, 3), rings[0].mean(axis=0), rings[-1].mean(axis=0)])
    i, j = np.meshgrid(np.arange(levels - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    sides = np.concatenate(
        [np.stack([a, a + around, b], -1).reshape(-1, 3), np.stack([b, a + around, b + around], -1).reshape(-1, 3)]
    )
    k = np.arange(around)
    after = (k + 1) % around
    floor = np.stack([k, after, np.full(around, levels * around)], -1)
    top = (levels - 1) * around
    roof = np.stack([top + after, top + k, np.full(around, levels * around + 1)], -1)
    return Surface(points, np.concatenate([sides, floor, roof]))


@frozen
class Correction:
    """The abutment chosen for a fixture and what angle remains between it and the common path."""

    site: str
    divergence_deg: float
    chosen: ChosenAbutment
    residual_deg: float

    @property
    def abutment(self) -> Abutment:
        """The abutment itself."""
        return self.chosen.abutment


def residual_deg(fixture: PlacedFixture, chosen: ChosenAbutment | None, path_lps: ArrayLike) -> float:
    """Give the angle between the abutment (or the bare fixture) and a path that points towards the jaw, degrees."""
    up = -unit(path_lps)
    rising = -fixture.pose.axis_lps if chosen is None else abutment_axis(fixture.pose, chosen)
    return angle_between_deg(rising, up)


def best_position(fixture: PlacedFixture, abutment: Abutment, path_lps: ArrayLike) -> ChosenAbutment:
    """Give an abutment in the rotational position that comes nearest to a path."""
    count = max(1, abutment.rotational_positions) if abutment.angle_deg > 0.0 else 1
    pose, up = fixture.pose, -unit(path_lps)
    side = pose.side_lps()
    aim = np.degrees(np.arctan2(float(up @ np.cross(pose.axis_lps, side)), float(up @ side)))
    # The nearest position by turn is the nearest by angle: the abutment's axis runs round a cone.
    return ChosenAbutment(abutment, round(aim * count / 360.0) % count)


def correct(
    fixtures: Mapping[str, PlacedFixture], path_lps: ArrayLike, abutments: Sequence[Abutment]
) -> tuple[Correction, ...]:
    """Give for each fixture the abutment and position that bring it nearest to a common path of insertion.

    Parameters
    ----------
    path_lps : array of shape (3,)
        Direction in which the framework is seated (towards the jaw).

    Raises
    ------
    PlannerError
        If there are no abutments to choose from.
    """
    if not abutments:
        raise PlannerError("There are no abutments to choose from.", "Read a list of abutments.")
    path = unit(path_lps)
    found = []
    for site, fixture in fixtures.items():
        tried = [best_position(fixture, abutment, path) for abutment in abutments]
        best = min(
            tried,
            key=lambda c: (round(residual_deg(fixture, c, path), 6), c.abutment.angle_deg, c.abutment.height_mm),
        )
        divergence = angle_between_deg(fixture.pose.axis_lps, path)
        found.append(Correction(site, divergence, best, residual_deg(fixture, best, path)))
    return tuple(found)
