"""All that the user can do to the plan, by the question that it belongs to."""

from __future__ import annotations

from app.actions.anatomy import AnatomyActions
from app.actions.anatomy_marks import MarkActions
from app.actions.anatomy_measures import MeasureActions
from app.actions.arch import ArchActions
from app.actions.crowns import CrownActions
from app.actions.fixtures import FixtureActions
from app.actions.guiding import GuideActions
from app.actions.matching import MatchActions
from app.actions.parts import Parts
from app.actions.scan import ScanActions
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.planning.catalogue import Catalogue


class PlanActions:
    """One object for the panels and the commands."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox, catalogue: Catalogue) -> None:
        self.toolbox = toolbox
        self.parts = Parts(workspace, catalogue)
        self.scan = ScanActions(workspace, toolbox)
        self.match = MatchActions(workspace, toolbox)
        self.anatomy = AnatomyActions(workspace, toolbox)
        self.marks = MarkActions(workspace, toolbox)
        self.measures = MeasureActions(workspace, toolbox)
        self.crowns = CrownActions(workspace, toolbox)
        self.arch = ArchActions(workspace, toolbox, self.parts)
        self.fixtures = FixtureActions(workspace, toolbox, self.parts)
        self.guide = GuideActions(workspace, toolbox, self.parts)

    @property
    def catalogue(self) -> Catalogue:
        """The catalogue in use."""
        return self.parts.catalogue
