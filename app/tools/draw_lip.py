"""Draw the lip's edge at full smile by clicks in a section."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve

from app.picks import Pick
from app.sections import marks
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.geometry.frames import FloatArray


class DrawLip(Tool):
    """One click or more on the lip's edge; Enter keeps the line."""

    title = "Draw the lip's edge at full smile"

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self.points: list[FloatArray] = []
        self._say()

    def _say(self) -> None:
        count = len(self.points)
        self.hint = (
            "Click where the lip's edge stands at full smile, in one section or several. Esc: not now."
            if not count
            else f"{count} points. Enter: keep the line. Backspace: last point off. Esc: not now."
        )

    def press(self, pick: Pick) -> bool:
        """Set a point."""
        if pick.frame_name != "lps":
            return False
        self.points.append(np.array(pick.point_mm))
        self._say()
        self.on_change()
        return True

    def hover(self, pick: Pick) -> str:
        """Show a cross."""
        return "point"

    def back(self) -> None:
        """Take the last point off."""
        if self.points:
            self.points.pop()
            self._say()
            self.on_change()

    def finish(self) -> None:
        """Keep the line."""
        if self.points:
            design = evolve(self.workspace.plan.design, lip_lps_mm=np.array(self.points))
            self.workspace.apply("Draw the lip line", edits.set_design, design)

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the points."""
        if self.points:
            marks.paint_handles(work, np.array(self.points), work.theme.mark)
