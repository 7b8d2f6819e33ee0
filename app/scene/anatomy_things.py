"""What is marked besides arch, canal and bone, in the 3D view."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from app import drawn_anatomy
from app.scene import things
from app.sections.anatomy_paint import AIR, DRAWN, TOOTH
from app.words import site_label
from app.workspace import Workspace
from planner_core.anatomy.marked import BoneCut, DrawnKind, MarkedTooth, ToothState
from planner_core.geometry.frames import FloatArray, perpendicular

CUT_HALF_MM = 38.0
"""Half the side of the plane that shows a bone reduction, mm (our choice: wider than a jaw)."""
AIR_OPACITY, GONE_OPACITY = 0.35, 0.25
Wanted = dict[str, tuple[tuple[Any, ...], Callable[[], list[Any]]]]


def anatomy_of(workspace: Workspace) -> Wanted:
    """Give what stands in the patient: by name, what it depends on and how its actors are made."""
    plan, layers = workspace.plan, workspace.view.layers
    theme, notation = workspace.theme, workspace.settings.notation
    wanted: Wanted = {}
    if "teeth" in layers:
        for site, tooth in plan.teeth.items():
            mesh = drawn_anatomy.tooth_mesh(workspace, site)
            if mesh is not None:
                label = site_label(site, notation)
                wanted[f"tooth:{site}"] = (
                    (mesh, tooth, label),
                    lambda mesh=mesh, tooth=tooth, label=label: _tooth(mesh, tooth, label),
                )
    if "cavities" in layers:
        for key in plan.cavities:
            mesh = drawn_anatomy.cavity_mesh(workspace, key)
            if mesh is not None:
                wanted[f"cavity:{key}"] = ((mesh,), lambda mesh=mesh: [things.mesh_actor(mesh, AIR, AIR_OPACITY)])
    if "drawn" in layers:
        for name, structure in plan.drawn.items():
            mesh = drawn_anatomy.structure_mesh(workspace, structure)
            colour = theme.canal if structure.kind is DrawnKind.INCISIVE_CANAL else DRAWN
            if mesh is not None:
                wanted[f"drawn:{name}"] = (
                    (mesh, colour),
                    lambda mesh=mesh, colour=colour: [things.mesh_actor(mesh, colour, 0.8)],
                )
    if "canal" in layers:
        for side, foramen in plan.foramina.items():
            wanted[f"foramen:{side}"] = (
                (foramen, theme.canal),
                lambda foramen=foramen: [things.line_actor([_ring(foramen.point_lps_mm)], theme.canal, 3.0)],
            )
    if "cut" in layers and plan.bone_cut is not None:
        cut = plan.bone_cut
        wanted["bone cut"] = ((cut,), lambda: [things.line_actor(_frame(cut), theme.picture_text, 1.5)])
    return wanted


def _tooth(mesh: Any, tooth: MarkedTooth, label: str) -> list[Any]:
    gone = tooth.state is ToothState.TO_EXTRACT
    words = label if tooth.state is ToothState.SOUND else f"{label} {tooth.state.value}"
    over = tooth.tip_lps_mm - 4.0 * tooth.axis_lps
    return [
        things.mesh_actor(mesh, TOOTH, GONE_OPACITY if gone else 1.0),
        things.text_actor(words, over, TOOTH, 13),
    ]


def _ring(centre: FloatArray, radius_mm: float = 2.0) -> FloatArray:
    turn = np.linspace(0.0, 2 * np.pi, 25)[:, None]
    return np.asarray(centre + radius_mm * (np.cos(turn) * [1.0, 0, 0] + np.sin(turn) * [0, 0, 1.0]))


def _frame(cut: BoneCut) -> list[FloatArray]:
    """Give the edges and two middle lines of the cut's plane."""
    first = perpendicular(cut.normal_lps)
    second = np.cross(cut.normal_lps, first)
    corners = [
        cut.point_lps_mm + CUT_HALF_MM * (a * first + b * second) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    ways = [
        np.stack([cut.point_lps_mm - CUT_HALF_MM * way, cut.point_lps_mm + CUT_HALF_MM * way])
        for way in (first, second)
    ]
    return [np.stack([*corners, corners[0]]), *ways]
