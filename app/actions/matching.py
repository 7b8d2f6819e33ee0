"""The match of the scans."""

from __future__ import annotations

from app import drawn
from app.actions.base import Actions
from app.tools.pick_pairs import PickPairs
from planner_core.case import edits
from planner_core.errors import PlannerError
from planner_core.registration.fiducials import match_points
from planner_core.registration.match import Match


class MatchActions(Actions):
    """The match of the scans."""

    def pick_pairs(self, localisation_mm: float) -> None:
        """Take the pair tool in hand."""
        self.toolbox.take(PickPairs(self.workspace, localisation_mm))

    def remove_pair(self, name: str) -> None:
        """Take a pair away."""
        self.apply(f"Remove pair {name}", edits.remove_pair, name)

    def match_by_pairs(self) -> None:
        """Match surface scan and volume by the named pairs."""
        chosen = drawn.first_surface(self.workspace)
        if chosen is None:
            raise PlannerError("There is no surface scan to match.", "Open the surface scan first.")
        match: Match = match_points(self.plan.pairs, chosen.surface.frame)
        self.apply("Match by pairs", edits.adopt_match, match, chosen.surface_id)

    def drop_match(self) -> None:
        """Take the match back."""
        self.apply("Take the match back", edits.adopt_match, None)
