"""The dual scan: the prosthesis scanned alone, its markers, its surface taken into the patient."""

from __future__ import annotations

from pathlib import Path

from app.actions.matching_base import RoadActions
from app.tools.click_ball import ClickBall
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.derived.match_inputs import prosthesis_of
from planner_core.case.derived.second_scan import DualResult, calibrated, match_prosthesis, taken_second_scan
from planner_core.case.plan import Plan, SurfaceInput
from planner_core.errors import PlannerError
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.kept import PATIENT_FRAME, KnownBall, SecondScan
from planner_core.registration.marker_sets import MarkerSets


def read_second_scan(
    source: Path, uid: str | None, label: str, store: CaseStore | None, progress: Progress = silent
) -> tuple[SecondScan, SurfaceInput]:
    """Read the scan of the prosthesis, take its surface, and put both on the disk."""
    from planner_core.imaging.open_scan import open_scan

    scan = open_scan(source, uid, progress=part_of(progress, 0.0, 0.7))
    second, surface = taken_second_scan(scan, label, None, part_of(progress, 0.7, 0.9))
    if store is not None and not store.read_only:
        store.blobs.put_volume(second.volume)
        store.blobs.put_surface(surface.surface)
    return second, surface


class DualActions(RoadActions):
    """Patient with the prosthesis, then the prosthesis alone."""

    def read(self, source: Path, uid: str | None = None) -> None:
        """Read the second scan, as a job."""
        self._start(
            "Reading the scan of the prosthesis", read_second_scan, source, uid, source.name, self.workspace.store,
            key="second scan", take=self._take_scan,
        )  # fmt: skip

    def _take_scan(self, taken: tuple[SecondScan, SurfaceInput]) -> None:
        second, surface = taken
        self.apply("Open the scan of the prosthesis", edits.set_second_scan, second, surface)
        self.workspace.view.work_on(surface.surface_id)
        slices, rows, columns = second.volume.shape
        self.workspace.messages.note(f"Scan of the prosthesis opened: {columns} x {rows} x {slices} voxels.")

    def drop(self) -> None:
        """Take the second scan out of the case."""
        self.apply("Take the scan of the prosthesis out", edits.set_second_scan, None)

    def match(self, anew: bool = False) -> None:
        """Match by the markers of the prosthesis; they are found first where there are none."""
        self._start(
            "Matching by the dual scan", match_prosthesis, self.plan, anew, key="match", take=self._take_match
        )

    def _take_match(self, result: DualResult | MarkerSets) -> None:
        if isinstance(result, MarkerSets):
            taken = prosthesis_of(self.plan)
            assert taken is not None
            frame, sets = taken.surface.frame, result

            def keep(plan: Plan) -> Plan:
                return edits.set_markers(edits.set_markers(plan, PATIENT_FRAME, sets.fixed), frame, sets.moving)

            self.apply("Find the markers of the prosthesis", keep)
            self.workspace.messages.warn(sets.refusal)
            return
        found = result

        def both(plan: Plan) -> Plan:
            plan = edits.set_markers(plan, PATIENT_FRAME, found.fixed)
            plan = edits.set_markers(plan, found.frame, found.moving)
            return edits.adopt_match(plan, found.match, found.surface_id)

        self.apply("Match by the dual scan", both)

    # ------------------------------------------------------------ a ball of known size

    def click_ball(self, diameter_mm: float) -> None:
        """Take the tool in hand that shows which ball in the second scan has this diameter."""
        second = self._second()
        self.workspace.view.work_on(second.surface_id)
        self.toolbox.take(ClickBall(self.workspace, lambda place: self.set_ball(KnownBall(place, diameter_mm))))

    def set_ball(self, ball: KnownBall | None) -> None:
        """Take the prosthesis' surface at the grey value that gives the ball its size; None: half way again."""
        second = self._second()
        label = self.plan.surfaces[second.surface_id].label
        self._start(
            "Taking the surface of the prosthesis", calibrated, second, label, ball, key="second scan",
            take=lambda taken: self.apply("Calibrate the prosthesis' surface", edits.set_second_scan, *taken),
        )  # fmt: skip

    def _second(self) -> SecondScan:
        second = self.plan.second_scan
        if second is None:
            raise PlannerError("There is no scan of the prosthesis alone.", "Open it first.")
        return second
