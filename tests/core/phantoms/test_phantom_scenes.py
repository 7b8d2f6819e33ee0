"""Scenes, their truth and their pictures agree with each other."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from phantoms.material_map import grid_affine
from phantoms.materials import Material
from phantoms.quick import quick_volume
from phantoms.scene import paint_scene
from phantoms.scenes import ceramic_bridge_sample, edentulous_mouth, prosthesis_alone, random_mouth
from phantoms.surface_scan import scan_prosthesis, scan_surface
from phantoms.truth import truth_of
from planner_core.errors import PlannerError
from planner_core.registration.fiducials import rigid_from_points


@pytest.fixture(scope="module")
def mouth():
    return random_mouth(5, restorations="mixed", missing=(36, 46))


@pytest.fixture(scope="module")
def truth(mouth):
    return truth_of(mouth)


def local_map(scene, centre_lps, edge_mm=12.0, voxel=0.2):
    count = int(edge_mm / voxel)
    shape = (count, count, count)
    return paint_scene(scene, grid_affine(np.asarray(centre_lps), shape, voxel), shape)


def centre_of(share: np.ndarray, affine: np.ndarray) -> np.ndarray:
    index = np.argwhere(share > 0)
    weights = share[share > 0]
    middle = (index * weights[:, None]).sum(axis=0) / weights.sum()
    return affine[:3, :3] @ middle + affine[:3, 3]


def test_the_same_seed_gives_the_same_mouth_and_picture() -> None:
    volumes = [quick_volume(random_mouth(11), 0.8, 30.0, 4, truth=False)[0] for _ in range(2)]
    assert volumes[0].content_hash == volumes[1].content_hash
    other = quick_volume(random_mouth(12), 0.8, 30.0, 4, truth=False)[0]
    assert other.content_hash != volumes[0].content_hash


def test_markers_lie_where_the_truth_says_and_have_their_volume(mouth, truth) -> None:
    for marker in mouth.markers:
        painted = local_map(mouth, truth.markers_lps_mm[marker.name], 5.0, 0.1)
        share = painted.share_of(Material.GLASS_CERAMIC)
        np.testing.assert_allclose(
            centre_of(share, painted.lps_from_index), truth.markers_lps_mm[marker.name], atol=0.01
        )
        assert share.sum() * 0.1**3 == pytest.approx(4 / 3 * np.pi * marker.radius_mm**3, rel=0.02)


def test_a_canal_is_a_soft_tube_of_its_diameter(mouth, truth) -> None:
    for canal in truth.canals:
        middle = canal.centre_lps_mm[len(canal.centre_lps_mm) // 2]
        assert truth.bone_distance_mm(middle[None])[0] < -canal.diameter_mm / 2
        painted = local_map(mouth, middle, 3.0, 0.1)
        soft = painted.share_of(Material.SOFT)
        plane = np.linalg.norm(canal.centre_lps_mm - middle, axis=1) < 1.2
        axis = np.ptp(canal.centre_lps_mm[plane], axis=0)
        # Area of the cut through the middle, across the axis that it follows most.
        along = int(np.argmax(axis))
        cut = np.take(soft, soft.shape[0] // 2, axis=2 - along)
        tangent = canal.centre_lps_mm[plane][-1] - canal.centre_lps_mm[plane][0]
        slope = abs(tangent[along]) / np.linalg.norm(tangent)
        expected = np.pi * canal.diameter_mm**2 / 4 / slope
        assert cut.sum() * 0.01 == pytest.approx(min(expected, 9.0), rel=0.12)


def test_bone_surface_and_bone_distance_agree(truth) -> None:
    surface = truth.bone_surface(1.0)
    distance = truth.bone_distance_mm(surface.points_mm[::50])
    kept = np.abs(distance) < 5.0  # the cut planes at the back and above are not bone
    assert kept.mean() > 0.9
    assert float(np.median(np.abs(distance[kept]))) < 0.05
    # Outward triangles: a step along the normals leaves the bone.
    out = truth.bone_distance_mm(surface.points_mm[::50] + 0.3 * surface.point_normals[::50])
    assert float(np.median(out - distance)) == pytest.approx(0.3, abs=0.05)


def test_bone_surface_lies_on_the_painted_edge(mouth, truth) -> None:
    site = truth.sites[0]
    painted = local_map(mouth, site.platform_lps_mm, 14.0, 0.25)
    bone = painted.share_of(Material.BONE) + painted.share_of(Material.MARROW)
    index = np.argwhere((bone > 0.35) & (bone < 0.65) & (painted.share_of(Material.MARROW) < 0.05))
    points = index @ painted.lps_from_index[:3, :3].T + painted.lps_from_index[:3, 3]
    distance = truth.bone_distance_mm(points)
    near = np.abs(distance) < 0.5
    assert near.sum() > 200
    assert abs(float(np.median(distance[near]))) < 0.06


def test_sites_stand_in_bone_on_missing_teeth(mouth, truth) -> None:
    assert {site.iso for site in truth.sites} <= {36, 46}
    for site in truth.sites:
        inside = site.platform_lps_mm + np.outer(np.linspace(1.5, site.length_mm, 9), site.axis)
        assert (truth.bone_distance_mm(inside) < -0.8).all()
        assert site.iso not in {tooth.iso for tooth in truth.teeth}


def test_teeth_run_along_the_arch_with_roots_in_bone(truth) -> None:
    places = truth.arch_place([tooth.cervix_lps_mm for tooth in truth.teeth])
    assert (np.diff(places[:, 0]) > 3.0).all()
    assert (np.abs(places[:, 1]) < 1.5).all()
    assert [tooth.iso for tooth in truth.teeth] == [47, 45, 44, 43, 42, 41, 31, 32, 33, 34, 35, 37] or len(
        truth.teeth
    ) == 14
    for tooth in truth.teeth:
        assert tooth.axis @ (tooth.crown_tip_lps_mm - tooth.apexes_lps_mm.mean(axis=0)) > 15.0
        assert (truth.bone_distance_mm(tooth.apexes_lps_mm) < 0.0).all()


def test_root_surface_encloses_the_apexes(truth) -> None:
    tooth = next(t for t in truth.teeth if t.iso == 37)
    surface = truth.root_surface(37)
    for apex in tooth.apexes_lps_mm:
        assert np.linalg.norm(surface.points_mm - apex, axis=1).min() < 0.6
    # A closed body by its divergence: the root of a molar has 250 to 900 mm3.
    a, b, c = (surface.points_mm[surface.triangles[:, k]] for k in range(3))
    volume = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6.0
    assert 250.0 < volume < 900.0


def test_surface_scan_carries_the_markers_in_its_own_frame(mouth, truth) -> None:
    scan = scan_surface(mouth, noise_mm=0.0, seed=3)
    assert scan.surface.frame == "surface:lower"
    names = list(truth.markers_lps_mm)
    found = rigid_from_points([scan.markers_surface_mm[n] for n in names], [truth.markers_lps_mm[n] for n in names])
    np.testing.assert_allclose(found.matrix, scan.lps_from_surface.matrix, atol=1e-6)
    for marker in mouth.markers:
        away = np.linalg.norm(scan.surface.points_mm - scan.markers_surface_mm[marker.name], axis=1)
        on_ball = np.abs(away - marker.radius_mm) < 0.02
        assert on_ball.sum() > 8, marker.name
        assert away.min() > marker.radius_mm - 0.03


def test_scan_noise_has_the_size_asked_for(mouth) -> None:
    clean, noisy = scan_surface(mouth, 0.0, 3), scan_surface(mouth, 0.05, 3)
    moved = noisy.surface.points_mm - clean.surface.points_mm
    along = np.einsum("ij,ij->i", moved, clean.surface.point_normals)
    assert float(along.std()) == pytest.approx(0.05, rel=0.15)


def test_every_option_of_a_random_mouth_paints() -> None:
    for seed, options in enumerate(
        [
            {"restorations": "ceramic"},
            {"restorations": "mixed", "upper": "contact"},
            {"restorations": "none", "upper": "none", "markers": False},
            {"edentulous": True},
        ]
    ):
        scene = random_mouth(20 + seed, **options)
        volume, known = quick_volume(scene, 1.0, 20.0, seed)
        assert volume.stored.std() > 100
        if options.get("restorations") in ("ceramic", "mixed"):
            assert known.bodies
            assert all(body.volume_mm3 > 1.0 for body in known.bodies)
        elif "restorations" in options:
            assert not known.bodies


def test_contact_and_apart_differ_in_the_gap() -> None:
    apart, contact = random_mouth(3), random_mouth(3, upper="contact")
    assert apart.opening_mm > 3.0
    assert contact.opening_mm < 0.0


def test_unknown_options_are_refused_in_a_sentence() -> None:
    with pytest.raises(PlannerError, match="gold"):
        random_mouth(1, restorations="gold")  # type: ignore[arg-type]


def test_prosthesis_sits_on_the_mucosa_and_is_the_same_alone() -> None:
    scene = edentulous_mouth(9)
    alone = prosthesis_alone(scene)
    together = scan_prosthesis(scene, 0.0, 1, step_mm=0.8)
    apart = scan_prosthesis(alone, 0.0, 1, step_mm=0.8)
    moved = alone.lps_from_scene.after(scene.lps_from_scene.inverse())
    np.testing.assert_allclose(
        moved.apply(together.lps_from_surface.apply(together.surface.points_mm[::200])),
        apart.lps_from_surface.apply(apart.surface.points_mm[::200]),
        atol=1e-6,
    )
    volume, _ = quick_volume(alone, 0.8, 0.0, 0, truth=False)
    assert (volume.stored < -900).mean() > 0.9
    with pytest.raises(PlannerError, match="no prosthesis"):
        prosthesis_alone(evolve(scene, prosthesis=None))


def test_the_shipped_scenario_is_plannable() -> None:
    from phantoms.sample_truth import site_values

    known = truth_of(ceramic_bridge_sample(), measure_bodies=False)
    values = {site.iso: site_values(site, known) for site in known.sites}
    assert values[36]["canal_clearance_mm"] > 2.5
    assert 0.5 < values[46]["canal_clearance_mm"] < 2.0
    for site in values.values():
        assert site["ridge_width_mm"]["3"] >= 7.0
        assert site["least_bone_round_the_fixture_mm"] > 0.5
    centres = np.array(list(known.markers_lps_mm.values()))
    assert len(centres) >= 5
    # Not in one plane: the least spread of the set.
    assert np.linalg.svd(centres - centres.mean(axis=0), compute_uv=False)[-1] > 5.0


def test_sinuses_are_air_over_a_floor_of_bone() -> None:
    scene = random_mouth(5, sinuses=True)
    spaces = {space.name: space for space in truth_of(scene, measure_bodies=False).air_spaces()}
    assert set(spaces) == {"sinus right", "sinus left", "nose"}
    assert not truth_of(random_mouth(5), measure_bodies=False).air_spaces()
    up = scene.lps_from_scene.apply_direction([0.0, 0.0, 1.0])
    for space in spaces.values():
        assert (space.centre_lps_mm - space.floor_lps_mm) @ up > 5.0
        # Outward triangles enclose the air: the volume is positive and that of a rounded box.
        a, b, c = (space.surface.points_mm[space.surface.triangles[:, k]] - space.centre_lps_mm for k in range(3))
        assert 8000.0 < float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6.0 < 25000.0
        painted = local_map(scene, space.centre_lps_mm, 2.0, 0.5)
        assert painted.share_of(Material.AIR).min() == 1.0
    left = spaces["sinus left"]
    floor = local_map(scene, left.floor_lps_mm - 0.45 * up, 0.6, 0.1)
    assert floor.share_of(Material.BONE).mean() + floor.share_of(Material.DENTINE).mean() > 0.6
