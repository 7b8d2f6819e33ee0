"""The surface road on a small known mouth: found from anywhere, fitted to hundredths, refused where it must be."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from phantoms.quick import quick_volume
from phantoms.scenes import random_mouth
from phantoms.surface_scan import scan_surface
from planner_core.errors import Cancelled, PlannerError
from planner_core.geometry.frames import RigidTransform
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.registration.edges import GreyField, edges_along
from planner_core.registration.rough_start import rough_starts
from planner_core.registration.surface_match import SurfaceMatch, match_surface
from planner_core.registration.surface_sample import looks_inside_out, sample_surface
from tests.core.registration.mouth import Mouth, build_mouth, pose, scan_of, surface_of

SITES = np.array([[24.0, 28.0, -12.0], [-24.0, 28.0, -12.0]])
TRUTH = pose([5.0, -8.0, 12.0], [3.0, 4.0, 5.0])


@cache
def mouth() -> Mouth:
    return build_mouth(missing=(2, 12))


@cache
def surface() -> Surface:
    return surface_of(mouth())


@cache
def volume() -> Volume:
    return scan_of(mouth(), TRUTH, voxel_mm=0.45)


def moved_frame(
    turn_deg: tuple[float, float, float], shift_mm: tuple[float, float, float]
) -> tuple[Surface, RigidTransform]:
    """Surface in another frame, and LPS from that frame."""
    there = pose(turn_deg, shift_mm)
    return (
        Surface(there.apply(surface().points_mm), surface().triangles, "surface:lower"),
        RigidTransform(TRUTH.matrix @ np.linalg.inv(there.matrix), "surface:lower"),
    )


def errors_mm(found: RigidTransform, truth: RigidTransform) -> np.ndarray:
    places = TRUTH.apply(SITES)
    return np.linalg.norm(found.apply(truth.inverse().apply(places)) - places, axis=1)


@cache
def matched() -> tuple[SurfaceMatch, RigidTransform]:
    there, truth = moved_frame((20.0, 15.0, -25.0), (12.0, -18.0, 7.0))
    return match_surface(volume(), there, jaw_up=1.0, sites_lps_mm=TRUTH.apply(SITES)), truth


def test_edges_stand_where_the_surface_stands() -> None:
    field = GreyField.of(volume(), calibrate_grey(volume()))
    there = surface().moved(TRUTH)
    edges = edges_along(field, there.points_mm, there.point_normals, 1.0)
    assert edges.found.mean() > 0.9
    assert abs(float(np.nanmedian(edges.offset_mm))) < 0.05


@pytest.mark.parametrize("shift_mm", [-0.6, 0.4])
def test_an_edge_moves_with_the_point(shift_mm: float) -> None:
    # The edge of a plane between two levels, against its own place: an analytic scan, no mouth.
    stored = np.full((40, 40, 40), -1000, np.int16)
    stored[:20] = 100
    affine = np.diag([0.4, 0.4, 0.4, 1.0])[[2, 1, 0, 3]]
    field = GreyField.of(Volume(stored, affine), _levels())
    points = np.array([[7.0, 7.0, 19.5 * 0.4 + shift_mm]])
    edges = edges_along(field, points, np.array([[0.0, 0.0, 1.0]]), 1.0)
    assert edges.offset_mm[0] == pytest.approx(-shift_mm, abs=0.01)
    assert edges.inside[0] == pytest.approx(1.0, abs=0.01)


def _levels():
    from planner_core.imaging.grey_scale import GreyLevels

    return GreyLevels(air=-1000.0, soft_tissue=100.0, bone=1100.0, noise_sd=10.0, lowest=-1000.0, highest=3000.0)


def test_the_place_is_found_from_anywhere_and_the_fit_is_fine() -> None:
    result, truth = matched()
    assert result.match.trusted, result.match.reasons
    assert errors_mm(result.match.lps_from_surface, truth).max() < 0.1
    assert result.match.used_share > 0.5


def test_the_stated_error_covers_the_true_one_without_being_empty() -> None:
    result, truth = matched()
    stated = [result.match.expected_p95_mm(p) for p in TRUTH.apply(SITES)]
    assert max(errors_mm(result.match.lps_from_surface, truth)) <= max(stated)
    assert max(stated) < 0.3
    # Fifty thousand points are far fewer independent observations.
    assert result.observations < 2000


def test_the_distance_map_is_near_zero_on_the_teeth_and_signed() -> None:
    result, truth = matched()
    assert result.distance_mm.shape == (len(surface().points_mm),)
    assert abs(np.nanmedian(result.distance_mm)) < 0.06
    # A surface that is 0.3 mm too small: the volume's edge lies outside it.
    there, _ = moved_frame((20.0, 15.0, -25.0), (12.0, -18.0, 7.0))
    small = Surface(there.points_mm - 0.3 * there.point_normals, there.triangles, there.frame)
    shrunk = match_surface(volume(), small, start=truth, jaw_up=1.0)
    assert np.nanmedian(shrunk.distance_mm) == pytest.approx(0.3, abs=0.1)


def test_a_start_by_three_clicks_gives_the_same_match() -> None:
    there, truth = moved_frame((20.0, 15.0, -25.0), (12.0, -18.0, 7.0))
    off = RigidTransform(pose([1.5, -2.0, 1.0], [1.0, -0.8, 0.6], "lps").matrix @ truth.matrix, "surface:lower")
    result = match_surface(volume(), there, start=off)
    assert errors_mm(result.match.lps_from_surface, truth).max() < 0.1


def test_triangles_that_face_inwards_are_turned() -> None:
    there, truth = moved_frame((0.0, 0.0, 0.0), (1.0, 0.0, 0.0))
    inside_out = Surface(there.points_mm, there.triangles[:, ::-1], there.frame)
    assert looks_inside_out(inside_out)
    assert not looks_inside_out(there)
    result = match_surface(volume(), inside_out, start=truth)
    assert errors_mm(result.match.lps_from_surface, truth).max() < 0.1


def test_regions_painted_out_do_not_count() -> None:
    there, truth = moved_frame((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    bent = np.array(there.points_mm)
    left = surface().points_mm[:, 0] > 6.0
    bent[left] += [0.0, 0.0, 2.0]  # half of the scan is wrong, as a bad stitch would leave it
    wrong = Surface(bent, there.triangles, there.frame)
    painted = match_surface(volume(), wrong, start=truth, region=~left)
    right = np.linalg.norm(painted.match.lps_from_surface.apply(SITES[1]) - TRUTH.apply(SITES[1]))
    assert right < 0.15
    assert painted.weight[left].max() == 0.0


def test_degraded_places_count_less() -> None:
    there, truth = moved_frame((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    plain = match_surface(volume(), there, start=truth)
    worse = match_surface(volume(), there, start=truth, degradation=lambda points: np.full(len(points), 0.9))
    assert worse.match.expected_rms_mm(TRUTH.apply(SITES[0])) > plain.match.expected_rms_mm(TRUTH.apply(SITES[0]))


def test_a_small_piece_is_refused_with_the_reason() -> None:
    there, truth = moved_frame((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    station = np.linalg.norm(surface().points_mm[:, :2] - surface().points_mm[:, :2].mean(axis=0), axis=1)
    region = np.zeros(len(station), dtype=bool)
    region[np.argsort(np.linalg.norm(surface().points_mm - [0.0, 0.0, 7.0], axis=1))[:900]] = True
    result = match_surface(volume(), there, start=truth, region=region)
    assert not result.match.trusted
    assert any("Too little" in reason for reason in result.match.reasons)


def test_one_side_only_is_refused_for_the_other_side() -> None:
    there, truth = moved_frame((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    region = surface().points_mm[:, 0] > 17.0
    result = match_surface(volume(), there, start=truth, region=region, sites_lps_mm=TRUTH.apply(SITES[1:]))
    near = result.match.expected_p95_mm(TRUTH.apply(SITES[0]))
    assert result.match.expected_p95_mm(TRUTH.apply(SITES[1])) > 1.5 * near


@pytest.mark.slow
def test_a_mirrored_scan_is_recognised() -> None:
    lopsided = build_mouth(missing=(2, 3, 12), seed=4, cut=(-60.0, 30.0))
    scan = scan_of(lopsided, TRUTH, voxel_mm=0.5)
    right = surface_of(lopsided)
    mirrored = Surface(right.points_mm * [-1, 1, 1], right.triangles[:, ::-1], right.frame)
    result = match_surface(scan, mirrored, jaw_up=1.0)
    assert not result.match.trusted
    assert any(f.code == "mirrored" for f in result.match.findings), result.match.reasons


@pytest.mark.slow
def test_another_mouth_is_not_trusted() -> None:
    stranger = surface_of(build_mouth(missing=(5, 6, 7, 8, 9), seed=9))
    stretched = Surface(stranger.points_mm * [1.15, 0.85, 1.0], stranger.triangles, stranger.frame)
    result = match_surface(volume(), stretched, jaw_up=1.0)
    assert not result.match.trusted


@pytest.mark.slow
def test_the_scan_of_the_other_jaw_is_recognised() -> None:
    scene = random_mouth(11, restorations="none", missing=(36, 46))
    both, _ = quick_volume(scene, 0.5, truth=False, centre_scene_mm=(0.0, 26.0, 2.0))
    upper = scan_surface(scene, seed=2, upper=True).surface
    right = match_surface(both, upper, jaw_up=-1.0)
    assert right.match.trusted, right.match.reasons
    wrong = match_surface(both, upper, jaw_up=1.0)
    assert not wrong.match.trusted
    assert any(f.code == "wrong-arch" for f in wrong.match.findings), wrong.match.reasons


def test_a_scan_without_points_is_refused() -> None:
    few = Surface(np.eye(3), np.array([[0, 1, 2]]), "surface:lower")
    with pytest.raises(PlannerError, match="points of the surface"):
        match_surface(volume(), few)


def test_it_can_be_stopped() -> None:
    there, _ = moved_frame((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))

    def stop(fraction: float, text: str = "") -> None:
        if fraction > 0.1:
            raise Cancelled

    with pytest.raises(Cancelled):
        match_surface(volume(), there, progress=stop)


def test_the_search_prefers_the_true_place_clearly() -> None:
    grey = calibrate_grey(volume())
    there, _ = moved_frame((10.0, 0.0, 0.0), (0.0, 5.0, 0.0))
    found = rough_starts(
        volume(), grey, GreyField.of(volume(), grey), sample_surface(there), there.frame, jaw_up=1.0
    )
    assert found[0].score > 0.6
    assert all(other.score < 0.8 * found[0].score for other in found[1:])
