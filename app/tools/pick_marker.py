"""Click markers that the program missed, in a section or on the surface scan; each is measured there."""

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
from planner_core.case.derived.match_inputs import levels_of
from planner_core.geometry.frames import FloatArray
from planner_core.registration.kept import PATIENT_FRAME, KeptMarker
from planner_core.registration.marker_sets import bump_at, marker_at


class PickMarker(Tool):
    """One click for each marker, in either scan, in any order: partners are found by their distances."""

    title = "Add markers"
    wants_own_scene = True
    hint = "Click a marker in a section, or on the surface scan in the 3D view; in any order. Esc: done."

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self._pending: list[FloatArray] = []

    def press(self, pick: Pick) -> bool:
        """Measure the marker under the click, as a job."""
        scan, chosen = self.workspace.plan.scan, drawn.first_surface(self.workspace)
        if pick.where == "strip" or scan is None:
            return False
        if pick.where == "scene":
            if pick.frame_name == "lps" or chosen is None:
                return False
            frame, work, source = pick.frame_name, bump_at, chosen.surface
            more: dict[str, Any] = {}
        else:
            frame, work, source = PATIENT_FRAME, marker_at, scan.volume
            more = {"levels": levels_of(self.workspace.plan)}
            self._pending.append(np.array(pick.point_mm))
        self._measure(frame, work, source, np.array(pick.point_mm), more)
        self.on_change()
        return True

    def _measure(self, frame: str, work: Any, source: Any, place: FloatArray, more: dict[str, Any]) -> None:
        workspace = self.workspace
        session = workspace.session
        job = workspace.jobs.start(
            "Measuring the marker",
            work,
            source,
            place,
            "clicked",
            is_wanted=lambda: workspace.is_open and workspace.session is session,
            shown=False,
            **more,
        )

        def take(marker: KeptMarker) -> None:
            from attrs import evolve

            self._pending = [p for p in self._pending if p is not place]
            name = self._free_name()
            workspace.apply(f"Add marker {name}", edits.add_marker, frame, evolve(marker, name=name))
            if marker.coverage > 0:
                workspace.messages.note(f"{name.capitalize()}: centre known to {mm(marker.localisation_mm, 2)} mm.")
            else:
                workspace.messages.note(
                    f"{name.capitalize()} stands where it was clicked: no round body was found."
                )

        job.succeeded.connect(lambda marker: workspace.when_free(lambda: take(marker)))
        job.failed.connect(workspace.messages.report)

    def _free_name(self) -> str:
        taken = {marker.name for markers in self.workspace.plan.markers.values() for marker in markers}
        return next(name for name in (f"clicked {k}" for k in range(1, 1000)) if name not in taken)

    def hover(self, pick: Pick) -> str:
        """Show a cross where a click counts."""
        return "" if pick.where == "strip" else "point"

    def paint(self, work: Any, kind: Any) -> None:
        """Paint what is being measured."""
        for place in self._pending:
            marks.paint_pair(work, place, "…", work.theme.pair, hollow=True)
