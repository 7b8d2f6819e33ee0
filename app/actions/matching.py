"""The match of the scans: which road, the pairs road, and what the adopted match looks like."""

from __future__ import annotations

from typing import Any

from app.actions.matching_base import RoadActions
from app.actions.matching_dual import DualActions
from app.actions.matching_markers import MarkerActions
from app.actions.matching_surface import SurfaceActions
from app.tools.pick_pairs import PickPairs
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.case.derived.match_picture import known_match_picture, match_picture_of
from planner_core.case.derived.roads import known_roads, road_inputs, roads_of
from planner_core.case.derived.scan import known_scan_check
from planner_core.registration.fiducials import match_points
from planner_core.registration.match import Match


class MatchActions(RoadActions):
    """The match of the scans; each road of its own stands in its own object."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox) -> None:
        super().__init__(workspace, toolbox)
        self.markers = MarkerActions(workspace, toolbox)
        self.surface = SurfaceActions(workspace, toolbox)
        self.dual = DualActions(workspace, toolbox)
        self._picture_for: Any = None
        self._roads_for: tuple[Any, ...] = ()

    # ------------------------------------------------------------ which road

    @property
    def is_comparing(self) -> bool:
        """Whether the table of roads is on its way, or waits for the scan check."""
        return self._is_running("roads") or self._is_running("scan check")

    def compare_roads(self, anew: bool = False) -> None:
        """Work out the table of roads, as a job, once for each state of what it depends on.

        Parameters
        ----------
        anew : bool
            The user asks for it: try again what was stopped or failed.
        """
        plan = self.plan
        if plan.scan is None or known_roads(plan) is not None or self.is_comparing:
            return
        inputs = road_inputs(plan)
        if not anew and (known_scan_check(plan) is None or _same(inputs, self._roads_for)):
            return
        self._roads_for = inputs
        job = self.workspace.jobs.start(
            "Comparing the roads", roads_of, plan, key="roads", is_wanted=lambda: self.workspace.is_open
        )
        job.succeeded.connect(lambda _: self._told())
        job.ended.connect(self.workspace.numbers_changed.emit)
        job.failed.connect(self.workspace.messages.report)

    def make_picture(self) -> None:
        """Compare the matched surface with the scan, as a job, unless that is known or on its way."""
        plan = self.plan
        if plan.match is None or plan.scan is None or plan.match.surface_id not in plan.surfaces:
            return
        if known_match_picture(plan) is not None or self._picture_for is plan.match:
            return
        self._picture_for = plan.match
        workspace = self.workspace
        job = workspace.jobs.start(
            "Comparing surface and scan", match_picture_of, plan, key="picture", shown=False,
            is_wanted=lambda: workspace.is_open,
        )  # fmt: skip
        job.succeeded.connect(lambda _: self._told())
        job.failed.connect(workspace.messages.report)

    def _told(self) -> None:
        self.workspace.numbers_changed.emit()
        self.workspace.view.restyled.emit()

    def _is_running(self, key: str) -> bool:
        return any(job.key == key and not job.is_cancelled for job in self.workspace.jobs.running)

    # ------------------------------------------------------------ pairs of points

    def pick_pairs(self, localisation_mm: float) -> None:
        """Take the pair tool in hand."""
        self.toolbox.take(PickPairs(self.workspace, localisation_mm))

    def remove_pair(self, name: str) -> None:
        """Take a pair away."""
        self.apply(f"Remove pair {name}", edits.remove_pair, name)

    def match_by_pairs(self) -> None:
        """Match surface scan and volume by the named pairs."""
        chosen = self.teeth()
        match: Match = match_points(self.plan.pairs, chosen.surface.frame)
        self.apply("Match by pairs", edits.adopt_match, match, chosen.surface_id)

    def drop_match(self) -> None:
        """Take the match back."""
        self.apply("Take the match back", edits.adopt_match, None)


def _same(a: tuple[Any, ...], b: tuple[Any, ...]) -> bool:
    return len(a) == len(b) and all(x is y for x, y in zip(a, b, strict=True))
