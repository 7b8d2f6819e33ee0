"""Bone surface and ridge against analytic shapes, and against VTK's and scikit-image's contouring."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.spatial import cKDTree
from skimage.measure import marching_cubes
from vtkmodules.util.numpy_support import numpy_to_vtk, vtk_to_numpy
from vtkmodules.vtkCommonDataModel import vtkImageData
from vtkmodules.vtkFiltersCore import vtkFlyingEdges3D

from planner_core.anatomy import ridge as ridge_module
from planner_core.anatomy.bone import bone_surface
from planner_core.anatomy.canal import canal_from_clicks
from planner_core.anatomy.meshes import enclosed_mm3
from planner_core.anatomy.ridge import ridge_at
from planner_core.anatomy.ridge_sides import horned, notched
from planner_core.anatomy.structures import Side
from planner_core.errors import Cancelled, PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from tests.core.anatomy.phantom_shapes import LEVELS, jaw_bar, shell


@pytest.mark.parametrize(("gain", "offset"), [(1.0, 0.0), (0.4, -700.0)])
def test_the_bone_surface_of_a_hollow_ball_is_its_outer_one(gain: float, offset: float) -> None:
    bone = bone_surface(shell(gain=gain, offset=offset))
    radius = np.linalg.norm(bone.surface.points_mm, axis=1)
    assert abs(radius.mean() - 14.0) < 0.05
    assert np.abs(radius - 14.0).max() < 0.3, "no inner surface and no stray piece"
    assert radius.std() < bone.sigma_mm
    assert enclosed_mm3(bone.surface) == pytest.approx(4 / 3 * np.pi * 14**3, rel=0.01), "triangles turn outwards"
    assert len(bone.surface.triangles) < 200_000


def test_a_wrong_handed_volume_still_gets_outward_triangles() -> None:
    volume = shell()
    matrix = np.array(volume.lps_from_index)
    matrix[0] *= -1
    assert enclosed_mm3(bone_surface(Volume(volume.stored, matrix)).surface) > 0


def peers_radii(volume: Volume, level: float) -> tuple[np.ndarray, np.ndarray]:
    """Give the radii of the outermost points of VTK's and scikit-image's contours at one global level."""
    grey = volume.grey(volume.stored)
    ours = volume.to_lps(marching_cubes(grey, level)[0])
    image = vtkImageData()
    image.SetDimensions(*volume.shape[::-1])
    image.GetPointData().SetScalars(numpy_to_vtk(np.ascontiguousarray(grey).ravel(), deep=True))
    edges = vtkFlyingEdges3D()
    edges.SetInputData(image)
    edges.SetValue(0, level)
    edges.Update()
    theirs = volume.to_lps(vtk_to_numpy(edges.GetOutput().GetPoints().GetData())[:, ::-1])
    return np.linalg.norm(theirs, axis=1), np.linalg.norm(ours, axis=1)


def test_a_thin_plate_is_set_better_than_by_one_global_level_of_vtk_or_skimage() -> None:
    """Half-way between soft tissue and compact bone misses a blurred thin plate; the local middle does not."""
    volume = shell(plate_mm=0.6, noise=20.0)
    bone = bone_surface(volume, levels=LEVELS)
    ours = np.linalg.norm(bone.surface.points_mm, axis=1)
    for radii in peers_radii(volume, (1000 + 2300) / 2):
        outer = radii[radii > 13.3]
        assert abs(np.median(ours) - 14.0) < abs(np.median(outer) - 14.0)
    thick = shell(noise=20.0)
    surface = bone_surface(thick, levels=LEVELS).surface.points_mm
    grey = thick.grey(thick.stored)
    peer = thick.to_lps(marching_cubes(grey, (1000 + 2300) / 2)[0])
    peer = peer[np.linalg.norm(peer, axis=1) > 13]
    assert np.quantile(cKDTree(peer).query(surface)[0], 0.99) < 0.3, "where the level is right, both agree"


def test_a_bone_surface_needs_bone_and_can_be_stopped() -> None:
    flat = Volume(np.random.default_rng(0).normal(1000, 20, (40, 40, 40)).astype(np.int16), np.eye(4))
    with pytest.raises(PlannerError):
        bone_surface(flat)

    def stop(fraction: float, text: str = "") -> None:
        if fraction > 0.5:
            raise Cancelled

    with pytest.raises(Cancelled):
        bone_surface(shell(), stop)


@pytest.mark.parametrize("gain", [1.0, 0.35])
def test_ridge_numbers_of_a_bar(gain: float) -> None:
    bar = jaw_bar(gain=gain, offset=-300.0)
    ridge = ridge_at(bar.volume, bar.arch, 3.0)
    assert ridge.crest_lps_mm is not None
    assert ridge.crest_lps_mm[2] == pytest.approx(bar.crest_z, abs=0.15)
    assert ridge.height_to == "lower border"
    assert ridge.height_mm == pytest.approx(bar.crest_z - bar.base_z, abs=0.3)
    for depth, width in ridge.width_mm.items():
        half = bar.width_mm / 2
        truth = 2 * np.sqrt(half**2 - (half - min(depth, half)) ** 2)
        sigma = ridge.width_sigma_mm[depth]
        assert width == pytest.approx(truth, abs=0.3), depth
        assert sigma is not None
        assert abs(width - truth) < 3 * sigma
    assert ridge.cheek_plate_mm[5.0] == pytest.approx(bar.plate_mm, abs=0.35)
    assert ridge.tongue_plate_mm[5.0] == pytest.approx(bar.plate_mm, abs=0.35)
    assert ridge.concavity_mm == pytest.approx(0.0, abs=0.3)


def test_the_height_is_measured_to_the_canals_upper_wall() -> None:
    bar = jaw_bar()
    canal = canal_from_clicks(Side.LEFT, bar.canal_lps_mm[::20], bar.volume, diameter_mm=2 * bar.canal_radius_mm)
    ridge = ridge_at(bar.volume, bar.arch, 3.0, canals=(canal,))
    top = -5.0 + 2.0 * (3.0 / 22) ** 2 + bar.canal_radius_mm
    assert ridge.height_to == "canal"
    assert ridge.height_mm == pytest.approx(bar.crest_z - top, abs=0.25)
    assert ridge.height_sigma_mm is not None
    assert ridge.height_sigma_mm > 0.4


def test_a_plate_under_two_voxels_is_not_measurable() -> None:
    bar = jaw_bar(plate_mm=0.5)
    ridge = ridge_at(bar.volume, bar.arch, 3.0, levels=LEVELS)
    assert ridge.cheek_plate_mm[5.0] is None
    assert ridge.reasons["cheek plate 5"].startswith("not measurable here")


def test_a_streaked_border_is_not_measurable() -> None:
    class Streaked:
        def level_at(self, points_lps_mm: np.ndarray) -> np.ndarray:
            return np.where(points_lps_mm[:, 1] < -1.0, 0.9, 0.0)

    bar = jaw_bar()
    ridge = ridge_at(bar.volume, bar.arch, 3.0, degradation=Streaked())
    assert ridge.width_mm[3.0] is None
    assert "streaked" in ridge.reasons["width 3"]
    assert ridge.tongue_plate_mm[5.0] is not None
    assert ridge.cheek_plate_mm[5.0] is None


def test_a_planned_bone_reduction_gives_a_new_crest() -> None:
    bar = jaw_bar()
    plane = (np.array([0.0, 0.0, bar.crest_z - 4.0]), np.array([0.0, 0.0, 1.0]))
    ridge = ridge_at(bar.volume, bar.arch, 3.0, crest_cut=plane)
    assert ridge.crest_lps_mm is not None
    assert ridge.crest_lps_mm[2] == pytest.approx(bar.crest_z - 4.0, abs=0.05)
    assert ridge.width_mm[0.5] == pytest.approx(bar.width_mm, abs=0.3)
    assert ridge.height_mm == pytest.approx(bar.crest_z - 4.0 - bar.base_z, abs=0.3)


def test_outside_the_bone_nothing_is_measured() -> None:
    bar = jaw_bar()
    away = np.array(bar.volume.lps_from_index)
    away[:3, 3] += (0, 60, 0)
    ridge = ridge_at(Volume(bar.volume.stored, away), bar.arch, 3.0)
    assert ridge.crest_lps_mm is None
    assert all(width is None for width in ridge.width_mm.values())
    assert ridge.reasons["crest"].startswith("not measurable here")


def outline(half_mm: Callable[[float], float]) -> FloatArray:
    """A symmetric outline from its half width by depth below the crest at the origin."""
    depths = np.linspace(0.0, 20.0, 400)
    halves = np.array([half_mm(float(depth)) for depth in depths])
    right, left = np.column_stack([halves, -depths]), np.column_stack([-halves, -depths])
    return np.concatenate([right, left[::-1]])


def test_a_horn_on_the_crest_is_no_bone() -> None:
    """A horn of 2 mm on a ridge of 8 mm is refused; a half-round crest and a knife edge are not."""
    crest = np.array([0.0, 0.0])
    assert horned(outline(lambda depth: 1.0 if depth < 1.7 else 4.0), crest)
    assert not horned(outline(lambda depth: 4.0 if depth > 4.0 else np.sqrt(8.0 * depth - depth**2)), crest)
    assert not horned(outline(lambda depth: min(0.5 + 0.8 * depth, 4.0)), crest)


def test_an_outline_that_lost_its_way_gives_no_width() -> None:
    """A ridge of 8 mm whose outline jumps to 3 mm is refused, one that narrows as an undercut does is not."""
    undercut = outline(lambda depth: min(2.0 + 4.0 * depth, 4.0 - 0.25 * max(depth - 1.0, 0.0)))
    jump = outline(lambda depth: 4.0 if depth < 2.0 else 1.5)
    crest = np.array([0.0, 0.0])
    assert not notched(undercut, crest)
    assert notched(jump, crest)


def cropped(volume: Volume, columns: tuple[slice, slice, slice]) -> Volume:
    """Give a part of a volume where it lay."""
    matrix = np.array(volume.lps_from_index)
    matrix[:3, 3] = volume.to_lps(np.array([[s.start or 0 for s in columns]], float))[0]
    return Volume(volume.stored[columns], matrix, volume.scale, volume.offset)


def test_a_ridge_that_the_scan_cuts_off_has_no_width_there() -> None:
    """The end of the scan is no border of bone; it runs through one of the plates here."""
    bar = jaw_bar(width_mm=9.0)
    middle = bar.volume.shape[1] // 2
    cut = cropped(bar.volume, (slice(None), slice(middle - 12, None), slice(None)))
    whole, half = ridge_at(bar.volume, bar.arch, 3.0), ridge_at(cut, bar.arch, 3.0)
    assert whole.width_mm[3.0] == pytest.approx(9.0, abs=0.7)
    assert half.width_mm[1.0] == pytest.approx(whole.width_mm[1.0], abs=0.2), "the crest itself is in the scan"
    for depth in (3.0, 5.0):
        assert half.width_mm[depth] is None
        assert half.reasons[f"width {depth:g}"].endswith("the scan ends here")


def test_plates_with_nothing_seen_between_them_are_no_knife_edge() -> None:
    """A crest whose thin cortex was missed leaves two plates: neither is the ridge."""
    bar = jaw_bar(width_mm=10.0)
    grey = np.array(bar.volume.stored)
    slices, rows, _ = np.meshgrid(*(np.arange(n) for n in grey.shape), indexing="ij")
    place = bar.volume.to_lps(np.stack([slices, rows, np.zeros_like(rows)], axis=-1).reshape(-1, 3))
    z, y = place[:, 2].reshape(grey.shape), place[:, 1].reshape(grey.shape)
    grey[(z > bar.crest_z - 7.0) & (np.abs(y) < 3.2)] = 1000
    opened = Volume(grey, bar.volume.lps_from_index, bar.volume.scale, bar.volume.offset)
    ridge = ridge_at(opened, bar.arch, 3.0, levels=LEVELS)
    assert set(ridge.width_mm.values()) == {None}
    assert "not seen all the way round" in ridge.reasons["crest"]


def test_what_is_as_thin_as_a_plate_is_no_ridge(monkeypatch: pytest.MonkeyPatch) -> None:
    """A streak or the canal can open one plate; what is left is as thin as the other."""
    bar = jaw_bar(width_mm=6.0)
    assert ridge_at(bar.volume, bar.arch, 3.0, levels=LEVELS).width_mm[5.0] == pytest.approx(6.0, abs=0.3)
    monkeypatch.setattr(ridge_module, "LEAST_RIDGE_MM", 6.5)
    refused = ridge_at(bar.volume, bar.arch, 3.0, levels=LEVELS)
    assert set(refused.width_mm.values()) == {None}
    assert refused.height_mm is None
    assert "as thin as one of its plates" in refused.reasons["crest"]
