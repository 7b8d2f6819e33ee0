"""Move and turn a fixture with the pointer in a section; always at hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.picks import Pick
from app.sections import marks
from app.tools.tool import StepTool
from app.words import site_label
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.geometry.frames import FloatArray
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.handling import HANDLE_UP_MM


class MoveFixture(StepTool):
    """Press on a fixture to take it in hand; drag its body to move it, a handle to turn it.

    The handle at the apex turns it about its entry, the one over the platform about its apex; with the key for
    sliding it moves along its axis only.
    """

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self._site = ""
        self._mode = ""
        self._start: FixturePose | None = None
        self._from: FloatArray = np.zeros(3)
        self._pivot: FloatArray = np.zeros(3)

    def press(self, pick: Pick) -> bool:
        """Take the fixture under the pointer in hand; the one in hand begins to move."""
        if pick.section is None:
            return False
        site, part = self._hit(pick)
        if not site:
            return False
        if site != self.workspace.view.site:
            self.workspace.view.select(site)
            return True
        fixture = self.workspace.plan.fixtures[site]
        if fixture.locked:
            self.workspace.messages.warn(
                f"Fixture {site} is locked.", "Unlock it in the Fixtures panel to move it."
            )
            return True
        self._site, self._start, self._from = site, fixture.pose, pick.point_mm
        self._mode = "turn" if part in ("apex", "top") or pick.turning else "slide" if pick.sliding else "move"
        self._pivot = fixture.apex_lps_mm if part == "top" else fixture.pose.platform_lps_mm
        verb = "Turn" if self._mode == "turn" else "Move"
        self._step = self.workspace.session.begin(f"{verb} fixture {site}")
        return True

    def drag(self, pick: Pick) -> None:
        """Show the fixture where the pointer takes it."""
        if self._step is None or self._start is None or pick.section is None:
            return
        pose = self._turned(pick) if self._mode == "turn" else self._moved(pick)
        self._step.show(edits.move_fixture(self._step.start, self._site, pose))

    def _moved(self, pick: Pick) -> FixturePose:
        assert self._start is not None
        by = pick.point_mm - self._from
        if self._mode == "slide":
            by = float(by @ self._start.axis_lps) * self._start.axis_lps
        return self._start.shifted(by)

    def _turned(self, pick: Pick) -> FixturePose:
        assert self._start is not None
        assert pick.section is not None
        normal, pivot = pick.section.normal_lps, self._pivot
        before, after = ((end - pivot) for end in (self._from, pick.point_mm))
        before, after = (v - normal * float(v @ normal) for v in (before, after))
        angle = np.arctan2(float(np.cross(before, after) @ normal), float(before @ after))
        return self._start.turned(normal, float(np.degrees(angle)), pivot)

    def hover(self, pick: Pick) -> str:
        """Tell over which part of a fixture the pointer stands."""
        if pick.section is None:
            return ""
        site, part = self._hit(pick)
        if not site:
            return ""
        if site != self.workspace.view.site:
            return "turn"
        return "turn" if part in ("apex", "top") or pick.turning else "move"

    def _hit(self, pick: Pick) -> tuple[str, str]:
        ordered = sorted(self.workspace.plan.fixtures.items(), key=lambda item: item[0] != self.workspace.view.site)
        for site, fixture in ordered:
            part = part_under(fixture, pick, site == self.workspace.view.site)
            if part:
                return site, part
        return "", ""

    def paint(self, work: Any, kind: Any) -> None:
        """Mark the handle at the apex of the fixture in hand."""
        fixture = self.workspace.selected
        if fixture is None or fixture.locked:
            return
        for handle in (fixture.apex_lps_mm, fixture.pose.at_depth(-HANDLE_UP_MM)):
            _, depth = work.place(handle)
            if abs(float(depth[0])) < 1.5:
                marks.paint_handles(work, handle, work.theme.mark)
        if self._step is not None:
            label = site_label(fixture.site, self.workspace.settings.notation)
            xy, _ = work.place(fixture.pose.platform_lps_mm)
            marks.tag(work, f"{self._mode} {label}", float(xy[0, 0]) + 14, float(xy[0, 1]) - 16, work.theme.mark)


def part_under(fixture: PlacedFixture, pick: Pick, in_hand: bool = True) -> str:
    """Tell which part of a fixture a pick touches: "apex", "top" (handle over its platform), "body", nothing."""
    pose = fixture.pose
    if in_hand and float(np.linalg.norm(pick.point_mm - pose.at_depth(-HANDLE_UP_MM))) <= pick.reach_mm * 1.2:
        return "top"
    if float(np.linalg.norm(pick.point_mm - fixture.apex_lps_mm)) <= pick.reach_mm * 1.2:
        return "apex"
    offset = pick.point_mm - pose.platform_lps_mm
    depth = float(offset @ pose.axis_lps)
    away = float(np.linalg.norm(offset - depth * pose.axis_lps))
    if not -pick.reach_mm <= depth <= fixture.shape.length_mm + pick.reach_mm:
        return ""
    profile = fixture.shape.profile_mm
    radius = float(np.interp(depth, profile[:, 0], profile[:, 1]))
    return "body" if away <= radius + 0.5 * pick.reach_mm else ""
