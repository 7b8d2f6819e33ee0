"""Drawn shapes: cuts against closed forms and against trimesh, blocks against no blocks."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from attrs import evolve

from app.shapes import Mesh, ShapeShelf, blocks_of, canal_body, cut, envelope_body, fixture_body, revolved, tube
from planner_core.geometry.frames import FloatArray, unit
from planner_core.planning.fixture import FixturePose
from tests.app.small_case import full_plan


def _length(pieces: FloatArray) -> float:
    return float(np.linalg.norm(pieces[:, 1] - pieces[:, 0], axis=1).sum())


def _sphere(radius: float, subdivisions: int = 4) -> Mesh:
    ball = trimesh.creation.icosphere(subdivisions, radius)
    return Mesh(np.asarray(ball.vertices), np.asarray(ball.faces, np.int32))


def test_a_plane_cuts_a_sphere_in_a_circle() -> None:
    pieces = cut(_sphere(5.0), np.array([0.0, 0, 3.0]), np.array([0.0, 0, 1.0]))
    assert _length(pieces) == pytest.approx(2 * np.pi * 4.0, rel=0.004)
    assert np.abs(pieces[..., 2] - 3.0).max() < 1e-9


def test_cuts_agree_with_trimesh() -> None:
    plan = full_plan()
    mesh = fixture_body(plan.fixtures["36"])
    origin, normal = plan.fixtures["36"].pose.at_depth(4.0), unit((1.0, 0.4, 0.3))
    section = trimesh.Trimesh(mesh.points_lps_mm, mesh.triangles, process=False).section(normal, origin)
    assert _length(cut(mesh, origin, normal)) == pytest.approx(section.length, rel=1e-6)


def test_a_plane_beside_the_body_cuts_nothing() -> None:
    assert len(cut(_sphere(5.0), np.array([0.0, 0, 5.1]), np.array([0.0, 0, 1.0]))) == 0


def test_blocks_change_no_cut() -> None:
    mesh = _sphere(20.0, 5)
    sorted_mesh = evolve(mesh, blocks=blocks_of(mesh))
    rng = np.random.default_rng(0)
    for _ in range(20):
        origin, normal = rng.normal(size=3) * 8, unit(rng.normal(size=3))
        plain, quick = cut(mesh, origin, normal), cut(sorted_mesh, origin, normal)
        assert len(plain) == len(quick)
        assert _length(plain) == pytest.approx(_length(quick), rel=1e-9)


def test_a_fixture_is_closed_and_has_the_volume_of_its_profile() -> None:
    pose = FixturePose((1.0, 2.0, 3.0), unit((0.1, 0.2, -1.0)))
    mesh = revolved([[0.0, 2.0], [10.0, 2.0]], pose, segments=64)
    solid = trimesh.Trimesh(mesh.points_lps_mm, mesh.triangles, process=False)
    assert solid.is_watertight
    assert abs(solid.volume) == pytest.approx(np.pi * 4.0 * 10.0, rel=0.002)


def test_a_tube_keeps_its_radius_round_a_bend() -> None:
    angle = np.linspace(0.0, np.pi, 60)
    path = np.stack([20 * np.cos(angle), 20 * np.sin(angle), np.zeros(60)], axis=1)
    mesh = tube(path, 1.5)
    walls = mesh.points_lps_mm[:-2].reshape(60, -1, 3)
    assert np.abs(np.linalg.norm(walls - path[:, None], axis=2) - 1.5).max() < 1e-6


def test_the_envelope_is_wider_than_the_fixture_by_the_error() -> None:
    fixture = full_plan().fixtures["36"]
    mesh = envelope_body(fixture, [0.0, 4.0, 8.0], [0.5, 0.8, 1.2])
    offset = mesh.points_lps_mm - fixture.pose.platform_lps_mm
    depth = offset @ fixture.pose.axis_lps
    away = np.linalg.norm(offset - depth[:, None] * fixture.pose.axis_lps, axis=1)
    at_top = away[np.abs(depth) < 1e-6].max()
    own = float(np.interp(0.0, *fixture.shape.profile_mm.T))
    assert at_top == pytest.approx(own + 0.5, abs=1e-6)


def test_a_canal_has_a_ring_every_five_millimetres() -> None:
    body = canal_body(full_plan().canals["left"])
    rings = np.flatnonzero(np.diff(body.in_ring().astype(int)) == 1)
    gaps = np.diff(body.along_mm[rings])
    assert len(gaps) >= 2
    assert gaps == pytest.approx(np.full(len(gaps), 5.0), abs=0.51)


def test_the_shelf_makes_again_only_what_changed() -> None:
    shelf, made = ShapeShelf(), []
    a, b = object(), object()
    for value in (a, a, b, b, a):
        shelf.get("thing", (value,), lambda value=value: made.append(value))
    assert made == [a, b, a]
