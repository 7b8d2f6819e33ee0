"""The surface road on open data: crown arches against a volume made from them, a head scan against itself."""

from __future__ import annotations

import nibabel as nib
import numpy as np
import pytest
import vtk
from scipy.ndimage import binary_dilation, gaussian_filter
from skimage.measure import marching_cubes
from vtk.util.numpy_support import vtk_to_numpy

from planner_core.geometry.frames import RigidTransform
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.surface_files import read_surface
from planner_core.registration.surface_match import match_surface
from tests.core.registration.mouth import pose
from tests.shared_data import shared_data

STEP_MM = 0.2
VOXEL_MM = 0.4

UPRIGHT = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
"""The files' y axis points to the chewing side (lower) and their z to the front; LPS has z to the head, y to the
back."""


def filled(surface: Surface, low: np.ndarray, shape: tuple[int, int, int]) -> np.ndarray:
    """Inside (1) or outside (0) of a closed surface on a grid, by VTK: nothing of ours makes the reference."""
    points, cells = vtk.vtkPoints(), vtk.vtkCellArray()
    for point in surface.points_mm:
        points.InsertNextPoint(*point)
    for triangle in surface.triangles:
        cells.InsertNextCell(3, [int(k) for k in triangle])
    mesh = vtk.vtkPolyData()
    mesh.SetPoints(points)
    mesh.SetPolys(cells)
    stencil = vtk.vtkPolyDataToImageStencil()
    stencil.SetInputData(mesh)
    stencil.SetOutputOrigin(*low)
    stencil.SetOutputSpacing(STEP_MM, STEP_MM, STEP_MM)
    stencil.SetOutputWholeExtent(0, shape[2] - 1, 0, shape[1] - 1, 0, shape[0] - 1)
    image = vtk.vtkImageStencilToImage()
    image.SetInputConnection(stencil.GetOutputPort())
    image.SetInsideValue(1)
    image.SetOutsideValue(0)
    image.SetOutputScalarTypeToUnsignedChar()
    image.Update()
    return vtk_to_numpy(image.GetOutput().GetPointData().GetScalars()).reshape(shape)


@pytest.mark.slow
@pytest.mark.parametrize(("jaw", "up"), [("Lower", 1.0), ("Upper", -1.0)])
def test_crowns_are_matched_to_a_volume_made_from_them(jaw: str, up: float) -> None:
    path = shared_data("crown_arches", f"Ref_{jaw}_Mesh_Tag=0.obj")
    surface = read_surface(path, "surface:lower", unit="mm").surface
    tilt = pose([8.0, -5.0, 6.0], [4.0, -3.0, 12.0])
    truth = RigidTransform.from_parts(tilt.rotation @ UPRIGHT, tilt.translation_mm, "surface:lower")
    placed = surface.moved(truth)
    low = placed.points_mm.min(axis=0) - 8.0
    shape = tuple(int(n) for n in (np.ceil((np.ptp(placed.points_mm, axis=0) + 16.0) / VOXEL_MM)[::-1] * 2))
    body = filled(placed, low, shape).astype(np.float32)
    body = body.reshape(shape[0] // 2, 2, shape[1] // 2, 2, shape[2] // 2, 2).mean(axis=(1, 3, 5))
    rng = np.random.default_rng(1)
    # Enamel in air, with a slab of soft tissue so that the scan has the three levels of a mouth.
    grey = -1000.0 + 3200.0 * gaussian_filter(body, 0.22 / VOXEL_MM)
    grey[:, : shape[1] // 40] = np.maximum(grey[:, : shape[1] // 40], 50.0)
    grey[:, -(shape[1] // 12) :] = np.maximum(grey[:, -(shape[1] // 12) :], 50.0)
    grey += rng.normal(scale=40.0, size=grey.shape)
    affine = np.eye(4)
    affine[:3, :3] = VOXEL_MM * np.eye(3)[:, ::-1]
    affine[:3, 3] = low + 0.5 * (VOXEL_MM - STEP_MM)
    volume = Volume(np.clip(grey, -1024, 3071).astype(np.int16), affine)
    result = match_surface(volume, surface, jaw_up=up)
    error = np.linalg.norm(result.match.lps_from_surface.apply(surface.points_mm) - placed.points_mm, axis=1)
    assert error.max() < 0.12
    assert result.match.trusted, result.match.reasons


@pytest.mark.slow
def test_a_head_scan_is_matched_to_its_own_surface() -> None:
    # Voxels of 0.8 x 0.8 x 1.5 mm, whose size is not certain: only the known pose is checked, in voxels.
    image = nib.load(shared_data("headct_jaws", "jaws_crop.nii.gz"))
    mask = np.asarray(nib.load(shared_data("headct_jaws", "jaws_crop_mandible.nii.gz")).dataobj) > 0
    numbers = np.asarray(image.dataobj).astype(np.int16)
    flip = np.diag([-1.0, -1.0, 1.0, 1.0])
    volume = Volume(numbers, flip @ image.affine)
    near = binary_dilation(mask, iterations=2)
    bone = np.where(near, numbers, -1024).astype(np.float32)
    corners, triangles, _, _ = marching_cubes(gaussian_filter(bone, 0.4), 500.0)
    inside = near[tuple(np.clip(np.rint(corners).astype(int), 0, np.array(near.shape) - 1).T)]
    triangles = triangles[inside[triangles].all(axis=1)]
    used, flat = np.unique(triangles, return_inverse=True)
    lps = Surface(volume.to_lps(corners[used].astype(float)), flat.reshape(-1, 3), "lps")
    for turn, shift in (([2.0, -3.0, 1.5], [1.0, -1.5, 1.0]), ([-3.0, 2.0, 3.0], [-1.5, 1.0, 1.2])):
        truth = pose(turn, shift)
        surface = Surface(truth.inverse().apply(lps.points_mm), lps.triangles, "surface:lower")
        result = match_surface(volume, surface, start=RigidTransform.identity("surface:lower"))
        error = np.linalg.norm(result.match.lps_from_surface.apply(surface.points_mm) - lps.points_mm, axis=1)
        assert np.sqrt(np.mean(error**2)) < 0.4  # half of the smaller voxel edge
