"""What is in the way: arch, canals, bone."""

from __future__ import annotations

from typing import Any

from app.actions.base import Actions
from app.tools.click_canal import ClickCanal
from app.tools.draw_arch import DrawArch
from planner_core.anatomy.arch_proposal import ArchProposal, propose_arch
from planner_core.anatomy.bone import bone_surface
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Side
from planner_core.case import derived, edits, fingerprints
from planner_core.case.case_file import CaseStore
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.progress import Progress, silent


def made_bone(volume: Volume, store: CaseStore | None, check: Any, progress: Progress = silent) -> BoneSurface:
    """Find the bone surface and put it on the disk, so that taking it into the plan is quick."""
    bone = bone_surface(volume, progress=progress, degradation=check)
    if store is not None and not store.read_only:
        store.blobs.put_surface(bone.surface)
    return bone


class AnatomyActions(Actions):
    """What is in the way: arch, canals, bone."""

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

    def set_midline(self) -> None:
        """Count the stations from the place looked at: teeth are numbered and sides told from there."""
        arch = self.plan.arch
        if arch is None:
            raise PlannerError("There is no arch to set the midline on.", "Draw the arch first.")
        middle = arch.point_at(self.workspace.view.station_mm)
        moved = ArchCurve(arch.jaw, arch.control_lps_mm, arch.up_lps, middle)
        self.apply("Set midline", edits.set_arch, moved)
        self.workspace.go_to_point(middle)

    def mark_canal(self, side: Side, diameter_mm: float | None = None) -> None:
        """Take the canal tool in hand; without a diameter the canal is followed in the scan."""
        if self.plan.scan is None:
            raise PlannerError("There is no scan to mark the canal in.", "Open a scan first.")
        self.workspace.view.select("")
        self.toolbox.take(ClickCanal(self.workspace, side, diameter_mm))

    def change_canal(self, side: Side, diameter_mm: float | None = None) -> None:
        """Take a marked canal's points in hand; it is followed anew after each drag."""
        if self.plan.canal_of(side) is None:
            raise PlannerError(f"The {side.value} canal is not marked yet.", "Mark it first.")
        self.workspace.view.select("")
        self.toolbox.take(ClickCanal(self.workspace, side, diameter_mm, change=True))

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
