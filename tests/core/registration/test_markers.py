"""Markers: found to a fraction of a voxel, paired without an order, and doubted where they must be."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from phantoms.scenes import random_mouth
from phantoms.surface_scan import scan_surface
from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.registration.correspondence import correspond
from planner_core.registration.edges import GreyField
from planner_core.registration.fiducials import match_paired
from planner_core.registration.marker_match import match_marker_pairs, match_markers
from planner_core.registration.marker_second_look import second_look
from planner_core.registration.markers import Marker, find_markers
from planner_core.registration.sphere_fit import fit_sphere
from planner_core.registration.surface_markers import find_surface_markers, snap_to_marker
from tests.core.registration.mouth import AIR, CERAMIC, SOFT, pose

LEVELS = GreyLevels(air=AIR, soft_tissue=SOFT, bone=1000.0, noise_sd=40.0, lowest=-1024.0, highest=3071.0)
RIGID = pose([20.0, -15.0, 30.0], [10.0, -5.0, 8.0], "surface:lower")


@cache
def balls(voxel_mm: float, seed: int = 0) -> tuple[Volume, np.ndarray, np.ndarray]:
    """Nine balls of 1 to 3 mm in soft tissue, at odd places between voxels, blurred and noisy."""
    rng = np.random.default_rng(seed)
    shape = np.array([60, 60, 60]) * 0.4 / voxel_mm
    shape = shape.astype(int)
    grid = np.array([[i, j, k] for i in (0, 1, 2) for j in (0, 1, 2) for k in (0, 1, 2)])[::3]
    centres = 4.5 + 7.0 * grid + rng.uniform(-0.9, 0.9, (len(grid), 3))
    radii = rng.uniform(0.5, 1.5, len(grid))
    fine = 3
    axes = [(np.arange(n * fine) + 0.5) / fine * voxel_mm - 0.5 * voxel_mm for n in shape]
    z, y, x = np.meshgrid(*axes, indexing="ij", sparse=True)
    grey = np.full(tuple(shape * fine), SOFT, np.float32)
    for centre, radius in zip(centres, radii, strict=True):
        inside = (x - centre[0]) ** 2 + (y - centre[1]) ** 2 + (z - centre[2]) ** 2 < radius**2
        grey[inside] = CERAMIC
    grey = grey.reshape(shape[0], fine, shape[1], fine, shape[2], fine).mean(axis=(1, 3, 5))
    from scipy.ndimage import gaussian_filter

    grey = gaussian_filter(grey, 0.22 / voxel_mm) + rng.normal(scale=40.0, size=grey.shape)
    affine = np.eye(4)
    affine[:3, :3] = voxel_mm * np.eye(3)[:, ::-1]
    return Volume(np.clip(np.rint(grey), -1024, 3071).astype(np.int16), affine), centres, radii


@pytest.mark.parametrize("voxel_mm", [0.3, 0.4])
def test_balls_are_found_to_a_fraction_of_a_voxel(voxel_mm: float) -> None:
    volume, centres, _ = balls(voxel_mm)
    found = find_markers(volume, levels=LEVELS)
    distance = np.linalg.norm(np.array([m.centre_mm for m in found])[None] - centres[:, None], axis=2)
    error = distance.min(axis=1)
    assert np.quantile(error, 0.9) < 0.25 * voxel_mm
    assert len(found) <= len(centres) + 2


def test_the_stated_error_of_a_centre_is_no_boast() -> None:
    squares = []
    for seed in range(3):
        volume, centres, _ = balls(0.4, seed)
        for marker in find_markers(volume, levels=LEVELS):
            left = centres[np.argmin(np.linalg.norm(centres - marker.centre_mm, axis=1))] - marker.centre_mm
            if np.linalg.norm(left) < 1.0:
                squares.append(float(left @ np.linalg.solve(marker.covariance_mm2, left)))
    # Three on average if just right; less here, since the floor is set for scans of whole heads, not of balls
    # alone.
    assert len(squares) >= 25
    assert np.mean(squares) < 3.0


def test_degraded_places_widen_the_error() -> None:
    volume, _, _ = balls(0.4)
    plain = find_markers(volume, levels=LEVELS)
    worse = find_markers(volume, levels=LEVELS, degradation=lambda points: np.full(len(points), 0.7))
    assert worse[0].localisation_mm > 1.5 * plain[0].localisation_mm


def test_a_disc_is_found_as_a_small_body() -> None:
    voxel = 0.4
    grey = np.full((60, 60, 60), SOFT, np.float32)
    z, y, x = np.meshgrid(*[np.arange(60) * voxel] * 3, indexing="ij", sparse=True)
    disc = ((x - 12.1) ** 2 + (y - 11.7) ** 2 < 1.4**2) & (np.abs(z - 12.2) < 0.45)
    grey[np.broadcast_to(disc, grey.shape)] = CERAMIC
    affine = np.eye(4)
    affine[:3, :3] = voxel * np.eye(3)[:, ::-1]
    found = find_markers(Volume(grey.astype(np.int16), affine), levels=LEVELS)
    assert any(np.linalg.norm(m.centre_mm - [12.1, 11.7, 12.2]) < 0.3 for m in found)


def test_a_sphere_fit_gives_back_the_sphere() -> None:
    rng = np.random.default_rng(0)
    way = rng.normal(size=(400, 3))
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    cap = way[way[:, 2] > 0.1]
    points = np.array([3.0, -2.0, 1.0]) + 0.9 * cap + rng.normal(scale=0.01, size=cap.shape)
    points[:8] += 2.0
    fit = fit_sphere(points, [3.2, -2.2, 1.1], 1.1)
    assert fit is not None
    assert fit.centre_mm == pytest.approx([3.0, -2.0, 1.0], abs=0.02)
    assert fit.radius_mm == pytest.approx(0.9, abs=0.02)


# --- Surface -------------------------------------------------------------------------------------------------


def sheet(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> Surface:
    """A height field as a surface."""
    points = np.column_stack([x.ravel(), y.ravel(), z.ravel()])
    n, m = x.shape
    i, j = np.meshgrid(np.arange(n - 1), np.arange(m - 1), indexing="ij")
    a, b, c, d = i * m + j, (i + 1) * m + j, (i + 1) * m + j + 1, i * m + j + 1
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return Surface(points, faces, "surface:lower")


PLACES = np.array([[-14.0, -9.0], [12.0, -8.0], [-3.0, 9.0], [15.0, 8.0], [2.0, -2.0]])


def wavy(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return 0.8 * np.sin(x / 4.0) + 0.6 * np.cos(y / 5.0)


@cache
def bumpy() -> tuple[Surface, np.ndarray]:
    """A wavy sheet with five balls half sunk into it."""
    x, y = np.meshgrid(np.arange(-20, 20, 0.2), np.arange(-15, 15, 0.2), indexing="ij")
    z = wavy(x, y)
    heights = wavy(*PLACES.T) + 0.2
    radius = 0.9
    for (cx, cy), cz in zip(PLACES, heights, strict=True):
        flat = (x - cx) ** 2 + (y - cy) ** 2
        ball = cz + np.sqrt(np.clip(radius**2 - flat, 0.0, None))
        z = np.where(flat < radius**2, np.maximum(z, ball), z)
    return sheet(x, y, z), np.column_stack([PLACES, heights])


def with_discs(radius_mm: float, thick_mm: float, step_mm: float) -> tuple[Surface, np.ndarray]:
    """The sheet with five flat discs lying on it, seen as a scanner samples it, and the discs' middles."""
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(-20, 20, step_mm), np.arange(-15, 15, step_mm), indexing="ij")
    z, middles = wavy(x, y), []
    for cx, cy in PLACES + rng.uniform(-0.2, 0.2, PLACES.shape):
        gx, gy = 0.2 * np.cos(cx / 4.0), -0.12 * np.sin(cy / 5.0)
        up = np.array([-gx, -gy, 1.0]) / np.sqrt(gx**2 + gy**2 + 1.0)
        top = np.array([cx, cy, wavy(cx, cy)]) + thick_mm * up
        plateau = top[2] + gx * (x - top[0]) + gy * (y - top[1])
        z = np.where((x - cx) ** 2 + (y - cy) ** 2 < radius_mm**2, plateau, z)
        middles.append(top - 0.5 * thick_mm * up)
    return sheet(x, y, z + rng.normal(scale=0.01, size=z.shape)), np.array(middles)


@pytest.mark.parametrize(("radius_mm", "thick_mm", "step_mm"), [(1.1, 0.5, 0.2), (1.4, 0.5, 0.3), (0.7, 0.4, 0.15)])
def test_flat_discs_are_found_on_a_surface(radius_mm: float, thick_mm: float, step_mm: float) -> None:
    surface, middles = with_discs(radius_mm, thick_mm, step_mm)
    found = find_surface_markers(surface)
    distance = np.linalg.norm(np.array([m.centre_mm for m in found])[None] - middles[:, None], axis=2)
    assert distance.min(axis=1).max() < 0.12
    assert len(found) == len(middles)
    nearest = [found[k] for k in distance.argmin(axis=1)]
    assert all(m.radius_mm == pytest.approx(radius_mm, abs=0.12) for m in nearest)
    # What is stated of each is about what it is off.
    stated = np.sqrt(np.mean([m.localisation_mm**2 for m in nearest]))
    assert 0.4 < np.sqrt(np.mean(distance.min(axis=1) ** 2)) / stated < 1.6
    clicked = snap_to_marker(surface, middles[1] + [0.3, -0.2, 0.5])
    assert clicked.centre_mm == pytest.approx(middles[1], abs=0.12)


def test_teeth_and_mucosa_show_no_discs() -> None:
    bumps = scan_surface(random_mouth(11, restorations="none", missing=(36, 46)), seed=2, step_mm=0.5).surface
    assert all(m.shape == "ball" for m in find_surface_markers(bumps))


def test_bumps_are_found_on_a_surface_and_snapped_to() -> None:
    surface, centres = bumpy()
    found = find_surface_markers(surface)
    distance = np.linalg.norm(np.array([m.centre_mm for m in found])[None] - centres[:, None], axis=2)
    assert distance.min(axis=1).max() < 0.1
    snapped = snap_to_marker(surface, centres[2] + [0.8, -0.9, 1.0])
    assert snapped.centre_mm == pytest.approx(centres[2], abs=0.1)


def test_a_click_beside_every_marker_is_refused_in_a_sentence() -> None:
    surface, _ = bumpy()
    with pytest.raises(PlannerError, match="no round marker"):
        snap_to_marker(surface, [-18.0, 12.0, 0.0])


# --- Correspondence ------------------------------------------------------------------------------------------


def marker(centre: np.ndarray, radius: float = 0.9, quality: float = 0.9, error_mm: float = 0.1) -> Marker:
    return Marker(centre, radius, error_mm**2 / 3.0 * np.eye(3), 0.9, "ball", quality)


def two_sets(
    count: int = 6, false: int = 6, missing: int = 1, seed: int = 0, places: np.ndarray | None = None
) -> tuple[list[Marker], list[Marker], dict[int, int]]:
    """Markers of one mouth in two frames, shuffled, with false ones in both and some missing in the second."""
    rng = np.random.default_rng(seed)
    true = rng.uniform(-25, 25, (count, 3)) * [1, 1, 0.4] if places is None else places
    moved = RIGID.apply(true) + rng.normal(scale=0.04, size=true.shape)
    first = [marker(p) for p in true] + [marker(p, 1.0, 0.5) for p in rng.uniform(-30, 30, (false, 3))]
    kept = list(range(len(true) - missing))
    second = [marker(moved[k]) for k in kept] + [
        marker(p, 1.0, 0.5) for p in RIGID.apply(rng.uniform(-30, 30, (false, 3)))
    ]
    a, b = rng.permutation(len(first)), rng.permutation(len(second))
    truth = {int(np.flatnonzero(a == k)[0]): int(np.flatnonzero(b == k)[0]) for k in kept}
    return [first[k] for k in a], [second[k] for k in b], truth


@pytest.mark.parametrize("seed", range(6))
def test_pairs_are_found_without_an_order_among_false_and_missing_ones(seed: int) -> None:
    first, second, truth = two_sets(seed=seed)
    found = correspond(first, second)
    assert set(truth.items()) <= set(found.pairs)
    assert not found.ambiguous
    assert found.motion is not None
    assert np.abs(found.motion.rotation - RIGID.rotation).max() < 0.02


def test_three_markers_suffice_when_nothing_else_is_there() -> None:
    first, second, truth = two_sets(count=3, false=0, missing=0)
    assert set(correspond(first, second).pairs) == set(truth.items())


def test_a_symmetric_set_is_recognised_and_asked_about() -> None:
    square = np.array([[15.0, 15, 0], [-15, 15, 0], [-15, -15, 0], [15, -15, 0]])
    first, second, _ = two_sets(false=0, missing=0, places=square)
    found = correspond(first, second)
    assert found.ambiguous
    result = match_marker_pairs(first, second, found, 0.0, "surface:lower", None)
    assert not result.match.trusted
    assert "different ways" in result.match.reasons[0]


def test_a_mirrored_set_is_recognised() -> None:
    rng = np.random.default_rng(3)
    places = rng.uniform(-25, 25, (6, 3)) * [1, 1, 0.6]
    first = [marker(p) for p in places]
    second = [marker(p) for p in RIGID.apply(places * [-1, 1, 1])]
    found = correspond(first, second)
    assert found.mirrored_pairs == 6
    assert len(found.pairs) < 6


def test_a_moved_marker_is_named_and_left_out() -> None:
    first, second, truth = two_sets(count=7, false=0, missing=0, seed=2)
    index = truth[0]
    second[index] = marker(second[index].centre_mm + np.array([0.35, 0.2, 0.2]))
    result = match_marker_pairs(first, second, correspond(first, second), 0.0, "surface:lower", None)
    assert any(f.code == "moved-marker" for f in result.match.findings)
    assert (0, index) not in result.pairs
    assert result.match.trusted


def test_a_doubtful_pair_that_does_not_agree_is_left_out_silently() -> None:
    first, second, truth = two_sets(count=7, false=0, missing=0, seed=2)
    index = truth[0]
    second[index] = marker(second[index].centre_mm + np.array([0.35, 0.2, 0.2]), quality=0.3)
    result = match_marker_pairs(first, second, correspond(first, second), 0.0, "surface:lower", None)
    assert not any(f.code == "moved-marker" for f in result.match.findings)
    assert len(result.pairs) == 6


def test_an_error_too_large_at_a_site_is_a_reason() -> None:
    close = np.array([[0.0, 0, 0], [12, 1, 0], [0, 13, 2], [11, 15, 4]])
    first, second, _ = two_sets(false=0, missing=0, places=close)
    far = RIGID.apply(np.array([60.0, 60.0, 0.0]))
    result = match_marker_pairs(first, second, correspond(first, second), 0.3, "surface:lower", far)
    assert any("expected at a planned site" in reason for reason in result.match.reasons)


def test_two_volumes_are_matched_by_their_balls() -> None:
    volume, centres, _ = balls(0.4)
    turned = Volume(volume.stored, RIGID.matrix @ volume.lps_from_index)
    result = match_markers(
        turned, volume, fixed=find_markers(turned, levels=LEVELS), moving=find_markers(volume, levels=LEVELS)
    )
    assert isinstance(result.match.lps_from_surface, RigidTransform)
    assert result.match.lps_from_surface.apply(centres) == pytest.approx(RIGID.apply(centres), abs=0.05)
    assert len(result.pairs) >= 7


def test_too_few_markers_are_refused_in_a_sentence() -> None:
    volume, _, _ = balls(0.4)
    with pytest.raises(PlannerError, match="three are needed"):
        match_markers(volume, volume, fixed=[marker(np.zeros(3))], moving=[marker(np.zeros(3))])


def test_strangers_are_refused_in_a_sentence() -> None:
    volume, _, _ = balls(0.4)
    first = [marker(np.array(p, dtype=float)) for p in ([0, 0, 0], [10, 0, 0], [0, 17, 0])]
    second = [marker(np.array(p, dtype=float)) for p in ([0, 0, 0], [25, 0, 0], [0, 31, 0])]
    with pytest.raises(PlannerError, match="same distances"):
        match_markers(volume, volume, fixed=first, moving=second)


# --- Second look ---------------------------------------------------------------------------------------------


def test_a_ball_on_ceramic_is_found_where_the_others_expect_it() -> None:
    volume, centres, radii = balls(0.3)
    sunk = int(np.argsort(radii)[-2])
    stored = np.array(volume.stored)
    index = np.stack(np.meshgrid(*[np.arange(n) for n in stored.shape], indexing="ij"), axis=-1)
    away = volume.to_lps(index.reshape(-1, 3)).reshape(*stored.shape, 3) - centres[sunk]
    # A slab of ceramic in which the ball sits to half: volume and ball have one grey value.
    slab = (away[..., 2] < 0.0) & (away[..., 2] > -2.5) & (np.abs(away[..., :2]).max(axis=-1) < 4.0)
    stored[slab] = int(CERAMIC)
    merged = Volume(stored, volume.lps_from_index)
    moving = [Marker(RIGID.inverse().apply(c), r, 0.02**2 * np.eye(3)) for c, r in zip(centres, radii, strict=True)]
    others = [k for k in range(len(centres)) if k != sunk]
    match = match_paired(
        np.array([moving[k].centre_mm for k in others]),
        centres[others],
        np.array([0.03**2 * np.eye(3)] * len(others)),
        [str(k) for k in others],
        "surface:lower",
    )
    field = GreyField.of(merged, LEVELS)
    # The sizes of the synthetic balls do not bloom.
    looked = second_look(merged, field, match, moving, [sunk])
    assert [i for i, _ in looked.found] == [sunk]
    error = float(np.linalg.norm(looked.found[0][1].centre_mm - centres[sunk]))
    assert error < 2.0 * looked.found[0][1].localisation_mm
    assert error < 0.3


def test_what_stays_unseen_is_said_in_a_sentence() -> None:
    volume, centres, _ = balls(0.3)
    moving = [Marker(RIGID.inverse().apply(c), 0.9, 0.02**2 * np.eye(3)) for c in centres]
    nowhere = RIGID.inverse().apply(np.array([[9.0, 9.0, 9.0], [60.0, 5.0, 5.0]]))
    moving += [Marker(place, 0.9, 0.02**2 * np.eye(3)) for place in nowhere]
    count = len(centres)
    match = match_paired(
        np.array([m.centre_mm for m in moving[:count]]), centres, np.array([0.03**2 * np.eye(3)] * count),
        [str(k) for k in range(count)], "surface:lower",
    )  # fmt: skip
    looked = second_look(volume, GreyField.of(volume, LEVELS), match, moving, [count, count + 1])
    assert looked.unseen == (count,)
    assert looked.outside == (count + 1,)
    texts = " ".join(f.text for f in looked.findings)
    assert "On ceramic or metal a marker cannot always be told from it" in texts
    assert "Outside the volume" in texts
