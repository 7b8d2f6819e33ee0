"""A rough start for the surface match: three spots clicked in the surface scan and in the volume."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from app.picks import Pick
from app.sections import marks
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.geometry.frames import FloatArray
from planner_core.registration.match import PointPair

NEEDED = 3
CLICK_MM = 1.5
"""Expected error of such a pair, mm (our choice: the fit that follows reaches further)."""


class ThreeClicks(Tool):
    """Three pairs, each in either order; with the third the match starts by itself."""

    title = "Start by three clicks"
    wants_own_scene = True

    def __init__(self, workspace: Workspace, take: Callable[[Sequence[PointPair]], None]) -> None:
        super().__init__(workspace)
        self._take = take
        self.pairs: list[PointPair] = []
        self.surface_mm: FloatArray | None = None
        self.lps_mm: FloatArray | None = None
        self._say()

    def _say(self) -> None:
        done = f"{len(self.pairs)} of {NEEDED} done. "
        if self.surface_mm is not None:
            self.hint = done + "Now the same spot in a section."
        elif self.lps_mm is not None:
            self.hint = done + "Now the same spot on the surface scan in the 3D view."
        else:
            self.hint = (
                done
                + "Click a spot on the surface scan (3D view), then the same spot in a section: cusps far apart."
                " Backspace: last one off. Esc: not now."
            )

    def press(self, pick: Pick) -> bool:
        """Take one half of a pair."""
        if pick.where == "strip" or (pick.where == "scene" and pick.frame_name == "lps"):
            return False
        if pick.where == "scene":
            self.surface_mm = np.array(pick.point_mm)
        else:
            self.lps_mm = np.array(pick.point_mm)
        if self.surface_mm is not None and self.lps_mm is not None:
            name = f"S{len(self.pairs) + 1}"
            self.pairs.append(PointPair(name, self.surface_mm, self.lps_mm, CLICK_MM))
            self.surface_mm = self.lps_mm = None
        self._say()
        self.on_change()
        return True

    def release(self, pick: Pick) -> None:
        """Start the match with the third pair."""
        if len(self.pairs) == NEEDED:
            pairs = tuple(self.pairs)
            self.on_end()
            self._take(pairs)

    def hover(self, pick: Pick) -> str:
        """Show a cross where a click counts."""
        return "" if pick.where == "strip" else "point"

    def back(self) -> None:
        """Drop the half that was clicked, or the last pair."""
        if self.surface_mm is None and self.lps_mm is None and self.pairs:
            self.pairs.pop()
        self.surface_mm = self.lps_mm = None
        self._say()
        self.on_change()

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the pairs and the half that waits."""
        for pair in self.pairs:
            marks.paint_pair(work, pair.lps_mm, pair.name, work.theme.pair)
        if self.lps_mm is not None:
            marks.paint_pair(work, self.lps_mm, "new", work.theme.pair, hollow=True)

    def places_mm(self) -> list[tuple[FloatArray, str]]:
        """Give what stands on the surface scan, for the 3D view."""
        found = [(pair.surface_mm, pair.name) for pair in self.pairs]
        return [*found, (self.surface_mm, "new")] if self.surface_mm is not None else found
