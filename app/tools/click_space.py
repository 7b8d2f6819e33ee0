"""Fill an air space (sinus, nose, airway) from one click in its dark."""

from __future__ import annotations

from app.picks import Pick
from app.tools.points import FLAT_VIEWS
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.anatomy.marked import Cavity, CavityKind
from planner_core.anatomy.sinus import find_cavity
from planner_core.anatomy.structures import Side
from planner_core.case import derived, edits

WORDS = {CavityKind.SINUS: "sinus", CavityKind.NASAL: "nasal space", CavityKind.AIRWAY: "airway"}


class ClickSpace(Tool):
    """One click; the space is filled as a job, and its side told from where it lies."""

    def __init__(self, workspace: Workspace, kind: CavityKind) -> None:
        super().__init__(workspace)
        self.kind = kind
        self.title = f"Mark the {WORDS[kind]}"
        self.hint = f"Click in the dark of the {WORDS[kind]}, in any section. Esc: not now."

    def press(self, pick: Pick) -> bool:
        """Fill the space under the pointer."""
        if pick.where not in FLAT_VIEWS:
            return False
        workspace, plan = self.workspace, self.workspace.plan
        assert plan.scan is not None
        volume = plan.scan.volume
        side = None
        if self.kind is CavityKind.SINUS:
            right_of_middle = float(pick.point_mm[0]) < float(volume.centre_lps_mm[0])
            middle = Side.RIGHT if right_of_middle else Side.LEFT
            side = middle if plan.arch is None else plan.arch.side_of(pick.point_mm)
        check = derived.known_scan_check(plan)

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is volume

        job = workspace.jobs.start(
            f"Filling the {WORDS[self.kind]}",
            find_cavity,
            volume,
            self.kind,
            pick.point_mm,
            levels=None if check is None else check.grey,
            side=side,
            key=f"space {self.kind.value}",
            is_wanted=wanted,
        )

        def take(cavity: Cavity) -> None:
            workspace.apply(f"Mark {cavity.key}", edits.mark_cavity, cavity)
            septa = len(cavity.septa_lps_mm)
            more = f" {septa} ridges rise from its floor." if septa else ""
            workspace.messages.note(f"The {cavity.key} is marked, {cavity.volume_mm3 / 1000:.1f} ml.{more}")
            for finding in cavity.findings:
                workspace.messages.warn(finding.text)

        job.succeeded.connect(lambda cavity: workspace.when_free(lambda: take(cavity)))
        job.failed.connect(workspace.messages.report)
        self.on_end()
        return True

    def hover(self, pick: Pick) -> str:
        """Show a cross."""
        return "point" if pick.where in FLAT_VIEWS else ""
