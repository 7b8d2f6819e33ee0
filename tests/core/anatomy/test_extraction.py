"""The socket of a tooth that was taken out in the plan, against bodies of known volume."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from attrs import evolve

from planner_core.anatomy.extraction import CROWN_RIM_MM, SOCKET_GAP_MM, bone_without
from planner_core.anatomy.marked import BoneCut, MarkedTooth, ToothState
from planner_core.anatomy.meshes import enclosed_mm3
from planner_core.anatomy.structures import BoneSurface
from planner_core.case import edits
from planner_core.case.derived import bone_in_use, bone_with_sockets, mouth_of, what_shapes_bone
from planner_core.case.plan import Plan
from planner_core.geometry.surface import Surface
from planner_core.planning.eligibility import CarrierTooth, MouthFacts
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.ledger import ledger
from planner_core.planning.obstacles import ObstacleKind, obstacles_of
from tests.core.case.sample_plans import small_shape

RADIUS_MM, ROOT_MM = 2.5, 12.0


def as_surface(mesh: trimesh.Trimesh) -> Surface:
    return Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))


def bone() -> BoneSurface:
    """A block of 40 x 14 x 25 mm whose crest lies at z = 0."""
    mesh = trimesh.creation.box((40.0, 14.0, 25.0))
    mesh.apply_translation((0.0, 0.0, -12.5))
    for _ in range(4):
        mesh = mesh.subdivide()
    return BoneSurface(as_surface(mesh), float("nan"), 0.2)


def peg() -> MarkedTooth:
    """A cylindrical tooth: 12 mm of root in the bone, 8 mm of crown over it."""
    mesh = trimesh.creation.cylinder(RADIUS_MM, ROOT_MM + 8.0, sections=64)
    mesh.apply_translation((0.0, 0.0, (8.0 - ROOT_MM) / 2.0))
    for _ in range(3):
        mesh = mesh.subdivide()
    ends = ([0.0, 0, 0], [0.0, 0, 8], [0.0, 0, -ROOT_MM])
    return MarkedTooth("35", as_surface(mesh), [0, 0, -1], *ends, 0.2, 0.3, [[0.0, 0, 2]])


def test_the_socket_has_the_roots_volume_with_its_ligament() -> None:
    before = bone()
    after = bone_without(before, [peg()])
    taken = enclosed_mm3(before.surface) - enclosed_mm3(after.surface)
    least = np.pi * RADIUS_MM**2 * ROOT_MM
    most = np.pi * (RADIUS_MM + CROWN_RIM_MM) ** 2 * (ROOT_MM + SOCKET_GAP_MM)
    assert least < taken < most
    assert taken == pytest.approx(np.pi * (RADIUS_MM + SOCKET_GAP_MM) ** 2 * (ROOT_MM + SOCKET_GAP_MM), rel=0.05)
    assert trimesh.Trimesh(after.surface.points_mm, after.surface.triangles).is_watertight


def test_a_fixture_in_the_socket_has_no_bone_about_its_upper_part() -> None:
    after = bone_without(bone(), [peg()])
    fixture = PlacedFixture("35", small_shape(10.0), FixturePose([0.0, 0.0, -0.5], [0.0, 0.0, -1.0]))
    rows = ledger({"35": fixture}, obstacles_of(bone=after)).rows
    around = min(row.distance_mm for row in rows if row.kind is ObstacleKind.BONE_SURFACE)
    assert around < 0.0, "the fixture is narrower than the socket: it stands out of the bone"
    whole = ledger({"35": fixture}, obstacles_of(bone=bone())).rows
    assert min(row.distance_mm for row in whole if row.kind is ObstacleKind.BONE_SURFACE) > 3.0


def test_an_open_surface_gets_the_sockets_wall_too() -> None:
    solid = bone().surface
    low = solid.points_mm[solid.triangles][:, :, 2].mean(axis=1) < -24.0
    open_below = BoneSurface(Surface(solid.points_mm, solid.triangles[~low]), float("nan"), 0.2)
    after = bone_without(open_below, [peg()]).surface
    radius = np.hypot(after.points_mm[:, 0], after.points_mm[:, 1])
    in_socket = (radius < 3.5) & (after.points_mm[:, 2] < -1.5) & (after.points_mm[:, 2] > -ROOT_MM + 1)
    assert in_socket.sum() > 100
    assert np.abs(radius[in_socket] - RADIUS_MM - SOCKET_GAP_MM).max() < 0.1


def test_without_teeth_the_bone_is_the_same_object() -> None:
    before = bone()
    assert bone_without(before, []) is before


def test_a_plan_stands_its_fixtures_in_the_bone_that_is_left() -> None:
    """Extraction and bone reduction both count; the surface that was adopted stays as it was."""
    plan = edits.mark_tooth(edits.adopt_bone(Plan(), bone(), {}), peg())
    assert bone_in_use(plan) is plan.bone.bone
    plan = edits.set_tooth_state(plan, "35", ToothState.TO_EXTRACT)
    left = bone_in_use(plan)
    assert left is bone_in_use(plan), "worked out once"
    socket = enclosed_mm3(plan.bone.bone.surface) - enclosed_mm3(left.surface)
    assert socket > 200.0
    lowered = edits.plan_bone_cut(plan, BoneCut([0.0, 0, -4.0], [0, 0, 1]))
    lower = bone_in_use(lowered)
    assert bone_with_sockets(lowered) is left, "what a cut takes off is measured on the bone before it"
    assert what_shapes_bone(lowered) != what_shapes_bone(plan)
    assert lower.surface.points_mm[:, 2].max() == pytest.approx(-4.0, abs=1e-6)


def test_no_guide_rests_on_a_tooth_that_moves_or_goes() -> None:
    """Common practice, no source; what was examined at the chair stays where it is worse."""
    plan = edits.set_mouth(Plan(), MouthFacts(teeth=(CarrierTooth("35"), CarrierTooth("34", mobile=True))))
    plan = edits.mark_tooth(plan, evolve(peg(), state=ToothState.TO_EXTRACT))
    plan = edits.mark_tooth(plan, evolve(peg(), site="34"))
    plan = edits.mark_tooth(plan, evolve(peg(), site="33", state=ToothState.MOBILE))
    plan = edits.mark_tooth(plan, evolve(peg(), site="13", state=ToothState.MOBILE))
    teeth = {tooth.number: tooth for tooth in mouth_of(plan).teeth or ()}
    assert {number for number, tooth in teeth.items() if tooth.usable} == set()
    assert teeth["35"].to_extract
    assert sorted(teeth) == ["33", "34", "35"], "a tooth of the other jaw carries nothing here"
    assert mouth_of(edits.plan_bone_cut(plan, BoneCut([0.0, 0, 0], [0, 0, 1]))).flap_needed
