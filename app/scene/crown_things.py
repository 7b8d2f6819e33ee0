"""Planned teeth, abutments, screw exits and handles in the 3D view."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from app import drawn_crowns
from app.scene import things
from app.sections.crown_paint import CROWN_COLOUR
from app.shapes import Mesh
from app.theme import OKABE_ORANGE
from app.workspace import Workspace
from planner_core.planning.handling import HANDLE_UP_MM

CROWN_OPACITY = 0.55
HANDLE_MM = 0.7
"""Half the side of a handle's cube, mm (our choice: seen, and does not hide the apex)."""
Wanted = dict[str, tuple[tuple[Any, ...], Callable[[], list[Any]]]]


def add_crowns(wanted: Wanted, workspace: Workspace) -> None:
    """Add planned teeth with their contacts and exits, abutments and connections to what is shown."""
    plan, theme = workspace.plan, workspace.theme
    if "crowns" in workspace.view.layers:
        for site, crown in plan.crowns.items():
            mesh = drawn_crowns.crown_mesh(workspace, site)
            wanted[f"crown:{site}"] = (
                (mesh,),
                lambda mesh=mesh, crown=crown: [
                    things.mesh_actor(mesh, CROWN_COLOUR, CROWN_OPACITY),
                    things.cross_actor(np.array(crown.contacts_lps_mm()), CROWN_COLOUR, 0.8),
                ],
            )
        for site, fixture in plan.fixtures.items():
            for name, mesh in (
                ("abutment", drawn_crowns.abutment_mesh(workspace, fixture)),
                ("connection", drawn_crowns.connection_mesh(workspace, fixture)),
            ):
                if mesh is not None:
                    wanted[f"{name}:{site}"] = (
                        (mesh,),
                        lambda mesh=mesh: [things.mesh_actor(mesh, theme.fixture)],
                    )
            beside = workspace.numbers.beside.get(site)
            if site in plan.crowns and beside is not None and beside.exit is not None:
                leaves, platform = beside.exit, beside.exit.start_lps_mm
                colour = CROWN_COLOUR if leaves.inside else OKABE_ORANGE
                wanted[f"exit:{site}"] = (
                    (leaves,),
                    lambda leaves=leaves, platform=platform, colour=colour: [
                        things.line_actor([np.stack([platform, leaves.point_lps_mm])], colour, 2.0),
                        things.cross_actor(leaves.point_lps_mm, colour, 1.2),
                    ],
                )
    fixture = workspace.selected
    if fixture is not None and not fixture.locked:
        wanted[f"fixture:{fixture.site}:handles"] = (
            (fixture,),
            lambda: [
                things.mesh_actor(cube(place, HANDLE_MM), theme.mark)
                for place in (fixture.apex_lps_mm, fixture.pose.at_depth(-HANDLE_UP_MM))
            ],
        )


def cube(centre_lps_mm: Any, half_mm: float) -> Mesh:
    """Give a small cube."""
    signs = np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=np.float64)
    quads = ((0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3))
    triangles = np.array([t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))], np.int32)
    return Mesh(np.asarray(centre_lps_mm) + half_mm * signs, triangles)
