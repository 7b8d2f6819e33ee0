"""The scan: its reading, the jaw that is planned, restorations, the altered picture, the rescan order."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from attrs import evolve

from app.actions.base import Actions
from app.dialogs import Dialogs
from app.tools.tool import ToolBox
from app.workspace import Workspace
from planner_core.anatomy.structures import Jaw
from planner_core.case import edits
from planner_core.case.derived.reduced import known_reduced, reduced_of
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.derived.site_readings import known_site_readings, needed_places, site_readings
from planner_core.case.plan import Plan, ScanReading
from planner_core.errors import PlannerError
from planner_core.exchange.pdf_rescan import OrderFor, rescan_pdf
from planner_core.files import write_bytes
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.rescan import Advice, advice_of, rescan_order
from planner_core.imaging.retention import Retention, notes_by_body
from planner_core.imaging.scan_check import ScanCheck
from planner_core.progress import Progress, silent

PDF_FILES = "PDF (*.pdf)"


def middles_of(plan: Plan) -> dict[str, FloatArray]:
    """Give the middle of every fixture by site: what must be readable there."""
    return {site: f.pose.at_depth(f.shape.length_mm / 2.0) for site, f in plan.fixtures.items()}


def _of_restorations(advice: Sequence[Advice], check: ScanCheck) -> tuple[Advice, ...]:
    """Leave out what concerns markers: nobody asks how they are held."""
    return tuple(a for a in advice if not check.restorations[a.restoration].kind.startswith("marker"))


def order_bytes(plan: Plan, check: ScanCheck, program: str, progress: Progress = silent) -> bytes:
    """Make the rescan order of a plan as a PDF."""
    assert plan.scan is not None
    progress(0.1, "Choosing places for markers")
    scan, volume = plan.scan, plan.scan.volume
    arch = None if plan.arch is None else plan.arch.curve_lps_mm
    notes = notes_by_body(plan.retention, [body.centre_lps_mm for body in check.restorations])
    order = rescan_order(check, volume, middles_of(plan), arch, notes)
    needed = needed_places(site_readings(plan, check))
    parts = rescan_order(check, volume, needed, arch, notes)
    order = evolve(
        order,
        reasons=tuple(dict.fromkeys((*parts.reasons, *order.reasons))),
        advice=_of_restorations(parts.advice, check),
    )
    size = " x ".join(str(n) for n in reversed(volume.shape))
    spacing = " x ".join(f"{s:.2f}" for s in reversed(volume.spacing_mm))
    kvp = f", {scan.source.kvp:.0f} kV" if scan.source.kvp else ""
    tube = f", {scan.source.tube_current_ma:.1f} mA" if scan.source.tube_current_ma else ""
    words = f"scan of {scan.source.study_date or 'unknown date'}, {size} voxels of {spacing} mm{kvp}{tube}"
    patient = [("Name", plan.patient.name)] if plan.patient.name else []
    progress(0.5, "Writing the order")
    return rescan_pdf(
        order,
        OrderFor(
            plan.title or "Case",
            patient,
            plan.jaw.value,
            middles_of(plan),
            arch,
            check.restorations,
            words,
            program,
        ),
    )


class ScanActions(Actions):
    """The scan: its reading and the jaw that is planned."""

    def __init__(self, workspace: Workspace, toolbox: ToolBox) -> None:
        super().__init__(workspace, toolbox)
        self._reading_for: tuple[Any, ...] = ()
        toolbox.changed.connect(self._back_to_the_scan)

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

    # ------------------------------------------------------------ sites and restorations

    def read_sites(self) -> None:
        """Judge every site part by part, as a job, once for each state."""
        plan, workspace = self.plan, self.workspace
        check = known_scan_check(plan)
        inputs = (plan.fixtures, plan.canals, plan.teeth, plan.arch, check)
        same = len(self._reading_for) == len(inputs) and all(
            a is b for a, b in zip(inputs, self._reading_for, strict=True)
        )
        if check is None or known_site_readings(plan) is not None or same:
            return
        self._reading_for = inputs
        job = workspace.jobs.start("Judging the sites", site_readings, plan, check, key="sites", shown=False)
        job.succeeded.connect(lambda _: workspace.numbers_changed.emit())
        job.failed.connect(workspace.messages.report)

    def note_retention(self, place_lps_mm: FloatArray, retention: Retention) -> None:
        """Note how a restoration is held."""
        self.apply(f"Note a restoration as {retention.value}", edits.note_retention, place_lps_mm, retention)

    def advice(self) -> tuple[Advice, ...]:
        """Say what helps for each restoration that ruins a planned site; nothing while that is not known yet."""
        plan, check = self.plan, known_scan_check(self.plan)
        readings = known_site_readings(plan)
        if check is None or readings is None:
            return ()
        notes = notes_by_body(plan.retention, [body.centre_lps_mm for body in check.restorations])
        return _of_restorations(advice_of(check, needed_places(readings), notes), check)

    def export_order(self, dialogs: Dialogs, path: Path | None = None) -> None:
        """Ask where the rescan order shall go and write it, as a job."""
        plan, workspace, check = self.plan, self.workspace, known_scan_check(self.plan)
        if plan.scan is None or check is None:
            raise PlannerError("The scan has not been checked yet.", "Wait for the scan check.")
        path = path or dialogs.new_file("Rescan order", PDF_FILES, "rescan-order.pdf")
        if path is None:
            return
        target = path

        def work(progress: Progress = silent) -> Path:
            write_bytes(target, order_bytes(plan, check, "Plumbline", progress))
            return target

        job = workspace.jobs.start("Writing the rescan order", work, key="order")
        job.succeeded.connect(lambda done: workspace.messages.note(f"Rescan order written to {done.name}."))
        job.failed.connect(workspace.messages.report)

    # ------------------------------------------------------------ the altered picture

    def show_picture(self, picture: str) -> None:
        """Show the scan, its altered copy, or both; the copy is made first where it is not there yet."""
        plan, workspace = self.plan, self.workspace
        if picture == "original" or plan.scan is None or known_reduced(plan) is not None:
            if picture != "original":
                self.toolbox.stop()
            workspace.view.show_picture(picture)
            return
        scan = plan.scan
        job = workspace.jobs.start(
            "Making the altered picture", reduced_of, plan, key="altered",
            is_wanted=lambda: workspace.is_open and workspace.plan.scan is scan,
        )  # fmt: skip

        def done(_: object) -> None:
            self.toolbox.stop()
            workspace.view.show_picture(picture)
            workspace.numbers_changed.emit()

        job.succeeded.connect(done)
        job.failed.connect(workspace.messages.report)

    def swap_picture(self) -> None:
        """Swap scan and altered picture."""
        self.show_picture("original" if self.workspace.view.picture != "original" else "altered")

    def _back_to_the_scan(self) -> None:
        """Tools work on the scan only."""
        view = self.workspace.view
        if self.toolbox.active is not None and view.picture != "original":
            view.show_picture("original")
            self.workspace.messages.note(
                "Shown as scanned again: nothing is measured or matched on the altered picture."
            )
