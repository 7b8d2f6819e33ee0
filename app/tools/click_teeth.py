"""Mark teeth: one click for each; more clicks add what was missed or take off what was wrong."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve

from app.picks import Pick
from app.tools.points import FLAT_VIEWS
from app.tools.tool import Tool
from app.words import site_label
from app.workspace import Workspace
from planner_core.anatomy.marked import MarkedTooth
from planner_core.anatomy.teeth import find_tooth
from planner_core.anatomy.tooth_sizes import likely_site
from planner_core.case import derived, edits
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray

NEW, ADD, TAKE = "new", "add", "take"
NO_CLICKS = np.zeros((0, 3))


class ClickTeeth(Tool):
    """Each click is a tooth; its number is told from its station, or is the one chosen.

    In the modes `ADD` and `TAKE` clicks correct the tooth `site`: on what was missed, on what is not its own.
    """

    keeps_at_once = True

    def __init__(self, workspace: Workspace, site: str = "", mode: str = NEW) -> None:
        super().__init__(workspace)
        self.site, self.mode = site, mode
        label = site_label(site, workspace.settings.notation) if site else ""
        self.title = {
            NEW: f"Mark tooth {label}" if site else "Mark teeth",
            ADD: f"Add to tooth {label}",
            TAKE: f"Take off tooth {label}",
        }[mode]
        self.hint = {
            NEW: "Click the middle of a tooth at its neck, in any section; each click marks one more. Enter: done.",
            ADD: "Click on what was missed. With Shift: on what does not belong to it. Enter: done.",
            TAKE: "Click on what does not belong to the tooth. Enter: done.",
        }[mode]

    def press(self, pick: Pick) -> bool:
        """Mark or correct the tooth under the pointer."""
        if pick.where not in FLAT_VIEWS or pick.double:
            return pick.where in FLAT_VIEWS
        plan = self.workspace.plan
        if plan.scan is None or plan.arch is None:
            raise PlannerError("Teeth are numbered along the arch, which is not drawn yet.", "Draw the arch first.")
        point = np.array(pick.point_mm)
        if self.mode == NEW:
            taken = {} if self.site else plan.teeth
            site = self.site or likely_site(plan.arch, point, taken)
            self._find(site, point[None], NO_CLICKS)
        else:
            known = plan.teeth.get(self.site)
            if known is None:
                raise PlannerError(f"Tooth {self.site} is not marked any more.", "Mark it first.")
            take = self.mode == TAKE or pick.turning
            plus, minus = known.plus_lps_mm, known.minus_lps_mm
            if take:
                minus = np.vstack([minus, point])
            else:
                plus = np.vstack([plus, point])
            self._find(self.site, plus, minus)
        return True

    def hover(self, pick: Pick) -> str:
        """Show a cross."""
        return "point" if pick.where in FLAT_VIEWS else ""

    def _find(self, site: str, plus: FloatArray, minus: FloatArray) -> None:
        workspace, plan = self.workspace, self.workspace.plan
        assert plan.scan is not None
        volume, arch = plan.scan.volume, plan.arch
        check = derived.known_scan_check(plan)

        def wanted() -> bool:
            now = workspace.plan
            return workspace.is_open and now.scan is not None and now.scan.volume is volume and now.arch is arch

        job = workspace.jobs.start(
            f"Finding tooth {site}",
            find_tooth,
            volume,
            arch,
            site,
            plus,
            minus,
            levels=None if check is None else check.grey,
            degradation=check,
            key=f"tooth {site}",
            is_wanted=wanted,
        )
        verb = "Mark" if self.mode == NEW else "Correct"

        def take(tooth: MarkedTooth) -> None:
            before = workspace.plan.teeth.get(site)
            if before is not None:
                tooth = evolve(tooth, state=before.state)
            workspace.apply(f"{verb} tooth {site}", edits.mark_tooth, tooth)
            for finding in tooth.findings:
                workspace.messages.note(finding.text)

        job.succeeded.connect(lambda tooth: workspace.when_free(lambda: take(tooth)))
        job.failed.connect(workspace.messages.report)

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the clicks of the tooth that is corrected: a plus on it, a minus on what is not."""
        tooth = self.workspace.plan.teeth.get(self.site) if self.mode != NEW else None
        if tooth is None:
            return
        from app.sections import marks

        for sign, clicks in (("+", tooth.plus_lps_mm), ("−", tooth.minus_lps_mm)):
            for click in clicks:
                marks.paint_pair(work, click, sign, work.theme.mark)
