"""Paint on the surface scan in the 3D view which part may carry the match, or may not: one stroke, one step."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from app.picks import Pick
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.geometry.frames import AnyArray
from planner_core.registration.kept import PaintedRegion

BRUSH_MM = 3.0
"""Radius of the brush, mm (our choice: half a tooth)."""


class PaintRegion(Tool):
    """A brush on the surface scan."""

    keeps_at_once = True
    wants_own_scene = True
    """It works on the surface scan alone, in its own frame."""
    takes_scene_drags = True
    """The 3D view hands it drags of the left button; the right button turns the view meanwhile."""

    def __init__(self, workspace: Workspace, surface_id: str, inside: bool) -> None:
        super().__init__(workspace)
        self.surface_id, self.inside = surface_id, inside
        self.title = "Paint in" if inside else "Paint out"
        what = "what may carry the match" if inside else "what must not carry the match"
        self.hint = f"Drag over the surface in the 3D view: {what}. Right button: turn the view. Esc: done."
        surface = workspace.plan.surfaces[surface_id].surface
        self._frame = surface.frame
        self._tree = cKDTree(surface.points_mm)
        self.states: AnyArray | None = None
        """While a stroke goes on: the region as it will be."""

    def press(self, pick: Pick) -> bool:
        """Begin a stroke."""
        if pick.where != "scene" or pick.frame_name != self._frame:
            return False
        region = self.workspace.plan.regions.get(self.surface_id)
        self.states = np.zeros(self._tree.n, np.int8) if region is None else np.array(region.states)
        self.drag(pick)
        return True

    def drag(self, pick: Pick) -> None:
        """Paint on."""
        if self.states is not None and pick.frame_name == self._frame:
            near = self._tree.query_ball_point(pick.point_mm, BRUSH_MM)
            self.states[near] = 1 if self.inside else -1
            self.on_redraw()

    def release(self, pick: Pick) -> None:
        """Keep the stroke as one step."""
        states, self.states = self.states, None
        if states is not None:
            label = "Paint a region in" if self.inside else "Paint a region out"
            self.workspace.apply(label, edits.paint_region, self.surface_id, PaintedRegion(states))

    def revert(self) -> None:
        """Drop the stroke in progress."""
        self.states = None

    def hover(self, pick: Pick) -> str:
        """Show a cross where the brush paints."""
        return "point" if pick.where == "scene" else ""
