"""Volumes and surfaces: valid from the constructor on, and true to their place."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planner_core.anatomy.structures import ARCH_STEP_MM, ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform, rotation_about
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume


def oblique_volume() -> Volume:
    affine = np.eye(4)
    affine[:3, :3] = rotation_about([1, 2, 3], 0.4) @ np.diag([0.4, 0.3, 0.25])[:, [2, 0, 1]]
    affine[:3, 3] = [-40, 12, 7]
    return Volume(np.arange(4 * 5 * 6, dtype=np.int16).reshape(4, 5, 6), affine, scale=0.5, offset=-100)


@given(st.tuples(*[st.floats(-20, 20)] * 3))
def test_index_and_place_are_inverse(index):
    volume = oblique_volume()
    assert np.allclose(volume.to_index(volume.to_lps(index)), index, atol=1e-9)


def test_spacing_volume_and_grey():
    volume = oblique_volume()
    assert sorted(volume.spacing_mm) == pytest.approx([0.25, 0.3, 0.4])
    assert volume.voxel_volume_mm3 == pytest.approx(0.4 * 0.3 * 0.25)
    assert volume.grey(volume.stored[0, 0, 1]) == pytest.approx(-99.5)
    assert volume.contains([volume.centre_lps_mm, volume.centre_lps_mm + 100]).tolist() == [True, False]


def test_the_hash_knows_numbers_and_place():
    a, b = oblique_volume(), oblique_volume()
    assert a.content_hash == b.content_hash
    moved = a.lps_from_index.copy()
    moved[0, 3] += 0.1
    assert Volume(a.stored, moved, a.scale, a.offset).content_hash != a.content_hash


def test_a_volume_cannot_be_changed():
    with pytest.raises(ValueError, match="read-only"):
        oblique_volume().stored[0, 0, 0] = 1


@pytest.mark.parametrize(
    ("stored", "affine"),
    [
        (np.zeros((2, 2, 2), np.float32), np.eye(4)),
        (np.zeros((2, 2), np.int16), np.eye(4)),
        (np.zeros((0, 2, 2), np.int16), np.eye(4)),
        (np.zeros((2, 2, 2), np.int16), np.diag([1.0, 1, 0, 1])),
        (np.zeros((2, 2, 2), np.int16), np.full((4, 4), np.nan)),
    ],
    ids=["float", "flat", "empty", "no depth", "nan"],
)
def test_impossible_volumes_are_refused(stored, affine):
    with pytest.raises(PlannerError):
        Volume(stored, affine)


def tetrahedron() -> Surface:
    return Surface(
        np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]]), [[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]
    )


def test_normals_point_outward_and_areas_add_up():
    surface = tetrahedron()
    centres = surface.points_mm[surface.triangles].mean(axis=1)
    inside = surface.points_mm.mean(axis=0)
    assert np.all(np.einsum("ij,ij->i", surface.face_normals, centres - inside) > 0)
    assert surface.face_areas_mm2.sum() == pytest.approx(1.5 + np.sqrt(3) / 2)


def test_a_surface_moves_only_by_a_transform_from_its_frame():
    surface = tetrahedron()
    own = Surface(surface.points_mm, surface.triangles, "surface:lower")
    moved = own.moved(RigidTransform.from_parts(np.eye(3), [1, 2, 3], "surface:lower"))
    assert np.allclose(moved.points_mm, own.points_mm + np.array([1, 2, 3]))
    with pytest.raises(PlannerError):
        surface.moved(RigidTransform.identity("surface:upper"))


def test_a_missing_corner_is_refused():
    with pytest.raises(PlannerError, match="corner"):
        Surface(np.zeros((3, 3)), [[0, 1, 3]])


def test_stations_run_from_the_patients_right_to_the_left():
    angles = np.linspace(np.pi, 0, 9)
    control = np.stack([25 * np.cos(angles), 30 - 30 * np.sin(angles), 0 * angles], axis=1)
    arch = ArchCurve(Jaw.LOWER, control)
    assert np.allclose(arch.point_at(0.0), [0, 0, 0], atol=ARCH_STEP_MM / 2)
    assert arch.point_at(10.0)[0] > 5 > -5 > arch.point_at(-10.0)[0]
    # LPS: +x is the patient's left, -y the front, so "outward" at the midline is to the front.
    assert np.allclose(arch.outward_at(0.0), [0, -1, 0], atol=0.02)
    assert arch.outward_at(30.0)[0] > 0.9
    assert arch.outward_at(-30.0)[0] < -0.9
    assert arch.station_of(arch.point_at(12.5)) == pytest.approx(12.5, abs=0.2)
    assert arch.tangent_at(0.0) == pytest.approx([1, 0, 0], abs=0.02)
