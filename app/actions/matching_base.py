"""What the roads of the match share: their jobs, and the surface that they match."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from app import drawn
from app.actions.base import Actions
from planner_core.case.derived.match_inputs import surface_of_teeth
from planner_core.case.plan import Plan, SurfaceInput, SurfaceRole
from planner_core.errors import PlannerError


class RoadActions(Actions):
    """Edits and jobs of one road."""

    def teeth(self) -> SurfaceInput:
        """Give the surface scan of the teeth that is worked on; a wax-up follows its own scan and is refused."""
        chosen = drawn.first_surface(self.workspace)
        if chosen is None or chosen.role is not SurfaceRole.TEETH:
            chosen = surface_of_teeth(self.plan)
        if chosen is None:
            raise PlannerError("There is no surface scan of the teeth to match.", "Open the surface scan first.")
        return chosen  # type: ignore[no-any-return]

    def _start(
        self,
        title: str,
        work: Callable[..., Any],
        *args: Any,
        key: str,
        take: Callable[[Any], None],
        **kwargs: Any,
    ) -> None:
        """Start a job; its result counts only while what a match is made from stays the same."""
        workspace, plan = self.workspace, self.plan
        self.toolbox.stop()

        def wanted() -> bool:
            return workspace.is_open and same_inputs(workspace.plan, plan)

        job = workspace.jobs.start(title, work, *args, key=key, is_wanted=wanted, **kwargs)
        job.succeeded.connect(lambda result: workspace.when_free(lambda: take(result)))
        job.failed.connect(workspace.messages.report)


def same_inputs(now: Plan, then: Plan) -> bool:
    """Tell whether everything that a match is made from is the same in two plans."""
    names = ("scan", "surfaces", "markers", "regions", "second_scan", "fixtures", "jaw", "match")
    return all(getattr(now, name) is getattr(then, name) for name in names)
