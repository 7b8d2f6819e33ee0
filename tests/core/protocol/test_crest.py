"""Where an axis leaves the bone, on bodies of known shape and against VTK."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from pyvista import wrap
from vtkmodules.vtkCommonCore import vtkPoints
from vtkmodules.vtkFiltersGeneral import vtkOBBTree

from planner_core.geometry.surface import Surface
from planner_core.planning.fixture import FixturePose
from planner_core.protocol.crest import platform_below_crest_mm


def box(top_mm: float = 0.0) -> Surface:
    mesh = trimesh.creation.box((40.0, 10.0, 30.0)).subdivide().subdivide()
    mesh.apply_translation((0.0, 0.0, top_mm - 15.0))
    return Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces), "lps")


@pytest.mark.parametrize("depth_mm", [-2.0, 0.0, 0.5, 3.0])
def test_depth_below_a_flat_top(depth_mm: float) -> None:
    pose = FixturePose([1.3, 0.7, -depth_mm], [0.0, 0.0, -1.0])
    assert platform_below_crest_mm(pose, box()) == pytest.approx(depth_mm, abs=1e-9)


def test_a_tilted_axis_is_measured_along_itself() -> None:
    angle = np.radians(20.0)
    pose = FixturePose([0.0, 0.0, -1.0], [np.sin(angle), 0.0, -np.cos(angle)])
    assert platform_below_crest_mm(pose, box()) == pytest.approx(1.0 / np.cos(angle))


def test_beside_the_bone_there_is_no_depth() -> None:
    assert platform_below_crest_mm(FixturePose([0.0, 30.0, 0.0], [0.0, 0.0, -1.0]), box()) is None
    assert platform_below_crest_mm(FixturePose([0.0, 0.0, 40.0], [0.0, 0.0, -1.0]), box()) is None


def test_against_vtk_on_a_rough_body() -> None:
    rng = np.random.default_rng(5)
    mesh = trimesh.creation.icosphere(4, 12.0)
    mesh.vertices = mesh.vertices * (1 + 0.05 * np.sin(mesh.vertices[:, [0]]) * np.cos(mesh.vertices[:, [1]]))
    surface = Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces), "lps")
    tree = vtkOBBTree()
    tree.SetDataSet(wrap(mesh))
    tree.BuildLocator()
    for _ in range(20):
        start = rng.normal(size=3)
        platform = 11.0 * start / np.linalg.norm(start)
        axis = -platform + rng.normal(size=3)
        axis /= np.linalg.norm(axis)
        hits = vtkPoints()
        tree.IntersectWithLine(platform - 30.0 * axis, platform + 30.0 * axis, hits, None)
        depths = [float((np.array(hits.GetPoint(k)) - platform) @ axis) for k in range(hits.GetNumberOfPoints())]
        # Going along the axis from outside, every second crossing goes in.
        expected = -min(sorted(depths)[::2], key=abs)
        found = platform_below_crest_mm(FixturePose(platform, axis), surface)
        assert abs(expected) <= 12.0
        assert found == pytest.approx(expected, abs=1e-4)
