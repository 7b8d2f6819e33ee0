"""The drawn shapes of what is marked besides arch, canal and bone: teeth, air spaces, structures drawn by hand."""

from __future__ import annotations

from typing import Any

from app.drawn import ready_mesh
from app.shapes import CanalBody, Mesh, canal_body, tube
from app.workspace import Workspace
from planner_core.anatomy.marked import DrawnStructure
from planner_core.anatomy.structures import Canal, Side
from planner_core.geometry.surface import Surface


def _mesh_of(workspace: Workspace, name: str, surface: Surface) -> Mesh | None:
    return ready_mesh(workspace, name, (surface,), lambda: (surface.points_mm, surface.triangles))


def tooth_mesh(workspace: Workspace, site: str) -> Mesh | None:
    """Give crown and root of a marked tooth, once ready to be cut."""
    return _mesh_of(workspace, f"tooth:{site}", workspace.plan.teeth[site].surface)


def cavity_mesh(workspace: Workspace, key: str) -> Mesh | None:
    """Give the wall of an air space, once ready to be cut."""
    return _mesh_of(workspace, f"cavity:{key}", workspace.plan.cavities[key].surface)


def structure_mesh(workspace: Workspace, structure: DrawnStructure) -> Mesh | None:
    """Give the wall of a drawn structure."""
    name = f"drawn:{structure.name}"
    if structure.surface is not None:
        return _mesh_of(workspace, name, structure.surface)
    shape: Any = workspace.shelf.get(
        name, (structure,), lambda: tube(structure.points_lps_mm, structure.diameter_mm / 2.0)
    )
    return shape  # type: ignore[no-any-return]


def structure_course(workspace: Workspace, structure: DrawnStructure) -> CanalBody:
    """Give a tube-like structure as a course, drawn like a canal."""

    def make() -> CanalBody:
        return canal_body(
            Canal(
                Side.LEFT,
                structure.control_lps_mm,
                structure.points_lps_mm,
                structure.diameter_mm,
                structure.sigma_mm,
                structure.certain,
            )
        )

    shape: Any = workspace.shelf.get(f"course:{structure.name}", (structure,), make)
    return shape  # type: ignore[no-any-return]
