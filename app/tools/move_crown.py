"""Move a planned tooth with the pointer in a section while the fixtures are being planned."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.picks import Pick
from app.tools.move_fixture import MoveFixture
from app.tools.tool import StepTool, Tool
from app.view_state import Step as Question
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.geometry.frames import FloatArray
from planner_core.planning.crowns import PlannedTooth


class MoveCrown(StepTool):
    """Press on a planned tooth to take it in hand; drag it to move it, with Shift to turn it."""

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self._start: PlannedTooth | None = None
        self._from: FloatArray = np.zeros(3)
        self._turns = False

    def press(self, pick: Pick) -> bool:
        """Take the tooth under the pointer in hand; the one in hand begins to move."""
        site = self._hit(pick)
        if not site:
            return False
        view = self.workspace.view
        if site != view.crown:
            view.take_crown(site)
            return True
        self._start, self._from, self._turns = self.workspace.plan.crowns[site], pick.point_mm, pick.turning
        self._step = self.workspace.session.begin(f"{'Turn' if self._turns else 'Move'} planned tooth {site}")
        return True

    def drag(self, pick: Pick) -> None:
        """Show the tooth where the pointer takes it."""
        if self._step is None or self._start is None or pick.section is None:
            return
        made = self._turned(pick) if self._turns else self._start.moved(pick.point_mm - self._from)
        self._step.show(edits.set_crown(self._step.start, made))

    def _turned(self, pick: Pick) -> PlannedTooth:
        assert self._start is not None
        assert pick.section is not None
        normal, pivot = pick.section.normal_lps, self._start.cervical_lps_mm
        before, after = (v - pivot - normal * float((v - pivot) @ normal) for v in (self._from, pick.point_mm))
        angle = np.arctan2(float(np.cross(before, after) @ normal), float(before @ after))
        return self._start.turned(normal, float(np.degrees(angle)))

    def hover(self, pick: Pick) -> str:
        """Tell whether a tooth stands under the pointer."""
        site = self._hit(pick)
        if not site:
            return ""
        return "move" if site == self.workspace.view.crown and not pick.turning else "turn"

    def _hit(self, pick: Pick) -> str:
        view = self.workspace.view
        if pick.section is None or view.site or view.step is not Question.FIXTURES or "crowns" not in view.layers:
            return ""
        for site, crown in self.workspace.plan.crowns.items():
            local = np.array([crown.along_lps, crown.facial_lps, crown.occlusal_lps]) @ (
                pick.point_mm - crown.cervical_lps_mm
            )
            across = np.hypot(local[0] / crown.mesiodistal_mm, local[1] / crown.faciolingual_mm)
            if across <= 0.5 and -0.5 <= local[2] <= crown.height_mm + 0.5:
                return site
        return ""


class Resting(Tool):
    """What is always at hand: fixtures can be moved, and planned teeth where no fixture is."""

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self.parts: tuple[Tool, ...] = (MoveFixture(workspace), MoveCrown(workspace))
        self._holding: Tool | None = None

    def press(self, pick: Pick) -> bool:
        """Hand the press to the first that takes it."""
        self._holding = next((part for part in self.parts if part.press(pick)), None)
        return self._holding is not None

    def drag(self, pick: Pick) -> None:
        """Follow the pointer."""
        if self._holding is not None:
            self._holding.drag(pick)

    def release(self, pick: Pick) -> None:
        """Finish what the press began."""
        holding, self._holding = self._holding, None
        if holding is not None:
            holding.release(pick)

    def revert(self) -> None:
        """Leave everything as it was."""
        self._holding = None
        for part in self.parts:
            part.revert()

    def hover(self, pick: Pick) -> str:
        """Give the pointer's shape over a place."""
        return next((shape for part in self.parts if (shape := part.hover(pick))), "")

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the handles."""
        for part in self.parts:
            part.paint(work, kind)
