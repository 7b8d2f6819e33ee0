"""Distances of solids of revolution against closed forms, and their symmetry and invariance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner_core.errors import PlannerError
from planner_core.geometry.frames import rotation_about, unit
from planner_core.planning.ledger import between_solids
from planner_core.planning.solids import convex_profile, solid_point, solid_tube

CYLINDER = convex_profile([[0.0, 2.0], [10.0, 2.0]])
CONE = convex_profile([[0.0, 3.0], [9.0, 0.0]])
ORIGIN, DOWN = np.zeros(3), np.array([0.0, 0.0, 1.0])

directions = st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda v: np.linalg.norm(v) > 0.1).map(unit)
places = st.tuples(*[st.floats(-12.0, 12.0)] * 3).map(np.array)


def point(profile, where, origin=ORIGIN, axis=DOWN):
    return solid_point(profile, origin, axis, np.array(where, dtype=float), np.empty(3))


def tube(profile, path, radius, origin=ORIGIN, axis=DOWN):
    a, b = np.empty(3), np.empty(3)
    value = solid_tube(profile, origin, axis, np.array(path, float), np.array(radius, float), a, b, np.empty(2))
    return value, a, b


@pytest.mark.parametrize(
    ("where", "expected"),
    [
        ((5.0, 0.0, 5.0), 3.0),
        ((0.0, 0.0, -4.0), 4.0),
        ((0.0, 0.0, 13.0), 3.0),
        ((5.0, 0.0, 14.0), 5.0),  # 3-4-5 to the rim
        ((0.5, 0.0, 5.0), -1.5),
        ((0.0, 0.0, 9.0), -1.0),
        ((2.0, 0.0, 5.0), 0.0),
    ],
)
def test_point_to_cylinder(where, expected):
    assert point(CYLINDER, where) == pytest.approx(expected, abs=1e-9)


def test_point_to_cone():
    # The side makes the angle atan(3 / 9) with the axis; half-way up the axis one is 4.5 sin(angle) deep.
    half_angle = np.arctan(3.0 / 9.0)
    assert point(CONE, (0.0, 0.0, 4.5)) == pytest.approx(-4.5 * np.sin(half_angle), abs=1e-9)
    outside = np.array([1.5, 0.0, 4.5]) + 2.0 * np.array([np.cos(half_angle), 0.0, np.sin(half_angle)])
    assert point(CONE, outside) == pytest.approx(2.0, abs=1e-9)
    assert point(CONE, (0.0, 0.0, 11.0)) == pytest.approx(2.0, abs=1e-9)


@pytest.mark.parametrize(
    ("path", "radius", "expected"),
    [
        ([[-20, 0, 14], [20, 0, 14]], [1.5, 1.5], 2.5),  # a line below the end
        ([[6, -20, 5], [6, 20, 5]], [1.0, 1.0], 3.0),  # a capsule beside
        ([[0, 0, 20]], [4.0], 6.0),  # a ball below
        ([[5, 0, 5]], [1.0], 2.0),  # a ball beside
        ([[1.0, -20, 5], [1.0, 20, 5]], [0.5, 0.5], -1.5),  # a capsule through: one millimetre out, half a radius
    ],
)
def test_tube_to_cylinder(path, radius, expected):
    assert tube(CYLINDER, path, radius)[0] == pytest.approx(expected, abs=0.01)


def test_tube_that_widens_is_measured_to_its_wall():
    """A tube from radius 1 to 3 over 20 mm is a cone whose wall leans by asin(2 / 20)."""
    value, on_solid, on_tube = tube(CYLINDER, [[8.0, 0.0, -5.0], [8.0, 0.0, 15.0]], [1.0, 3.0])
    depths = np.linspace(0.0, 1.0, 200_001)
    centres = np.stack([np.full_like(depths, 8.0), 0 * depths, -5.0 + 20.0 * depths], axis=1)
    inside = (centres[:, 2] >= 0) & (centres[:, 2] <= 10)
    sideways = np.where(inside, 6.0, np.hypot(6.0, np.maximum(-centres[:, 2], centres[:, 2] - 10.0)))
    brute = float(np.min(sideways - (1.0 + 2.0 * depths)))
    assert value == pytest.approx(brute, abs=0.001)
    assert np.linalg.norm(on_solid - on_tube) == pytest.approx(value, abs=0.002)


@pytest.mark.parametrize(
    ("origin", "axis", "expected"),
    [
        ((7.0, 0.0, 0.0), (0, 0, 1), 3.0),  # side by side
        ((0.0, 0.0, 14.0), (0, 0, 1), 4.0),  # end to end
        ((0.0, 9.0, -5.0), (1, 0, 0), None),  # crossed
        ((3.0, 0.0, 0.0), (0, 0, 1), -1.0),  # overlapping sideways
        ((0.0, 0.0, 9.5), (0, 0, 1), -0.5),  # overlapping end to end
    ],
)
def test_two_cylinders(origin, axis, expected):
    if axis == (1, 0, 0):
        # Seen along x: a disc of radius 2 at (y 9, z -5) and the edge of the other's end at (y 2, z 0).
        expected = np.hypot(7.0, 5.0) - 2.0
    value = between_solids(CYLINDER, (ORIGIN, DOWN), CYLINDER, (np.array(origin), np.array(axis, float))).mm
    assert value == pytest.approx(expected, abs=0.01)


@given(places, directions, places, directions)
def test_two_solids_are_symmetric_and_unmoved_by_rigid_motion(place_a, axis_a, place_b, axis_b):
    a, b = (place_a, axis_a), (place_b, axis_b)
    there = between_solids(CYLINDER, a, CONE, b).mm
    back = between_solids(CONE, b, CYLINDER, a).mm
    assert there == pytest.approx(back, abs=0.01)
    turn = rotation_about([1.0, 2.0, -0.5], 1.1)
    shift = np.array([30.0, -12.0, 7.0])
    moved = between_solids(
        CYLINDER, (turn @ place_a + shift, turn @ axis_a), CONE, (turn @ place_b + shift, turn @ axis_b)
    )
    assert moved.mm == pytest.approx(there, abs=0.01)


@given(places, directions, places, directions)
def test_two_solids_agree_with_dense_points(place_a, axis_a, place_b, axis_b):
    """The nearest of many points over one solid lies no nearer, and hardly further, than stated."""
    found = between_solids(CYLINDER, (place_a, axis_a), CONE, (place_b, axis_b))
    if found.mm <= 0.0:
        # What separates both is at least as far as the middle of one lies in the other.
        middle = place_b + 3.0 * axis_b
        assert found.mm <= point(CYLINDER, middle, place_a, axis_a) + 1e-6
        return
    side = unit(np.cross(axis_b, [0.3, -0.7, 0.64]))
    other = np.cross(axis_b, side)
    depth, turn = np.meshgrid(np.linspace(0, 9, 60), np.linspace(0, 2 * np.pi, 90), indexing="ij")
    radius = 3.0 * (1.0 - depth / 9.0)
    shell = (
        place_b
        + depth[..., None] * axis_b
        + radius[..., None] * (np.cos(turn)[..., None] * side + np.sin(turn)[..., None] * other)
    ).reshape(-1, 3)
    radii, angles = np.meshgrid(np.linspace(0, 3, 30), np.linspace(0, 2 * np.pi, 90), indexing="ij")
    cap = place_b + radii[..., None] * (np.cos(angles)[..., None] * side + np.sin(angles)[..., None] * other)
    points = np.vstack([shell, cap.reshape(-1, 3)])
    nearest = min(point(CYLINDER, p, place_a, axis_a) for p in points)
    assert found.mm <= nearest + 1e-6
    assert nearest - found.mm < 0.15


@given(places, directions, places)
def test_point_is_unmoved_by_rigid_motion(origin, axis, where):
    turn = rotation_about([0.2, -1.0, 0.4], -0.8)
    assert point(CONE, where, origin, axis) == pytest.approx(
        point(CONE, turn @ where, turn @ origin, turn @ axis), abs=1e-9
    )


@pytest.mark.parametrize("axes", [((0.5, 1, 0.25), (0.5, 1, 0)), ((1, 1, 0.5), (0.5, 1, 0))])
def test_deep_overlap_against_many_directions(axes):
    """The way out of a deep overlap, found along sharp ridges, against plain enumeration of directions."""
    a, b = (np.zeros(3), unit(axes[0])), (np.zeros(3), unit(axes[1]))
    normals = np.random.default_rng(0).normal(size=(300_000, 3))
    normals /= np.linalg.norm(normals, axis=1)[:, None]

    def height(profile, axis, n):
        along = n @ axis
        return np.max(
            profile[:, 0] * along[:, None] + profile[:, 1] * np.sqrt(np.clip(1 - along**2, 0, None))[:, None],
            axis=1,
        )

    best = (-height(CYLINDER, a[1], normals) - height(CONE, b[1], -normals)).max()
    for found in (between_solids(CYLINDER, a, CONE, b).mm, between_solids(CONE, b, CYLINDER, a).mm):
        assert best - 1e-6 <= found < best + 0.01


def test_profile_keeps_its_hull():
    waisted = convex_profile([[0, 2], [3, 1.5], [6, 2.2], [10, 1]])
    assert waisted[:, 0].tolist() == [0, 6, 10]
    cut = convex_profile([[0, 2], [10, 1]], to_mm=4.0)
    assert cut[-1].tolist() == [4.0, pytest.approx(1.6)]
    with pytest.raises(PlannerError, match="nothing between"):
        convex_profile([[0, 2], [10, 1]], from_mm=11.0)
