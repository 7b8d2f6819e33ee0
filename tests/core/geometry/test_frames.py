"""Rigid transforms, pose covariances and curves against closed forms."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance, distance_p95_mm
from planner_core.geometry.frames import (
    RigidTransform,
    angle_between_deg,
    perpendicular,
    rotation_about,
    rotation_angle_deg,
    unit,
)
from planner_core.geometry.polyline import at_lengths, lengths_mm, smooth_through

numbers = st.floats(-50, 50, allow_nan=False)
vectors = st.tuples(numbers, numbers, numbers).map(np.array)
directions = vectors.filter(lambda v: np.linalg.norm(v) > 0.1)


def transforms(source: str = "surface:lower", target: str = "lps"):
    return st.builds(
        lambda axis, angle, shift: RigidTransform.from_parts(rotation_about(axis, angle), shift, source, target),
        directions,
        st.floats(-3, 3),
        vectors,
    )


@given(transforms(), vectors)
def test_there_and_back_is_where_it_was(transform, point):
    assert np.allclose(transform.inverse().apply(transform.apply(point)), point, atol=1e-9)


@given(transforms("a", "b"), transforms("b", "c"), vectors)
def test_composition_applies_the_first_first(first, second, point):
    both = second.after(first)
    assert (both.source, both.target) == ("a", "c")
    assert np.allclose(both.apply(point), second.apply(first.apply(point)), atol=1e-9)


def test_frames_that_do_not_meet_are_refused():
    a = RigidTransform.identity("surface:lower")
    with pytest.raises(PlannerError, match="cannot follow"):
        a.after(a)


@pytest.mark.parametrize(
    "matrix",
    [np.diag([1.0, 1, -1, 1]), np.diag([1.02, 1.02, 1.02, 1]), np.full((4, 4), np.nan), np.eye(3)],
    ids=["mirror", "scale", "nan", "shape"],
)
def test_only_rigid_matrices_pass(matrix):
    with pytest.raises(PlannerError):
        RigidTransform(matrix, "surface:lower")


@given(directions, st.floats(0, 179))
def test_rotation_angle_is_found(axis, angle_deg):
    turned = rotation_about(axis, np.radians(angle_deg))
    assert rotation_angle_deg(np.eye(3), turned) == pytest.approx(angle_deg, abs=1e-6)


def test_small_angles_keep_their_digits():
    assert angle_between_deg([1, 0, 0], [1, 1e-9, 0]) == pytest.approx(np.degrees(1e-9), rel=1e-6)


@given(directions)
def test_perpendicular_is_perpendicular(axis):
    other = perpendicular(axis)
    assert abs(other @ unit(axis)) < 1e-12
    assert np.linalg.norm(other) == pytest.approx(1.0)


def test_a_direction_without_length_is_refused():
    with pytest.raises(PlannerError, match="no length"):
        unit([0, 0, 0])


def random_covariance(rng: np.random.Generator) -> np.ndarray:
    root = rng.normal(size=(6, 6)) * np.array([0.004] * 3 + [0.2] * 3)[:, None]
    return root @ root.T


def test_covariance_at_a_point_agrees_with_drawing_displacements():
    rng = np.random.default_rng(3)
    pose = PoseCovariance(random_covariance(rng), [3, -4, 5], mean=[0.001, 0, 0, 0.1, 0, 0])
    point = np.array([20.0, -30.0, -15.0])
    draws = rng.multivariate_normal(pose.mean, pose.covariance, size=200_000)
    moved = np.cross(draws[:, :3], point - pose.about_lps_mm) + draws[:, 3:]
    assert np.allclose(np.cov(moved.T), pose.covariance_at(point), rtol=0.02, atol=2e-3)
    assert np.allclose(moved.mean(axis=0), pose.mean_at(point), atol=0.01)
    assert pose.rms_at(point) == pytest.approx(np.sqrt((moved**2).sum(axis=1).mean()), rel=0.01)


@given(vectors, vectors)
def test_the_point_it_is_written_about_does_not_matter(about, point):
    pose = PoseCovariance(random_covariance(np.random.default_rng(5)), [1, 2, 3], mean=[0.01, 0, 0.02, 0, 1, 0])
    other = pose.moved_to(about)
    assert np.allclose(other.covariance_at(point), pose.covariance_at(point), atol=1e-7)
    assert np.allclose(other.mean_at(point), pose.mean_at(point), atol=1e-9)


def test_independent_errors_add():
    rng = np.random.default_rng(7)
    a, b = (PoseCovariance(random_covariance(rng), rng.normal(size=3)) for _ in range(2))
    point = np.array([10.0, 20.0, 30.0])
    assert np.allclose(a.plus(b).covariance_at(point), a.covariance_at(point) + b.covariance_at(point))


@pytest.mark.parametrize("bad", [-np.eye(6), np.triu(np.ones((6, 6))), np.full((6, 6), np.inf)])
def test_impossible_covariances_are_refused(bad):
    with pytest.raises(PlannerError):
        PoseCovariance(bad, [0, 0, 0])


def test_p95_of_an_isotropic_error_is_the_maxwell_quantile():
    # ../shared/FACTS.md section 0 (C): p95 / mean of a Maxwell law 1.752, mean / sigma 1.5958.
    assert distance_p95_mm(np.eye(3)) == pytest.approx(1.752 * 1.5958, rel=1e-3)
    # FACTS.md section 0 row 11: mean 1.4 mm, sigma 0.877 per axis: p95 2.45 mm.
    assert distance_p95_mm(np.eye(3) * 0.877**2) == pytest.approx(2.45, abs=0.005)


@pytest.mark.parametrize("sigmas", [(1, 1, 0.1), (1, 0.2, 0.1), (1, 0, 0), (0.3, 0.3, 0.6)])
@pytest.mark.parametrize("mean", [(0, 0, 0), (0.5, 0, -0.3), (0, 0, 2.0)])
def test_p95_agrees_with_drawing(sigmas, mean):
    rng = np.random.default_rng(11)
    draws = rng.normal(size=(400_000, 3)) * sigmas + mean
    drawn = np.quantile(np.linalg.norm(draws, axis=1), 0.95)
    assert distance_p95_mm(np.diag(np.square(sigmas)), mean) == pytest.approx(drawn, rel=0.02)


def test_p95_of_no_error_is_the_bias():
    assert distance_p95_mm(np.zeros((3, 3)), [0, 3, 4]) == pytest.approx(5.0)


def test_lengths_along_a_known_curve():
    quarter = np.stack([np.cos(t := np.linspace(0, np.pi / 2, 2001)), np.sin(t), 0 * t], axis=1) * 20
    assert lengths_mm(quarter)[-1] == pytest.approx(20 * np.pi / 2, rel=1e-6)
    assert np.allclose(at_lengths(quarter, 20 * np.pi / 4)[0], [20 / 2**0.5, 20 / 2**0.5, 0], atol=1e-4)


def test_the_smooth_curve_passes_its_points_and_is_even():
    control = np.array([[-25, 30, 0], [-20, 10, 1], [0, 0, 0], [20, 10, -1], [25, 30, 0]], dtype=float)
    curve = smooth_through(control, 0.25)
    for point in control:
        assert np.linalg.norm(curve - point, axis=1).min() < 0.15
    steps = np.linalg.norm(np.diff(curve, axis=0), axis=1)
    assert steps.max() - steps.min() < 0.01


def test_a_curve_needs_two_places():
    with pytest.raises(PlannerError):
        smooth_through(np.zeros((1, 3)), 0.5)
    with pytest.raises(PlannerError, match="one spot"):
        smooth_through(np.zeros((3, 3)), 0.5)
