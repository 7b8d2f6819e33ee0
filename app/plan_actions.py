"""What the user can do to the plan: one short method per wish; the edits themselves are the core's."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve

from app import drawn
from app.tools.click_canal import ClickCanal
from app.tools.draw_arch import DrawArch
from app.tools.pick_pairs import PickPairs
from app.tools.place_fixture import PlaceFixture
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.anatomy.arch_proposal import ArchProposal, propose_arch
from planner_core.anatomy.bone import bone_surface
from planner_core.anatomy.structures import BoneSurface, Jaw, Side
from planner_core.case import derived, edits, fingerprints
from planner_core.case.case_file import CaseStore
from planner_core.case.plan import Plan, ScanReading
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.planning.catalogue import Catalogue
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.fixture import FixturePose, FixtureShape, PlacedFixture
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT
from planner_core.planning.lists import load_catalogue_csv
from planner_core.planning.proposal import Proposal, propose
from planner_core.progress import Progress, silent
from planner_core.registration.fiducials import match_points
from planner_core.registration.match import Match

NUDGE_MM = 0.1
TILT_DEG = 0.5
"""One press of a key (DESIGN.md section 7)."""


def made_bone(volume: Volume, store: CaseStore | None, check: Any, progress: Progress = silent) -> BoneSurface:
    """Find the bone surface and put it on the disk, so that taking it into the plan is quick."""
    bone = bone_surface(volume, progress=progress, degradation=check)
    if store is not None and not store.read_only:
        store.blobs.put_surface(bone.surface)
    return bone


class PlanActions:
    """Edits and tools, at the user's word."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox, catalogue: Catalogue) -> None:
        self.workspace = workspace
        self.toolbox = toolbox
        self.catalogue = catalogue

    def open_list(self, path: Path) -> None:
        """Take the clinic's own list of fixtures, sleeves, drills or abutments into the catalogue."""
        own, findings = load_catalogue_csv(path)
        self.catalogue = self.catalogue.plus(own)
        for finding in findings:
            self.workspace.messages.warn(finding.text)
        parts = (own.fixtures, own.sleeves, own.drill_lists, own.abutments)
        words = ("fixtures", "sleeves", "drill lists", "abutments")
        found = ", ".join(f"{len(part)} {word}" for part, word in zip(parts, words, strict=True) if part)
        self.workspace.messages.note(f"{path.name}: {found or 'nothing that can be used'}.")
        self.workspace.catalogue_changed.emit()

    def apply(self, label: str, edit: Any, *args: Any, **kwargs: Any) -> None:
        """Make one step; a gesture in progress is put away first."""
        self.toolbox.stop()
        self.workspace.apply(label, edit, *args, **kwargs)

    @property
    def plan(self) -> Plan:
        """The plan."""
        return self.workspace.plan

    # ------------------------------------------------------------ scan

    def sign_reading(self, reader: str, date: str, text: str) -> None:
        """Record that the volume was read."""
        self.apply(
            "Sign the reading", edits.set_reading, ScanReading(reader, date or time.strftime("%Y-%m-%d"), text)
        )

    def take_reading_back(self) -> None:
        """Take the signature back."""
        self.apply("Take the reading back", edits.set_reading, None)

    def set_jaw(self, jaw: Jaw) -> None:
        """Say which jaw is planned."""
        if jaw is not self.plan.jaw:
            self.apply(f"Plan the {jaw.value} jaw", edits.set_jaw, jaw)

    # ------------------------------------------------------------ match

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

    # ------------------------------------------------------------ anatomy

    def draw_arch(self) -> None:
        """Take the arch tool in hand."""
        if self.plan.scan is None:
            raise PlannerError("There is no scan to draw the arch in.", "Open a scan first.")
        self.workspace.view.select("")
        self.toolbox.take(DrawArch(self.workspace))

    def propose_arch(self) -> None:
        """Lay the arch curve through what the scan shows, as a job."""
        plan, workspace = self.plan, self.workspace
        if plan.scan is None:
            raise PlannerError("There is no scan to find the arch in.", "Open a scan first.")
        volume, jaw = plan.scan.volume, plan.jaw
        check = derived.known_scan_check(plan)

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is volume and workspace.plan.jaw is jaw

        job = workspace.jobs.start(
            "Looking for the arch",
            propose_arch,
            volume,
            jaw,
            levels=None if check is None else check.grey,
            key="arch",
            is_wanted=wanted,
        )

        def take(proposal: ArchProposal) -> None:
            self.apply("Propose arch", edits.set_arch, proposal.arch)
            workspace.go_to_point(proposal.arch.point_at(0.0))
            for finding in proposal.findings:
                workspace.messages.warn(finding.text)

        job.succeeded.connect(lambda proposal: workspace.when_free(lambda: take(proposal)))
        job.failed.connect(workspace.messages.report)

    def mark_canal(self, side: Side, diameter_mm: float | None = None) -> None:
        """Take the canal tool in hand; without a diameter the canal is followed in the scan."""
        if self.plan.scan is None:
            raise PlannerError("There is no scan to mark the canal in.", "Open a scan first.")
        self.workspace.view.select("")
        self.toolbox.take(ClickCanal(self.workspace, side, diameter_mm))

    def remove_canal(self, side: Side) -> None:
        """Take a canal away."""
        self.apply(f"Remove the {side.value} canal", edits.remove_canal, side)

    def make_bone(self) -> None:
        """Draw the bone surface, as a job."""
        plan, workspace = self.plan, self.workspace
        if plan.scan is None:
            raise PlannerError("There is no scan to find bone in.", "Open a scan first.")
        scan = plan.scan
        made_from = fingerprints.bone_inputs(plan)

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is scan.volume

        check = derived.known_scan_check(plan)
        job = workspace.jobs.start(
            "Drawing the bone surface",
            made_bone,
            scan.volume,
            workspace.store,
            check,
            key="bone",
            is_wanted=wanted,
        )

        def take(bone: BoneSurface) -> None:
            self.apply("Draw bone surface", edits.adopt_bone, bone, made_from)
            workspace.messages.note(f"Bone surface drawn: {len(bone.surface.triangles)} triangles.")

        job.succeeded.connect(lambda bone: workspace.when_free(lambda: take(bone)))
        job.failed.connect(workspace.messages.report)

    # ------------------------------------------------------------ fixtures

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
        """Turn the fixture in hand about its platform by one small step: its apex goes that way."""
        fixture = self.workspace.selected
        if fixture is not None:
            along, across = self._directions(fixture.pose)
            aim = {"left": along, "right": -along, "outward": across, "inward": -across}[towards]
            turn_axis = np.cross(fixture.pose.axis_lps, aim)
            pose = fixture.pose.turned(turn_axis, TILT_DEG, fixture.pose.platform_lps_mm)
            self.set_pose(fixture.site, pose)

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
        others = {key: fixture for key, fixture in plan.fixtures.items() if key != site}
        self.toolbox.stop()
        job = workspace.jobs.start(
            f"Searching a place at {site}",
            propose,
            site,
            arch=plan.arch,
            obstacles=derived.obstacles_in(plan),
            guide=derived.guide_inputs_of(plan),
            match=derived.match_in_use(plan),
            others=others,
            catalogue=self.catalogue,
            family=family,
            limits_margin_mm=plan.limits.margin_mm,
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
        self.workspace.view.select(fixture.site)
        self.workspace.go_to_point(fixture.pose.platform_lps_mm)

    # ------------------------------------------------------------ guide

    def compare_guides(self) -> None:
        """Work out every kind of guide against the limits, as a job."""
        plan, workspace = self.plan, self.workspace
        job = workspace.jobs.start(
            "Comparing the guides",
            derived.choice_of,
            plan,
            key="choice",
            is_wanted=lambda: workspace.is_open and workspace.plan is plan,
        )
        job.succeeded.connect(lambda _: workspace.numbers_wanted.emit())
        job.failed.connect(workspace.messages.report)

    def set_guide(
        self, support: Support | None = None, guidance: Guidance | None = None, code: str | None = None
    ) -> None:
        """Say what carries the guide and how far it leads."""
        now = self.plan.guide
        same = (support in (None, now.support), guidance in (None, now.guidance), code in (None, now.code))
        if not all(same):
            self.apply("Change the guide", edits.set_guide, support=support, guidance=guidance, code=code)

    def set_mouth(self, **facts: Any) -> None:
        """Record what was examined at the chair; other facts stay."""
        mouth = evolve(self.plan.mouth, **facts)
        if mouth != self.plan.mouth:
            self.apply("Record what was examined", edits.set_mouth, mouth)

    def set_harm_limit(self, chance: float) -> None:
        """Set the chance of harm at a canal that is accepted."""
        now = self.plan.limits.harm_chance
        if abs((DEFAULT_HARM_LIMIT if now is None else now) - chance) > 1e-9:
            self.apply("Set the limit of harm", edits.set_harm_limit, chance)

    def set_sleeve(self, site: str, sleeve_id: str) -> None:
        """Give a site its sleeve, or none with an empty id."""
        sleeve = self.catalogue.sleeves[sleeve_id] if sleeve_id else None
        if self.plan.guide.sleeves.get(site) != sleeve:
            self.apply(f"Sleeve at {site}", edits.set_sleeve, site, sleeve)

    def set_drill_list(self, list_id: str) -> None:
        """Choose the list of drills."""
        drills = self.catalogue.drill_lists[list_id] if list_id else None
        if self.plan.guide.drill_list != drills:
            self.apply("Choose drill list", edits.set_drill_list, drills)
