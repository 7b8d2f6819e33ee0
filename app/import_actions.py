"""Taking scans and surface scans into the case: look, ask, read, take in; nothing is left of what was stopped."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from typing import Any

import numpy as np
from attrs import evolve

from app.dialogs import SCAN_FILES, SURFACE_FILES, Dialogs
from app.first_look import grey_range, start_view
from app.questions import RIDES_ALONG, ScanAnswer, ScanQuestion, SurfaceAnswer, SurfaceQuestion
from app.settings import data_folder
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.identity import scan_without_identity
from planner_core.case.plan import Plan, ScanInput, SurfaceInput, SurfaceRole
from planner_core.case.session import Session
from planner_core.imaging.scan import ImportedSurface
from planner_core.progress import Progress, part_of, silent

OTHER_IMAGES = (".nii", ".nii.gz", ".nrrd", ".nhdr", ".mha", ".mhd")
"""Images that hold one volume and no identity."""

LARGE_TRIANGLES, REDUCED_TRIANGLES = 300_000, 200_000
"""From how many triangles on a reduced form is offered, and how large that is (our choice: an arch scanned in the
mouth has 100,000 to 200,000)."""

OVERVIEW_TRIANGLES = 6000
"""Triangles in the picture of the whole surface (our choice: it is a hand wide)."""


def _called(role: SurfaceRole) -> str:
    return "surface scan" if role is SurfaceRole.TEETH else role.value


def cases_folder() -> Path:
    """Give the folder where new cases go unless the user says otherwise."""
    return data_folder() / "cases"


def free_folder(wanted: Path) -> Path:
    """Give this folder, or one with a number when something is there."""
    folder, number = wanted, 1
    while folder.exists():
        number += 1
        folder = wanted.with_name(f"{wanted.name}-{number}")
    return folder


def look_for_series(source: Path, progress: Progress = silent) -> Any:
    """List the series behind a source; where there is none, the reader says why."""
    from planner_core.imaging.dicom_import import list_series  # only here: the readers would make the start late
    from planner_core.imaging.open_scan import open_scan

    listing = list_series(source, progress)
    if not listing.series:
        open_scan(source)
    return listing


def read_scan(source: Path, answer: ScanAnswer, store: CaseStore | None, progress: Progress = silent) -> ScanInput:
    """Read a scan and put its numbers on the disk, so that taking it into the plan is quick."""
    from planner_core.imaging.open_scan import open_scan

    found = open_scan(source, answer.uid or None, resample=answer.resample, progress=part_of(progress, 0.0, 0.7))
    scan = ScanInput(found.volume, found.source, found.findings)
    if not answer.keep_identity:
        scan = scan_without_identity(scan)
    if store is None or store.read_only:
        scan.volume.hash_content(part_of(progress, 0.7, 0.95))
    else:
        store.prepare(scan.volume, part_of(progress, 0.7, 0.95))
    grey_range(scan.volume)
    progress(1.0, "Scan read")
    return scan


def scan_into_new_case(
    folder: Path, author: str, source: Path, answer: ScanAnswer, progress: Progress = silent
) -> tuple[CaseStore, Session]:
    """Make a case of a scan; when it is stopped or fails, no case is left."""
    scan = read_scan(source, answer, None, part_of(progress, 0.0, 0.6))
    folder.parent.mkdir(parents=True, exist_ok=True)
    store = CaseStore.create(folder, author, Plan(title=folder.name))
    try:
        store.prepare(scan.volume, part_of(progress, 0.6, 1.0))
        session = Session(store=store)
        session.apply("Import scan", take_in, scan)
        progress(1.0, "Scan taken in")
        return store, session
    except BaseException:
        store.close()
        shutil.rmtree(folder, ignore_errors=True)
        raise


def take_in(plan: Plan, scan: ScanInput) -> Plan:
    """Take a scan into the plan, and the patient that it names where the plan names none."""
    return edits.take_patient(edits.set_scan(plan, scan))


def look_at_surface(
    source: Path, frame: str, unit: str | None = None, progress: Progress = silent
) -> SurfaceQuestion:
    """Read a surface scan and make everything that the question about it shows."""
    from planner_core.imaging.decimate import decimate
    from planner_core.imaging.surface_check import check_surface
    from planner_core.imaging.surface_faults import fault_places, patch_of, whole_patch
    from planner_core.imaging.surface_files import read_surface

    read = read_surface(source, frame, unit, progress=part_of(progress, 0.0, 0.5))
    surface = read.surface
    places = fault_places(surface, check_surface(surface))
    patches = []
    for number, place in enumerate(places):
        progress(0.5 + 0.1 * number / len(places), "Drawing the faulty places")
        patches.append(patch_of(surface, place))
    small = decimate(surface, OVERVIEW_TRIANGLES, part_of(progress, 0.6, 0.7)).surface
    overview, at = whole_patch(small, places)
    smaller = None
    if len(surface.triangles) > LARGE_TRIANGLES:
        smaller = decimate(surface, REDUCED_TRIANGLES, part_of(progress, 0.7, 1.0))
    unit_is_open = unit is None and any(f.code.startswith("unit-") for f in read.findings)
    extent = np.ptp(surface.points_mm, axis=0)
    return SurfaceQuestion(
        source.name, read, extent, unit_is_open, places, tuple(patches), overview, at, smaller
    )  # fmt: skip


def surface_as_answered(
    source: Path,
    question: SurfaceQuestion,
    answer: SurfaceAnswer,
    store: CaseStore | None,
    progress: Progress = silent,
) -> ImportedSurface:
    """Give the surface in the unit and the size that were chosen, and put it on the disk."""
    from planner_core.imaging.decimate import decimate, taken_smaller
    from planner_core.imaging.surface_files import read_surface

    read, smaller = question.read, question.smaller
    if answer.unit != read.unit:
        read = read_surface(source, read.surface.frame, answer.unit, part_of(progress, 0.0, 0.6))
        if answer.reduce:
            smaller = decimate(read.surface, REDUCED_TRIANGLES, part_of(progress, 0.6, 0.9))
    elif question.unit_is_open:
        # The user has said so now: it is no guess any more.
        read = evolve(read, findings=tuple(f for f in read.findings if f.code != "unit-guessed"))
    if answer.reduce and smaller is not None:
        read = taken_smaller(read, smaller)
    if store is not None and not store.read_only:
        store.blobs.put_surface(read.surface)
    progress(1.0, "Surface scan read")
    return read


class ImportActions:
    """Scans and surface scans, at the user's word."""

    def __init__(self, workspace: Workspace, dialogs: Dialogs) -> None:
        self.workspace = workspace
        self.dialogs = dialogs

    @property
    def author(self) -> str:
        """Who makes the steps."""
        return self.workspace.settings.author_name

    def take_case(self, opened: tuple[CaseStore, Session]) -> None:
        """Put an opened case into the window."""
        raise NotImplementedError

    # ------------------------------------------------------------ scans

    def import_folder(self, source: Path | None = None) -> None:
        """Ask for a folder with a scan and import it; a new case is made when none is open."""
        source = source or self.dialogs.folder(
            "Open scan: choose the folder that holds it", self.workspace.settings.last_folder
        )
        if source is not None:
            self.import_scan(source)

    def import_file(self, source: Path | None = None) -> None:
        """Ask for a scan file and import it."""
        source = source or self.dialogs.file("Open scan", SCAN_FILES, self.workspace.settings.last_folder)
        if source is not None:
            self.import_scan(source)

    def import_scan(self, source: Path) -> None:
        """Look what a source holds, ask which series is meant and whose it is, then read it."""
        if source.name.lower().endswith(OTHER_IMAGES):
            self.read_series(source, ScanAnswer(""))
            return
        job = self.workspace.jobs.start("Looking for scans", look_for_series, source, key="import")
        job.succeeded.connect(lambda listing: self.workspace.when_free(lambda: self._ask_series(source, listing)))
        job.failed.connect(self.workspace.messages.report)

    def _ask_series(self, source: Path, listing: Any) -> None:
        patient = self.workspace.plan.patient
        question = ScanQuestion(source, listing, patient.name or patient.patient_id)
        answer = self.dialogs.choose_scan(question)
        if answer is not None:
            self.read_series(source, answer)

    def read_series(self, source: Path, answer: ScanAnswer) -> None:
        """Read a series into the open case, or into a new one."""
        workspace = self.workspace
        if not workspace.is_open:
            folder = free_folder(cases_folder() / time.strftime("case-%Y-%m-%d"))
            job = workspace.jobs.start(
                "Importing the scan", scan_into_new_case, folder, self.author, source, answer, key="import"
            )
            job.succeeded.connect(lambda opened: self._take_new(opened))
        else:
            session = workspace.session
            job = workspace.jobs.start(
                "Importing the scan",
                read_scan,
                source,
                answer,
                workspace.store,
                key="import",
                is_wanted=lambda: workspace.is_open and workspace.session is session,
            )
            job.succeeded.connect(lambda scan: workspace.when_free(lambda: self.take_scan(scan)))
        job.failed.connect(workspace.messages.report)

    def _take_new(self, opened: tuple[CaseStore, Session]) -> None:
        self.take_case(opened)
        self._say_taken(self.workspace.plan.scan)

    def take_scan(self, scan: ScanInput) -> None:
        """Take an imported scan into the plan."""
        self.workspace.apply("Import scan", take_in, scan)
        start_view(self.workspace)
        self._say_taken(scan)

    def _say_taken(self, scan: ScanInput | None) -> None:
        if scan is not None:
            slices, rows, columns = scan.volume.shape
            self.workspace.messages.note(f"Scan imported: {columns} x {rows} x {slices} voxels.")

    # ------------------------------------------------------------ surface scans

    def add_surface(self, source: Path | None = None, role: SurfaceRole = SurfaceRole.TEETH) -> None:
        """Ask for a surface scan, show what is wrong with it, and take it into the case."""
        what = _called(role)
        source = source or self.dialogs.file(f"Open {what}", SURFACE_FILES, self.workspace.settings.last_folder)
        if source is None:
            return
        frame = self._free_frame(source.stem)
        job = self._start("Reading the surface scan", look_at_surface, source, frame)
        job.succeeded.connect(
            lambda question: self.workspace.when_free(
                lambda: self._ask_surface(source, frame, evolve(question, role=role, matched=self._matched()))
            )
        )

    def _matched(self) -> str:
        """Give the name of the matched surface scan; empty without one."""
        plan = self.workspace.plan
        return "" if plan.match is None else plan.surfaces[plan.match.surface_id].label

    def _free_frame(self, stem: str) -> str:
        """Give a frame of its own, so that a second scan of the same name does not replace the first."""
        stem = stem or str(1 + len(self.workspace.plan.surfaces))
        frame, number = f"surface:{stem}", 1
        while frame in self.workspace.plan.surfaces:
            number += 1
            frame = f"surface:{stem}-{number}"
        return frame

    def _ask_surface(self, source: Path, frame: str, question: SurfaceQuestion) -> None:
        answer = self.dialogs.confirm_surface(question)
        if answer is None:
            return
        job = self._start(
            "Taking the surface scan", surface_as_answered, source, question, answer, self.workspace.store
        )
        job.succeeded.connect(
            lambda read: self.workspace.when_free(lambda: self.take_surface(frame, source.name, read, answer))
        )

    def _start(self, title: str, work: Any, *args: Any) -> Any:
        workspace = self.workspace
        session = workspace.session
        job = workspace.jobs.start(
            title,
            work,
            *args,
            key="surface",
            is_wanted=lambda: workspace.is_open and workspace.session is session,
        )
        job.failed.connect(workspace.messages.report)
        return job

    def take_surface(self, frame: str, label: str, read: ImportedSurface, answer: SurfaceAnswer) -> None:
        """Take a surface scan into the plan."""
        match = self.workspace.plan.match
        shared = match.surface_id if match is not None and answer.shares_frame else ""
        surface = SurfaceInput(frame, label, answer.role, read.surface, read.unit, read.findings, shared)
        what = _called(answer.role)
        self.workspace.apply(f"Open {what}", edits.add_surface, surface)
        said = f"{what.capitalize()} opened: {len(read.surface.triangles)} triangles, unit {read.unit}."
        self.workspace.messages.note(said)
        if answer.role in RIDES_ALONG and not shared:
            self.workspace.messages.warn(
                f"{label} has no place in the scan yet.",
                "Match the surface scan first, then open what was exported in its frame again.",
            )
