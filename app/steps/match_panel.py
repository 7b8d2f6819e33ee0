"""The panel of Match: do the scans agree."""

from __future__ import annotations

from app import drawn
from app.steps.match_dual import DualBlock
from app.steps.match_markers import MarkerBlock
from app.steps.match_pairs import PairsBlock
from app.steps.match_result import ROAD_WORDS, ResultBlock
from app.steps.match_roads import RoadsBlock
from app.steps.match_source import SourceBlock
from app.steps.match_surface import CombinedBlock, SurfaceBlock
from app.steps.panel import StepPanel
from app.view_state import Step
from planner_core.case.derived.match_inputs import prosthesis_of, surface_of_teeth
from planner_core.case.derived.roads import known_roads


class MatchPanel(StepPanel):
    """The answer first; then which road, the road chosen, and what is matched."""

    step = Step.MATCH
    title = "Match"
    question = "Do the scans agree, and how far may they be off at each site?"

    def build(self) -> None:
        """Make the widgets."""
        self.result = ResultBlock(self, "Do they agree?")
        self.roads = RoadsBlock(self, "Which road?", self.take_road)
        self.blocks = {
            "surface": SurfaceBlock(self, ROAD_WORDS["surface"]),
            "markers": MarkerBlock(self, ROAD_WORDS["markers"]),
            "combined": CombinedBlock(self, ROAD_WORDS["combined"]),
            "dual scan": DualBlock(self, ROAD_WORDS["dual scan"]),
            "points": PairsBlock(self, ROAD_WORDS["points"]),
        }
        self.source = SourceBlock(self, "Surface scan")
        for block in (self.result, self.roads, *self.blocks.values(), self.source):
            self._rows.addWidget(block)
        self._chosen_for: object = None
        self._source_first = False

    def refresh(self) -> None:
        """Bring them up to date."""
        if self.workspace.view.step is Step.MATCH and self.isVisible():
            self.actions_.match.compare_roads()
            self.actions_.match.make_picture()
        self._choose_at_first()
        self._place_source(first=not self.workspace.plan.surfaces)
        for block in (self.result, self.roads, self.source):
            block.refresh()
        for road, block in self.blocks.items():
            block.setVisible(road == self.roads.road)
            if road == self.roads.road:
                block.refresh()

    def _place_source(self, first: bool) -> None:
        """Put the file first while there is nothing to match, afterwards last."""
        if first is not self._source_first:
            self._source_first = first
            self._rows.removeWidget(self.source)
            self._rows.insertWidget(2 if first else self._rows.count() - 1, self.source)

    def _choose_at_first(self) -> None:
        """Open the road of the match there is, else the one advised; the user's own choice stays."""
        workspace = self.workspace
        if not workspace.is_open or self._chosen_for is workspace.session:
            return
        plan = workspace.plan
        roads = None if plan.scan is None else known_roads(plan)
        if plan.match is not None:
            self.roads.road = plan.match.match.road.value
        elif roads is not None and roads.table.advised is not None:
            self.roads.road = roads.table.advised.value
        else:
            self.roads.road = "surface"
            return  # until the roads are known
        self._chosen_for = workspace.session
        self._work_on_its_surface()

    def take_road(self, road: str) -> None:
        """Show the block of a road."""
        self._chosen_for = self.workspace.session if self.workspace.is_open else None
        self.roads.road = road
        self._work_on_its_surface()
        self.refresh()

    def _work_on_its_surface(self) -> None:
        plan, now = self.workspace.plan, drawn.first_surface(self.workspace)
        wanted = prosthesis_of(plan) if self.roads.road == "dual scan" else surface_of_teeth(plan)
        if wanted is not None and (now is None or now.role is not wanted.role):
            self.workspace.view.work_on(wanted.surface_id)
