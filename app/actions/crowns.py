"""Planned teeth: setting up, taking from a surface, changing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from app.actions.base import Actions
from planner_core.case import derived, edits
from planner_core.case.plan import Plan, SurfaceRole
from planner_core.errors import PlannerError
from planner_core.planning.crown_fit import SetUp, set_up_among, tooth_from_surface
from planner_core.planning.crowns import PlannedTooth

Tell = Callable[[tuple[str, ...]], None]


def made_crowns(plan: Plan, sites: tuple[str, ...]) -> SetUp:
    """Set up the teeth of a plan at some sites, fitted to all that is known of the mouth."""
    if plan.arch is None:
        raise PlannerError("There is no arch to set teeth up on.", "Draw the arch first.")
    plane = None
    if plan.design.plane_point_lps_mm is not None:
        found = derived.occlusal_plane_of(plan)
        plane = None if found is None else (found.point_lps_mm, found.normal_lps)
    opposing = next(iter(derived.surfaces_of_role(plan, SurfaceRole.OPPOSING).values()), None)
    bone = derived.bone_in_use(plan)
    return set_up_among(
        plan.arch,
        sites,
        derived.neighbour_surfaces(plan, sites),
        bone=None if bone is None else bone.surface,
        plane=plane,
        opposing=opposing,
    )


class CrownActions(Actions):
    """Planned teeth."""

    def set_up(self, sites: tuple[str, ...], tell: Tell) -> None:
        """Set up missing teeth, as a job."""
        plan, workspace = self.plan, self.workspace
        self.toolbox.stop()
        job = workspace.jobs.start(
            "Setting up the teeth",
            made_crowns,
            plan,
            sites,
            key="crowns",
            is_wanted=lambda: workspace.is_open and workspace.plan is plan,
        )

        def done(found: SetUp) -> None:
            words = ", ".join(sites)
            self.apply(f"Set up planned teeth {words}", edits.set_crowns, found.crowns)
            self._take(found.crowns[0])
            tell(found.notes)

        job.succeeded.connect(lambda found: workspace.when_free(lambda: done(found)))
        job.failed.connect(workspace.messages.report)

    def take_from_surface(self, site: str, tell: Tell) -> None:
        """Cut a planned tooth out of the wax-up or prosthesis."""
        plan = self.plan
        found = derived.surfaces_of_role(plan, SurfaceRole.WAX_UP, SurfaceRole.PROSTHESIS)
        if not found:
            raise PlannerError(
                "No wax-up or prosthesis is in the frame of the scan.",
                "Match it, or open one that shares the frame of the matched surface scan.",
            )
        if plan.arch is None:
            raise PlannerError("There is no arch to find the tooth along.", "Draw the arch first.")
        surface_id, surface = next(iter(found.items()))
        start = derived.crown_at(plan, site)
        assert start is not None
        station = plan.arch.station_of(start.cervical_lps_mm)
        crown = tooth_from_surface(plan.arch, site, station, surface)
        self.apply(f"Take tooth {site} from {plan.surfaces[surface_id].label}", edits.set_crown, crown)
        self._take(crown)
        tell((f"{site}: taken from {plan.surfaces[surface_id].label}, {crown.height_mm:.1f} mm high.",))

    def change(self, crown: PlannedTooth) -> None:
        """Put a changed tooth in the place of the old one."""
        self.apply(f"Change planned tooth {crown.site}", edits.set_crown, crown)

    def remove(self, site: str) -> None:
        """Take a planned tooth away."""
        self.apply(f"Remove planned tooth {site}", edits.remove_crown, site)
        self.workspace.view.take_crown("")

    def _take(self, crown: Any) -> None:
        self.workspace.view.select("")
        self.workspace.go_to_point(crown.cervical_lps_mm)
        self.workspace.view.take_crown(crown.site)
