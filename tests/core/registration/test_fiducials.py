"""Point matches against published closed forms, the published worked example and an independent Monte Carlo."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from planner_core.errors import PlannerError
from planner_core.registration.fiducials import (
    expected_tre_rms_mm,
    match_points,
    point_covariance,
    rigid_from_points,
    umeyama,
)
from planner_core.registration.match import Match, PointPair
from planner_core.registration.point_error import rms_field_mm
from planner_core.registration.rigid_fit import likeliest_rigid

SHIFT = np.array([5.0, -3.0, 8.0])


def ring(count: int, radius_mm: float) -> np.ndarray:
    angle = 2.0 * np.pi * np.arange(count) / count
    return np.column_stack([radius_mm * np.cos(angle), radius_mm * np.sin(angle), np.zeros(count)])


def spread_set(count: int = 6, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.uniform(-25.0, 25.0, (count, 3)) * [1.0, 1.0, 0.5]


def pairs_of(source: np.ndarray, target: np.ndarray, fle_mm: float = 0.3) -> list[PointPair]:
    return [PointPair(f"M{i + 1}", a, b, fle_mm) for i, (a, b) in enumerate(zip(source, target, strict=True))]


def fitzpatrick_rms_mm(fiducials: np.ndarray, target: np.ndarray, fle_mm: float) -> float:
    """Equation 46 of Fitzpatrick, West, Maurer 1998 as printed: distances to the principal axes."""
    centred = fiducials - fiducials.mean(axis=0)
    _, _, axes = np.linalg.svd(centred)
    offset = target - fiducials.mean(axis=0)
    total = 0.0
    for axis in axes:
        d2 = float(np.sum(np.cross(offset, axis) ** 2))
        f2 = float(np.mean(np.sum(np.cross(centred, axis) ** 2, axis=1)))
        total += d2 / f2
    return fle_mm * float(np.sqrt((1.0 + total / 3.0) / len(fiducials)))


def brute_rms_mm(fiducials: np.ndarray, targets: np.ndarray, fle_mm: np.ndarray, runs: int = 20000) -> np.ndarray:
    """Independent Monte Carlo: scipy's own weighted rotation fit, no code of ours."""
    rng = np.random.default_rng(20)
    weights = 1.0 / fle_mm**2
    weights = weights / weights.sum()
    squares = np.zeros(len(targets))
    centre = weights @ fiducials
    for _ in range(runs):
        seen = fiducials + rng.normal(size=fiducials.shape) * (fle_mm / np.sqrt(3.0))[:, None]
        seen_centre = weights @ seen
        turn, _ = Rotation.align_vectors(seen - seen_centre, fiducials - centre, weights=weights)
        squares += np.sum((turn.apply(targets - centre) + seen_centre - targets) ** 2, axis=1)
    return np.sqrt(squares / runs)


# --- FACTS section 0 rows 1 to 5, section 4 -------------------------------------------------------------------


@pytest.mark.parametrize(("height_mm", "rms_mm"), [(0.0, 0.1732), (20.0, 0.2646), (30.0, 0.3464)])
def test_equilateral_ring_of_three(height_mm: float, rms_mm: float) -> None:
    # FACTS section 0 row 1 (C from Fitzpatrick 1998 eq. 46, S).
    assert expected_tre_rms_mm(ring(3, 20.0), (0.0, 0.0, height_mm), 0.3) == pytest.approx(rms_mm, abs=5e-5)


@pytest.mark.parametrize(
    ("count", "rms_mm"),
    [(4, 0.2291), (6, 0.1871)],
)
def test_square_and_hexagon(count: int, rms_mm: float) -> None:
    # FACTS section 4, "more" row (C).
    assert expected_tre_rms_mm(ring(count, 20.0), (0.0, 0.0, 20.0), 0.3) == pytest.approx(rms_mm, abs=5e-5)


def test_error_at_a_marker_of_the_ring() -> None:
    # FACTS section 4: sqrt(2/3) FLE at a marker of the ring of three (M formula, C value).
    assert expected_tre_rms_mm(ring(3, 20.0), ring(3, 20.0)[1], 0.3) == pytest.approx(0.2449, abs=5e-5)


def test_tilt_of_the_ring_about_an_axis_in_its_plane() -> None:
    # FACTS section 0 row 4: FLE sqrt(2) / (3 R) rad (C).
    covariance = point_covariance(ring(3, 20.0), 0.3).covariance
    assert np.degrees(np.sqrt(covariance[0, 0])) == pytest.approx(0.4051, abs=5e-5)
    assert np.degrees(np.sqrt(covariance[1, 1])) == pytest.approx(0.4051, abs=5e-5)


@pytest.mark.parametrize(("count", "factor"), [(3, 0.5774), (4, 0.7071), (6, 0.8165), (8, 0.8660)])
def test_residual_against_localisation_error(count: int, factor: float) -> None:
    # FACTS section 0 row 2: FRE_rms = FLE sqrt(1 - 2/N) (Sibson 1979, M; C).
    rng = np.random.default_rng(count)
    points = ring(count, 20.0) + np.column_stack([np.zeros((count, 2)), 5.0 * (-1.0) ** np.arange(count)])
    squares = []
    for _ in range(3000):
        seen = points + rng.normal(scale=0.3 / np.sqrt(3.0), size=points.shape)
        squares.append(umeyama(points, seen, with_scale=False)[3])
    assert np.sqrt(np.mean(squares)) == pytest.approx(0.3 * factor, rel=0.02)


def test_residual_tells_nothing_about_the_error() -> None:
    # FACTS section 0 row 3 (C): same residual, error 0.249 against 1.777 mm; no correlation over runs.
    wide = np.array([[-22.0, -40.0, 0.0], [22.0, -40.0, 0.0], [0.0, 0.0, 0.0]])
    crowded = np.array([[-8.0, -4.0, 0.0], [8.0, -4.0, 0.0], [0.0, 0.0, 0.0]])
    target = np.array([20.0, -30.0, -15.0])
    assert expected_tre_rms_mm(wide, target, 0.3) == pytest.approx(0.249, abs=5e-4)
    assert expected_tre_rms_mm(crowded, target, 0.3) == pytest.approx(1.777, abs=5e-4)
    rng = np.random.default_rng(5)
    residual, error = [], []
    for _ in range(8000):
        seen = wide + rng.normal(scale=0.3 / np.sqrt(3.0), size=(3, 3))
        pose = rigid_from_points(wide, seen)
        residual.append(float(np.sqrt(np.mean(np.sum((pose.apply(wide) - seen) ** 2, axis=1)))))
        error.append(float(np.linalg.norm(pose.apply(target) - target)))
    assert np.sqrt(np.mean(np.square(residual))) == pytest.approx(0.1732, rel=0.03)
    assert abs(np.corrcoef(residual, error)[0, 1]) < 0.035


def test_published_worked_example_in_the_plane() -> None:
    # FACTS section 0 row 5: Umeyama 1991 set-up (S), result (C); mean square 8/15, not the printed 0.053.
    rotation, shift, scale, mean_square = umeyama([[0, 0], [1, 0], [0, 2]], [[0, 0], [-1, 0], [0, 2]])
    assert rotation == pytest.approx(np.array([[3, 2], [-2, 3]]) / np.sqrt(13))
    assert shift == pytest.approx(np.array([-0.8, 0.4]))
    assert scale == pytest.approx(np.sqrt(13) / 5)
    assert mean_square == pytest.approx(8 / 15)


# --- Independent Monte Carlo ---------------------------------------------------------------------------------


def test_closed_form_against_an_independent_monte_carlo() -> None:
    fiducials = spread_set(5)
    fle = np.array([0.2, 0.3, 0.6, 0.25, 0.4])
    targets = np.array([[0.0, 0.0, 0.0], [30.0, 20.0, -15.0], [-28.0, 10.0, 12.0]])
    expected = expected_tre_rms_mm(fiducials, targets, fle)
    assert expected == pytest.approx(brute_rms_mm(fiducials, targets, fle, runs=4000), rel=0.03)


def test_anisotropic_errors_against_a_monte_carlo() -> None:
    rng = np.random.default_rng(11)
    fiducials = spread_set(6, seed=8)
    factors = rng.normal(size=(6, 3, 3)) * 0.15
    covariances = factors @ factors.transpose(0, 2, 1) + 0.01 * np.eye(3)
    target = np.array([28.0, -12.0, 9.0])
    square = 0.0
    roots = np.linalg.cholesky(covariances)
    runs = 1500
    for _ in range(runs):
        seen = fiducials + np.einsum("nij,nj->ni", roots, rng.normal(size=(6, 3)))
        pose, _ = likeliest_rigid(fiducials, seen, covariances)
        square += float(np.sum((pose.apply(target) - target) ** 2))
    assert expected_tre_rms_mm(fiducials, target, covariances) == pytest.approx(np.sqrt(square / runs), rel=0.06)


# --- Properties ----------------------------------------------------------------------------------------------

seeds = st.integers(0, 2**31 - 1)


@given(seed=seeds, fle=st.floats(0.05, 1.0))
def test_closed_form_is_equation_46_for_equal_errors(seed: int, fle: float) -> None:
    fiducials = spread_set(5, seed)
    target = np.random.default_rng(seed + 1).uniform(-40, 40, 3)
    try:
        ours = expected_tre_rms_mm(fiducials, target, fle)
    except PlannerError:
        return
    assert ours == pytest.approx(fitzpatrick_rms_mm(fiducials, target, fle), rel=1e-9)


@given(seed=seeds)
def test_a_rigid_motion_is_found_again_exactly(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(-30, 30, (4, 3))
    turn, shift = Rotation.random(rng=rng).as_matrix(), rng.uniform(-50, 50, 3)
    pose = rigid_from_points(points, points @ turn.T + shift, rng.uniform(0.1, 5.0, 4))
    assert np.linalg.det(pose.rotation) == pytest.approx(1.0)
    assert pose.apply(points) == pytest.approx(points @ turn.T + shift, abs=1e-8)


@given(seed=seeds)
def test_the_fit_is_proper_even_for_mirrored_or_flat_points(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.uniform(-30, 30, (5, 3))
    assert np.linalg.det(rigid_from_points(points, points * [-1, 1, 1]).rotation) == pytest.approx(1.0)
    flat = points * [1, 1, 0]
    assert np.linalg.det(rigid_from_points(flat, flat * [-1, 1, 1]).rotation) == pytest.approx(1.0)


@given(seed=seeds)
def test_expected_error_moves_with_the_points_and_grows_away_from_them(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fiducials, target = spread_set(6, 4), rng.uniform(-40, 40, 3)
    turn, shift = Rotation.random(rng=rng).as_matrix(), rng.uniform(-80, 80, 3)
    here = expected_tre_rms_mm(fiducials, target, 0.3)
    there = expected_tre_rms_mm(fiducials @ turn.T + shift, turn @ target + shift, 0.3)
    assert there == pytest.approx(here, rel=1e-9)
    outward = fiducials.mean(axis=0) + 2.0 * (target - fiducials.mean(axis=0))
    assert expected_tre_rms_mm(fiducials, outward, 0.3) >= here


@given(seed=seeds)
def test_one_more_point_never_hurts(seed: int) -> None:
    rng = np.random.default_rng(seed)
    fiducials = spread_set(5, 6)
    more = np.vstack([fiducials, rng.uniform(-30, 30, 3)])
    target = rng.uniform(-40, 40, 3)
    assert expected_tre_rms_mm(more, target, 0.3) <= expected_tre_rms_mm(fiducials, target, 0.3) + 1e-12


# --- Match by pairs ------------------------------------------------------------------------------------------


def matched(source: np.ndarray, moved: np.ndarray | None = None, fle_mm: float = 0.3, seed: int = 1) -> Match:
    rng = np.random.default_rng(seed)
    target = source + SHIFT + rng.normal(scale=fle_mm / np.sqrt(3.0), size=source.shape)
    if moved is not None:
        target = target + moved
    return match_points(pairs_of(source, target, fle_mm), "surface:lower")


def codes(match: Match) -> set[str]:
    return {finding.code for finding in match.findings}


def test_the_match_holds_its_stated_95_percent() -> None:
    source = spread_set(5)
    targets = np.array([[20.0, 10.0, -10.0], [-22.0, 15.0, -12.0]])
    inside = 0
    for seed in range(300):
        match = matched(source, seed=seed)
        for target in targets:
            error = np.linalg.norm(match.lps_from_surface.apply(target) - (target + SHIFT))
            inside += int(error <= match.expected_p95_mm(target + SHIFT))
    assert 0.93 <= inside / 600 <= 0.975


@pytest.mark.parametrize("count", [0, 1, 2])
def test_fewer_than_three_pairs_are_refused(count: int) -> None:
    points = spread_set(3)[:count]
    with pytest.raises(PlannerError, match="at least three"):
        match_points(pairs_of(points, points), "surface:lower")


def test_points_near_one_line_are_refused_with_the_reason() -> None:
    line = np.array([[0.0, 0, 0], [20, 0.4, 0], [40, -0.4, 0.3], [55, 0, 0]])
    with pytest.raises(PlannerError, match="nearly on one line"):
        match_points(pairs_of(line, line), "surface:lower")
    narrow = np.array([[-8.0, -2, 0], [8, -2, 0], [0, 2, 0]])
    with pytest.raises(PlannerError, match="only known to"):
        match_points(pairs_of(narrow, narrow, fle_mm=1.0), "surface:lower")


def test_three_pairs_say_that_no_moved_one_can_be_named() -> None:
    match = matched(ring(3, 20.0))
    assert {"three-pairs", "handedness-unproven"} <= codes(match)
    assert "moved-marker" not in codes(match)


@pytest.mark.parametrize("count", [5, 6, 8])
def test_leaving_one_out_names_a_moved_marker_from_five_on(count: int) -> None:
    named = 0
    for seed in range(20):
        source = spread_set(8, 12)[:count]
        shift = np.zeros((count, 3))
        shift[2] = np.random.default_rng(seed).normal(size=3)
        shift[2] *= 3.0 / np.linalg.norm(shift[2])
        match = matched(source, shift, seed=seed)
        named += sum(f.code == "moved-marker" and f.where == "M3" for f in match.findings)
        assert all(f.where == "M3" for f in match.findings if f.code == "moved-marker")
    assert named >= 18


def test_four_disagreeing_pairs_say_that_it_cannot_be_told_which() -> None:
    shift = np.zeros((4, 3))
    shift[1] = [3.0, 1.0, -2.0]
    match = matched(spread_set(8, 12)[:4], shift)
    text = next(f.text for f in match.findings if f.code == "pairs-disagree")
    assert "cannot be told which" in text
    assert not match.trusted


def test_a_mirrored_set_is_recognised_and_not_trusted() -> None:
    source = spread_set(6)
    match = match_points(pairs_of(source, source * [-1, 1, 1]), "surface:lower")
    assert "mirrored" in codes(match)
    assert not match.trusted
    assert "mirror" in match.reasons[0]


def test_scale_is_a_finding_and_is_never_applied() -> None:
    source = spread_set(6)
    match = match_points(pairs_of(source, source * 1.03), "surface:lower")
    assert "scale-off" in codes(match)
    assert np.linalg.det(match.lps_from_surface.rotation) == pytest.approx(1.0)
    assert "scale-off" not in codes(match_points(pairs_of(source, source * 1.015), "surface:lower"))


def test_disagreement_widens_the_stated_error() -> None:
    source = spread_set(6)
    quiet, loud = matched(source), matched(source, np.random.default_rng(2).normal(scale=0.8, size=source.shape))
    assert loud.expected_rms_mm((0, 0, 0)) > 1.5 * quiet.expected_rms_mm((0, 0, 0))


def test_front_markers_alone_and_front_with_two_behind_the_molars() -> None:
    # Six front markers at 0.3 mm leave about 0.43 mm rms at a first molar's apex; three front and two behind the
    # molars about 0.20 (common practice for where to put them; values C from eq. 46 on an invented arch).
    front = np.array([[-20, 14, 0], [-14, 6, 6], [-5, 0, 0], [5, 0, 6], [14, 6, 0], [20, 14, 6]], dtype=float)
    wide = np.array([[-12, 4, 0], [0, 0, 5], [12, 4, 0], [-27, 40, 4], [27, 40, 4]], dtype=float)
    apex = np.array([24.0, 28.0, -14.0])
    assert expected_tre_rms_mm(front, apex, 0.3) == pytest.approx(0.43, abs=0.12)
    assert expected_tre_rms_mm(wide, apex, 0.3) == pytest.approx(0.20, abs=0.05)


def test_the_error_field_is_the_error_at_each_point() -> None:
    pose = point_covariance(spread_set(5), 0.3)
    points = spread_set(9, 2)
    assert rms_field_mm(pose, points) == pytest.approx([pose.rms_at(p) for p in points])


def test_pairs_in_one_plane_cannot_prove_handedness() -> None:
    flat = ring(6, 20.0) * [1.0, 0.7, 0.0] + [3.0, 1.0, 2.0]
    match = match_points(pairs_of(flat, flat + SHIFT), "surface:lower")
    assert any(f.code == "handedness-unproven" for f in match.findings)
    # A mirror image of a flat set fits as well as the set itself: the program must not claim otherwise.
    mirrored = match_points(pairs_of(flat * [-1.0, 1.0, 1.0], flat + SHIFT), "surface:lower")
    assert mirrored.residual_rms_mm < 1e-6
    assert any(f.code == "handedness-unproven" for f in mirrored.findings)
    lifted = flat + np.array([[0, 0, 4.0], [0, 0, 0], [0, 0, -3.0], [0, 0, 2.0], [0, 0, 0], [0, 0, -2.0]])
    off_plane = match_points(pairs_of(lifted, lifted + SHIFT), "surface:lower")
    assert all(f.code != "handedness-unproven" for f in off_plane.findings)


def test_three_disagreeing_pairs_say_that_it_cannot_be_told_which() -> None:
    points = ring(3, 20.0)
    moved = points + SHIFT
    moved[1] += [4.0, 0.0, 0.0]
    match = match_points(pairs_of(points, moved), "surface:lower")
    assert any("cannot be told which" in f.text for f in match.findings)
    assert all(f.code != "moved-marker" for f in match.findings)
