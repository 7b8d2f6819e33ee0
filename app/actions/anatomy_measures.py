"""How much bone there is and what was measured: bone reduction, tables, grey values along a bore, measurements."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from attrs import frozen

from app.actions.base import Actions
from app.tools.place_cut import PlaceCut
from app.tools.take_measure import TakeMeasure
from planner_core.anatomy.bone_reduction import level_cut
from planner_core.anatomy.density import BoreProfile, bore_profile
from planner_core.anatomy.measure import MeasureKind
from planner_core.case import edits
from planner_core.errors import PlannerError
from planner_core.files import whole_file
from planner_core.geometry.frames import FloatArray, unit

BORE_MM = 3.5
"""Diameter of the bore that is read along a measured line, mm (our choice: a usual fixture's)."""


@frozen(eq=False)
class Bore:
    """Where grey values are read, and what the user calls it."""

    words: str
    start_lps_mm: FloatArray
    axis_lps: FloatArray
    length_mm: float
    diameter_mm: float


class MeasureActions(Actions):
    """Bone and measurements."""

    # ------------------------------------------------------------ measurements

    def measure(self, kind: MeasureKind) -> None:
        """Take a measuring tool in hand."""
        if self.plan.scan is None:
            raise PlannerError("There is no scan to measure in.", "Open a scan first.")
        self.toolbox.take(TakeMeasure(self.workspace, kind))

    def put_on_sheet(self, key: str, on_sheet: bool) -> None:
        """List a measurement on the sheet, or not."""
        verb = "List" if on_sheet else "Do not list"
        self.apply(f"{verb} measurement {key} on the sheet", edits.change_measurement, key, on_sheet=on_sheet)

    def name_measurement(self, key: str, label: str) -> None:
        """Give a measurement a name of the user's."""
        if label.strip() != self.plan.measurements[key].label:
            self.apply(f"Name measurement {key}", edits.change_measurement, key, label)

    def remove_measurement(self, key: str) -> None:
        """Take a measurement away."""
        self.apply(f"Remove measurement {key}", edits.remove_measurement, key)

    def look_at_measurement(self, key: str) -> None:
        """Go to where a measurement was taken."""
        self.workspace.view.select("")
        self.workspace.go_to_point(self.plan.measurements[key].points_lps_mm.mean(axis=0))

    # ------------------------------------------------------------ bone reduction

    def plan_cut(self, reduce_mm: float) -> None:
        """Plan a bone reduction, so much at the crest of the station looked at, parallel to the occlusal plane."""
        arch, tracks = self.plan.arch, self.workspace.numbers.tracks
        if arch is None:
            raise PlannerError("A bone reduction needs the arch.", "Draw the arch first.")
        ridge = None if tracks is None else tracks.ridge_at(self.workspace.view.station_mm)
        if ridge is None or ridge.crest_lps_mm is None or self.plan.bone_cut is not None:
            crest = arch.point_at(self.workspace.view.station_mm)
        else:
            crest = ridge.crest_lps_mm
        self.apply("Plan bone reduction", edits.plan_bone_cut, level_cut(arch, crest, reduce_mm))
        self.place_cut()

    def place_cut(self) -> None:
        """Take the plane of the bone reduction in hand."""
        if self.plan.bone_cut is None:
            raise PlannerError("No bone reduction is planned.", "Plan one first.")
        self.workspace.view.select("")
        self.toolbox.take(PlaceCut(self.workspace))

    def remove_cut(self) -> None:
        """Take the bone reduction back."""
        self.apply("No bone reduction", edits.plan_bone_cut, None)

    # ------------------------------------------------------------ tables

    def save_ridge_table(self, path: Path) -> None:
        """Write the ridge along the arch as CSV."""
        tracks = self.workspace.numbers.tracks
        if tracks is None or tracks.table is None:
            raise PlannerError("The ridge is not measured along the arch yet.", "Wait until it is.")
        self._write(path, tracks.table.to_csv())

    def save_soft_tissue(self, path: Path) -> None:
        """Write the soft tissue along the arch as CSV."""
        tracks = self.workspace.numbers.tracks
        if tracks is None or tracks.soft is None:
            raise PlannerError("The soft tissue is not measured yet.", "Match the surface scan first.")
        self._write(path, tracks.soft.to_csv())

    def _write(self, path: Path, text: str) -> None:
        with whole_file(path) as temporary:
            temporary.write_text(text, encoding="utf-8")
        self.workspace.messages.note(f"Written: {path}")

    # ------------------------------------------------------------ grey values along a bore

    def bores(self) -> list[Bore]:
        """Give what grey values can be read along: the fixture in hand, then the measured distances."""
        found = []
        for site, fixture in self.plan.fixtures.items():
            pose, shape = fixture.pose, fixture.shape
            bore = Bore(f"Fixture {site}", pose.platform_lps_mm, pose.axis_lps, shape.length_mm, shape.diameter_mm)
            found.insert(0, bore) if site == self.workspace.view.site else found.append(bore)
        for key, measured in self.plan.measurements.items():
            if measured.kind is MeasureKind.DISTANCE:
                start, end = measured.points_lps_mm[:2]
                length = float(np.linalg.norm(end - start))
                if length > 0.5:
                    words = f"Line {measured.label or key}"
                    found.append(Bore(words, start, unit(end - start), length, BORE_MM))
        return found

    def read_bore(self, bore: Bore, take: object) -> None:
        """Read the grey values along and around a bore as a job and hand the profile over."""
        scan, check = self.plan.scan, self.workspace.numbers.scan_check
        if scan is None:
            raise PlannerError("There is no scan to read.", "Open a scan first.")
        volume, workspace = scan.volume, self.workspace

        def work() -> BoreProfile:
            levels = None if check is None else check.grey
            return bore_profile(volume, bore.start_lps_mm, bore.axis_lps, bore.length_mm, bore.diameter_mm, levels)

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is volume

        job = workspace.jobs.start("Reading the grey values", work, key="bore", is_wanted=wanted, shown=False)
        job.succeeded.connect(take)  # type: ignore[arg-type]
        job.failed.connect(workspace.messages.report)
