"""The drawn shapes of planned teeth, abutments and connections, made once per value."""

from __future__ import annotations

from typing import Any

from app.shapes import Mesh, revolved
from app.workspace import Workspace
from planner_core.planning.abutments import abutment_surface
from planner_core.planning.fixture import PlacedFixture

CONNECTION_SHARE = 0.8
"""Width of a one-piece connection over that of the platform, for drawing (our choice)."""


def crown_mesh(workspace: Workspace, site: str) -> Mesh:
    """Give the surface of a planned tooth."""
    crown = workspace.plan.crowns[site]

    def make() -> Mesh:
        surface = crown.surface()
        return Mesh(surface.points_mm, surface.triangles)

    mesh: Any = workspace.shelf.get(f"crown:{site}", (crown,), make)
    return mesh  # type: ignore[no-any-return]


def abutment_mesh(workspace: Workspace, fixture: PlacedFixture) -> Mesh | None:
    """Give the abutment on a fixture; None where none was chosen."""
    chosen = workspace.plan.abutments.get(fixture.site)
    if chosen is None:
        return None

    def make() -> Mesh:
        surface = abutment_surface(fixture, chosen)
        return Mesh(surface.points_mm, surface.triangles)

    mesh: Any = workspace.shelf.get(f"abutment:{fixture.site}", (fixture, chosen), make)
    return mesh  # type: ignore[no-any-return]


def connection_mesh(workspace: Workspace, fixture: PlacedFixture) -> Mesh | None:
    """Give what stands over the platform in one piece with the body; None where nothing does."""
    height = fixture.shape.connection_height_mm
    if height <= 0.0:
        return None
    radius = CONNECTION_SHARE * fixture.shape.platform_diameter_mm / 2.0
    profile = [[-height, 0.7 * radius], [0.0, radius]]
    mesh: Any = workspace.shelf.get(
        f"connection:{fixture.site}", (fixture,), lambda: revolved(profile, fixture.pose)
    )
    return mesh  # type: ignore[no-any-return]
