"""Fixtures: placing, moving, proposing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from app.actions.base import Actions
from app.actions.parts import Parts
from app.tools.place_fixture import PlaceFixture
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.case import derived, edits
from planner_core.case.edits.fixtures import opposite_site
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.planning import handling
from planner_core.planning.abutments import ChosenAbutment
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.planning.proposal import Proposal

NUDGE_MM = 0.1
TILT_DEG = 0.5
"""One press of a key (DESIGN.md section 7)."""


class FixtureActions(Actions):
    """Fixtures: placing, moving, proposing."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox, parts: Parts) -> None:
        super().__init__(workspace, toolbox)
        self.parts = parts
        self.about_apex = False
        """Whether keys and typed tilts turn about the apex instead of the entry."""

    def place_fixture(self, site: str, shape: FixtureShape) -> None:
        """Take the placing tool in hand."""
        if self.plan.scan is None:
            raise PlannerError("There is no scan to place a fixture in.", "Open a scan first.")
        if site in self.plan.fixtures:
            raise PlannerError(f"There is a fixture at {site} already.", "Choose another site, or change this one.")
        self.workspace.view.select("")
        self.toolbox.take(PlaceFixture(self.workspace, site, shape))

    def change_shape(self, site: str, shape: FixtureShape) -> None:
        """Give a fixture another shape."""
        if self.plan.fixtures[site].shape.shape_id != shape.shape_id:
            self.apply(f"Change fixture {site} to {shape.label}", edits.change_shape, site, shape)

    def set_pose(self, site: str, pose: FixturePose) -> None:
        """Move a fixture to typed numbers."""
        self.apply(f"Move fixture {site}", edits.move_fixture, site, pose)

    def delete_fixture(self, site: str) -> None:
        """Take a fixture away."""
        self.apply(f"Delete fixture {site}", edits.delete_fixture, site)
        if self.workspace.view.site == site:
            self.workspace.view.select("")

    def set_lock(self, site: str, locked: bool) -> None:
        """Lock or free a fixture."""
        self.apply(f"{'Lock' if locked else 'Unlock'} fixture {site}", edits.set_lock, site, locked)

    def nudge(self, towards: str) -> None:
        """Move the fixture in hand by one small step: along the arch, across it, deeper or higher."""
        fixture = self.workspace.selected
        if fixture is not None:
            along, across = self._directions(fixture.pose)
            axis = fixture.pose.axis_lps
            step = {
                "left": along,
                "right": -along,
                "outward": across,
                "inward": -across,
                "deeper": axis,
                "higher": -axis,
            }[towards]
            self.set_pose(fixture.site, fixture.pose.shifted(NUDGE_MM * step))

    def tilt(self, towards: str) -> None:
        """Turn the fixture in hand by one small step about the chosen point: its apex goes that way."""
        fixture = self.workspace.selected
        if fixture is not None:
            along, across = self._directions(fixture.pose)
            aim = {"left": along, "right": -along, "outward": across, "inward": -across}[towards]
            turn_axis = np.cross(fixture.pose.axis_lps, aim)
            self.set_pose(fixture.site, handling.tilt(fixture, turn_axis, TILT_DEG, self.about_apex).pose)

    def roll(self, by_deg: float) -> None:
        """Turn the fixture in hand about its own axis."""
        fixture = self.workspace.selected
        if fixture is not None:
            self.set_pose(fixture.site, handling.roll(fixture, by_deg).pose)

    def swap_pivot(self) -> None:
        """Turn about the apex from now on, or about the entry again."""
        self.about_apex = not self.about_apex
        self.workspace.view.selected.emit()

    def mirror_in_hand(self) -> None:
        """Mirror the fixture in hand to the other side."""
        if self.workspace.selected is not None:
            self.mirror(self.workspace.selected.site)

    def make_parallel(self, site: str, other: str) -> None:
        """Turn a fixture parallel to another about the chosen point."""
        self.apply(f"Make {site} parallel to {other}", edits.align_fixture, site, other, self.about_apex)

    def mirror(self, site: str) -> None:
        """Mirror a fixture to the other side and take the new one in hand."""
        to_site = opposite_site(site)
        self.apply(f"Mirror fixture {site} to {to_site}", edits.mirror_fixture, site, to_site)
        self._take(to_site)

    def copy_to(self, site: str, to_site: str) -> None:
        """Copy a fixture to a site and take the new one in hand."""
        self.apply(f"Copy fixture {site} to {to_site}", edits.copy_fixture, site, to_site)
        self._take(to_site)

    def _take(self, site: str) -> None:
        self.workspace.view.select(site)
        self.workspace.go_to_point(self.plan.fixtures[site].pose.platform_lps_mm)

    def set_abutment(self, site: str, abutment_id: str, position: int = 0) -> None:
        """Put an abutment on a fixture, or none with an empty id."""
        chosen = None
        if abutment_id:
            abutment = self.parts.catalogue.abutments[abutment_id]
            count = max(1, abutment.rotational_positions) if abutment.angle_deg else 1
            chosen = ChosenAbutment(abutment, position % count)
        if self.plan.abutments.get(site) != chosen:
            self.apply(f"Abutment at {site}", edits.set_abutment, site, chosen)

    def set_margin(self, kind: str, margin_mm: float | None) -> None:
        """Set the user's own margin to a kind of structure; None goes back to the one with a source."""
        if self.plan.limits.margin_mm.get(kind) != margin_mm:
            self.apply(f"Margin to {kind}", edits.set_margin, kind, margin_mm)

    def _directions(self, pose: FixturePose) -> tuple[Any, Any]:
        """Give the directions to growing station and outwards, across the fixture's axis."""
        from planner_core.geometry.frames import unit

        arch = self.plan.arch
        along, across = np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])
        if arch is not None:
            station = arch.station_of(pose.platform_lps_mm)
            along, across = arch.tangent_at(station), arch.outward_at(station)
        along, across = (v - pose.axis_lps * float(v @ pose.axis_lps) for v in (along, across))
        return unit(along), unit(across)

    def propose_fixture(self, site: str, family: str, take: Callable[[Proposal], None]) -> None:
        """Search the place that leaves the most leeway at a site, as a job; the best one is placed."""
        plan, workspace = self.plan, self.workspace
        self.toolbox.stop()
        job = workspace.jobs.start(
            f"Searching a place at {site}",
            derived.proposal_of,
            plan,
            site,
            catalogue=self.parts.catalogue,
            family=family,
            degradation=derived.known_scan_check(plan),
            key="propose",
            is_wanted=lambda: workspace.is_open and workspace.plan is plan,
        )

        def done(proposal: Proposal) -> None:
            self.take_suggestion(proposal.best.fixture)
            for finding in proposal.findings:
                workspace.messages.warn(finding.text)
            take(proposal)

        job.succeeded.connect(lambda proposal: workspace.when_free(lambda: done(proposal)))
        job.failed.connect(workspace.messages.report)

    def take_suggestion(self, fixture: PlacedFixture) -> None:
        """Place a proposed fixture, in the stead of the one at its site."""

        def put(plan: Plan) -> Plan:
            if fixture.site not in plan.fixtures:
                return edits.place_fixture(plan, fixture.site, fixture.shape, fixture.pose)
            changed = edits.change_shape(plan, fixture.site, fixture.shape)
            return edits.move_fixture(changed, fixture.site, fixture.pose)

        self.apply(f"Take proposed fixture {fixture.site}", put)
        self._take(fixture.site)
