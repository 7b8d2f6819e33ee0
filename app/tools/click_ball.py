"""Show the ball of known size in the scan of the prosthesis: one click on it in the 3D view."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from app.picks import Pick
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.registration.kept import SECOND_FRAME

LARGEST_MM = 32.0
"""A free-standing body larger than this is no ball, mm (our choice: the largest that can be typed, and blur)."""


class ClickBall(Tool):
    """One click."""

    title = "Ball of known size"
    wants_own_scene = True
    hint = "Click the ball on the surface of the prosthesis's scan in the 3D view. Esc: not now."

    def __init__(self, workspace: Workspace, take: Callable[[FloatArray], None]) -> None:
        super().__init__(workspace)
        self._take = take

    def press(self, pick: Pick) -> bool:
        """Take the middle of the body that was clicked."""
        if pick.where != "scene" or pick.frame_name != SECOND_FRAME:
            return False
        self._place = self._middle(np.array(pick.point_mm))
        return True

    def _middle(self, click_mm: FloatArray) -> FloatArray:
        """Give the middle of the free-standing body that was clicked."""
        second = self.workspace.plan.second_scan
        if second is None:
            raise PlannerError("There is no scan of the prosthesis alone.", "Open it first.")
        surface = self.workspace.plan.surfaces[second.surface_id].surface
        count = len(surface.points_mm)
        ends = np.vstack([surface.triangles[:, [0, 1]], surface.triangles[:, [1, 2]]])
        joined = coo_matrix((np.ones(len(ends)), (ends[:, 0], ends[:, 1])), shape=(count, count))
        _, body = connected_components(joined, directed=False)
        clicked = body[int(np.argmin(np.linalg.norm(surface.points_mm - click_mm, axis=1)))]
        points = surface.points_mm[body == clicked]
        if float(np.ptp(points, axis=0).max()) > LARGEST_MM:
            raise PlannerError(
                "The body that was clicked is larger than a ball for calibration.",
                "Click a ball that stands free of the prosthesis.",
            )
        return np.asarray((points.min(axis=0) + points.max(axis=0)) / 2.0)

    def release(self, pick: Pick) -> None:
        """Calibrate by it."""
        place = self._place
        self.on_end()
        self._take(place)

    def hover(self, pick: Pick) -> str:
        """Show a cross where a click counts."""
        return "point" if pick.where == "scene" else ""
