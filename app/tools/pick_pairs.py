"""Name the same spot in the surface scan (3D view) and in the volume (sections): one pair after the other."""

from __future__ import annotations

from typing import Any

import numpy as np

from app import drawn
from app.picks import Pick
from app.sections import marks
from app.tools.tool import Tool
from app.words import mm
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.registration.edges import GreyField
from planner_core.registration.markers import measure_ball
from planner_core.registration.match import PointPair
from planner_core.registration.surface_markers import snap_to_marker

FIRST_RADIUS_MM = 0.9
"""Radius that measuring a marker ball starts from, mm (balls are 1 to 3 mm wide; common practice, no source)."""


def measured_pair(pair: PointPair, surface: Surface, volume: Volume) -> PointPair:
    """Move both ends of a pair to the middle of the marker balls that were clicked, where there are such balls.

    What is no ball stays as it was clicked; the localisation error follows from what was measured.
    """
    field = GreyField.of(volume, calibrate_grey(volume))
    ball = measure_ball(field, pair.lps_mm, FIRST_RADIUS_MM, volume)
    if ball is not None:
        ball = measure_ball(field, ball.centre_mm, ball.radius_mm, volume) or ball
    try:
        bump = snap_to_marker(surface, pair.surface_mm)
    except PlannerError:
        bump = None
    if ball is None or bump is None:
        return pair
    error = float(np.hypot(ball.localisation_mm, bump.localisation_mm))
    return PointPair(pair.name, bump.centre_mm, ball.centre_mm, error)


class PickPairs(Tool):
    """Click a spot on the surface scan and the same spot in a section, in either order."""

    title = "Name pairs of points"

    def __init__(self, workspace: Workspace, localisation_mm: float) -> None:
        super().__init__(workspace)
        self.localisation_mm = localisation_mm
        self.surface_mm: FloatArray | None = None
        self.lps_mm: FloatArray | None = None
        self._pending: set[str] = set()
        self._say()

    def _say(self) -> None:
        if self.surface_mm is None and self.lps_mm is None:
            self.hint = (
                "Click a spot on the surface scan in the 3D view, then the same spot in a section. Esc: done."
            )
        elif self.lps_mm is None:
            self.hint = "Now the same spot in the scan: click it in a section. Backspace: not this one."
        else:
            self.hint = "Now the same spot on the surface scan: click it in the 3D view. Backspace: not this one."

    def press(self, pick: Pick) -> bool:
        """Take one half of a pair; with both, it is a pair."""
        if pick.where == "strip":
            return False
        if pick.where == "scene":
            if pick.frame_name == "lps":
                return False
            self.surface_mm = np.array(pick.point_mm)
        else:
            self.lps_mm = np.array(pick.point_mm)
        if self.surface_mm is not None and self.lps_mm is not None:
            self._finish_pair(PointPair(self._free_name(), self.surface_mm, self.lps_mm, self.localisation_mm))
            self.surface_mm = self.lps_mm = None
        self._say()
        self.on_change()
        return True

    def _finish_pair(self, clicked: PointPair) -> None:
        workspace = self.workspace
        session, scan, chosen = workspace.session, workspace.plan.scan, drawn.first_surface(workspace)
        assert scan is not None
        self._pending.add(clicked.name)
        job = workspace.jobs.start(
            "Measuring the marker",
            measured_pair,
            clicked,
            chosen.surface,
            scan.volume,
            is_wanted=lambda: workspace.is_open and workspace.session is session,
            shown=False,
        )

        def take(pair: PointPair) -> None:
            self._pending.discard(pair.name)
            workspace.apply(f"Add pair {pair.name}", edits.add_pair, pair)
            if pair is clicked:
                workspace.messages.note(
                    f"Pair {pair.name} stands where it was clicked: no marker ball was found there."
                )
            else:
                workspace.messages.note(
                    f"Pair {pair.name} was measured: localised to {mm(pair.localisation_mm, 2)} mm."
                )

        job.succeeded.connect(lambda pair: workspace.when_free(lambda: take(pair)))
        job.failed.connect(workspace.messages.report)

    def _free_name(self) -> str:
        taken = {pair.name for pair in self.workspace.plan.pairs} | self._pending
        return next(name for name in (f"P{k}" for k in range(1, 1000)) if name not in taken)

    def hover(self, pick: Pick) -> str:
        """Show a cross where a click counts."""
        return "" if pick.where == "strip" else "point"

    def back(self) -> None:
        """Drop the half that was clicked."""
        self.surface_mm = self.lps_mm = None
        self._say()
        self.on_change()

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the half that waits for its other one."""
        if self.lps_mm is not None:
            marks.paint_pair(work, self.lps_mm, "new", work.theme.pair, hollow=True)
