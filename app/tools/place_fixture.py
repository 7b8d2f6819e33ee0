"""Place a new fixture by one click in a section."""

from __future__ import annotations

from app.picks import Pick
from app.tools.tool import Tool
from app.words import site_words
from app.workspace import Workspace
from planner_core.anatomy.structures import Jaw
from planner_core.case import edits
from planner_core.geometry.frames import FloatArray
from planner_core.planning.fixture import FixturePose, FixtureShape


class PlaceFixture(Tool):
    """One click sets the platform; the axis goes straight into the jaw and is turned afterwards."""

    def __init__(self, workspace: Workspace, site: str, shape: FixtureShape) -> None:
        super().__init__(workspace)
        self.site, self.shape = site, shape
        self.title = f"Place {shape.label} at {site_words(site)}"
        self.hint = "Click where the middle of its platform shall be, at the crest. Esc: not now."

    def press(self, pick: Pick) -> bool:
        """Place it here."""
        if pick.frame_name != "lps":
            return False
        pose = FixturePose(pick.point_mm, axis_into_jaw(self.workspace))
        self.workspace.apply(f"Place fixture {self.site}", edits.place_fixture, self.site, self.shape, pose)
        self.on_end()
        self.workspace.view.select(self.site)
        return True

    def hover(self, pick: Pick) -> str:
        """Show a cross."""
        return "point"

    def finish(self) -> None:
        """Nothing is kept without a click."""


def axis_into_jaw(workspace: Workspace) -> FloatArray:
    """Give the direction from the mouth into the jaw: down in the lower one, up in the upper one."""
    import numpy as np

    plan = workspace.plan
    up = np.array([0.0, 0.0, 1.0]) if plan.arch is None else plan.arch.up_lps
    return np.asarray(-up if plan.jaw is Jaw.LOWER else up)
