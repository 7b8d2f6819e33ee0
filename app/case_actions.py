"""What the user can do with cases and files: open, import, save a copy."""

from __future__ import annotations

import shutil
import time
import weakref
from pathlib import Path
from typing import Any

from attrs import evolve

from app.dialogs import LIST_FILES, SCAN_FILES, SURFACE_FILES, Dialogs
from app.settings import data_folder
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.plan import Plan, SurfaceInput, SurfaceRole
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.imaging.scan import ImportedScan, ImportedSurface
from planner_core.progress import Progress, part_of, silent

BLACK_SHARE, WHITE_SHARE = -0.45, 1.6
"""Black and white at first, as shares of the step from soft tissue to bone (our choice)."""
SAMPLE_NAME = "sample-lower-bridge"
"""Folder of the sample, with its case, sheet and pictures, under the user's data folder."""


def cases_folder() -> Path:
    """Give the folder where new cases go unless the user says otherwise."""
    return data_folder() / "cases"


def lists_folder() -> Path:
    """Give the folder where the clinic's own lists of parts are kept."""
    return data_folder() / "lists"


def free_folder(wanted: Path) -> Path:
    """Give this folder, or one with a number when something is there."""
    folder, number = wanted, 1
    while folder.exists():
        number += 1
        folder = wanted.with_name(f"{wanted.name}-{number}")
    return folder


def read_scan(
    source: Path, series_uid: str | None, store: CaseStore | None, progress: Progress = silent
) -> ImportedScan:
    """Read a scan and put its numbers on the disk, so that taking it into the plan is quick."""
    from planner_core.imaging.open_scan import open_scan  # only here: the readers would make the start late

    scan = open_scan(source, series_uid, progress=part_of(progress, 0.0, 0.85))
    progress(0.86, "Keeping the scan with the case")
    if store is not None and not store.read_only:
        store.blobs.put_volume(scan.volume)
    else:
        _ = scan.volume.content_hash
    grey_range(scan.volume)
    return scan


def read_surface_scan(
    source: Path, frame: str, store: CaseStore | None, progress: Progress = silent
) -> ImportedSurface:
    """Read a surface scan and put it on the disk."""
    from planner_core.imaging.surface_files import read_surface

    surface = read_surface(source, frame, progress=part_of(progress, 0.0, 0.8))
    if store is not None and not store.read_only:
        store.blobs.put_surface(surface.surface)
    return surface


def open_case(folder: Path, author: str, progress: Progress = silent) -> tuple[CaseStore, Session]:
    """Open a case folder with its history."""
    progress(0.1, "Opening the case")
    store = CaseStore.open(folder, author=author)
    try:
        session = Session(store=store)
        if session.plan.scan is not None:
            progress(0.6, "Reading the scan's own grey scale")
            grey_range(session.plan.scan.volume)
        return store, session
    except BaseException:
        store.close()
        raise


def new_case(folder: Path, author: str, progress: Progress = silent) -> tuple[CaseStore, Session]:
    """Make an empty case in a new folder."""
    progress(0.1, "Making the case")
    folder.parent.mkdir(parents=True, exist_ok=True)
    store = CaseStore.create(folder, author, Plan(title=folder.name))
    return store, Session(store=store)


def sample_case(author: str, place: Path | None = None, progress: Progress = silent) -> tuple[CaseStore, Session]:
    """Open the sample case in the user's data folder; it is planned there first when it is not there yet."""
    from app.demo import run_demo

    place = data_folder() / SAMPLE_NAME if place is None else place
    if not (place / "case" / "case.db").exists():
        run_demo(place, progress=part_of(progress, 0.0, 0.9))
    return open_case(place / "case", author, part_of(progress, 0.9, 1.0))


class CaseActions:
    """Cases and files, at the user's word."""

    def __init__(self, workspace: Workspace, dialogs: Dialogs) -> None:
        self.workspace = workspace
        self.dialogs = dialogs

    # ------------------------------------------------------------ cases

    def open_case(self, folder: Path | None = None) -> None:
        """Ask for a case folder and open it."""
        folder = folder or self.dialogs.folder("Open case: choose its folder", str(cases_folder()))
        if folder is not None:
            self._start("Opening the case", open_case, folder, self.author)

    def new_case(self, folder: Path | None = None) -> None:
        """Make a new case; its name is asked for."""
        if folder is None:
            name = self.dialogs.text(
                "New case", "Name of the case (no patient's name is needed):", time.strftime("case-%Y-%m-%d")
            )
            if not name:
                return
            folder = free_folder(cases_folder() / _file_name(name))
        self._start("Making the case", new_case, folder, self.author)

    def open_sample(self, folder: Path | None = None) -> None:
        """Open the sample case."""
        self._start("Preparing the sample case", sample_case, self.author, folder)

    def close_case(self) -> None:
        """Close the case; every step is on the disk already."""
        self.keep_view()
        store = self.workspace.store
        self.workspace.open(None)
        if store is not None:
            store.close()

    @property
    def author(self) -> str:
        """Who makes the steps."""
        return self.workspace.settings.author_name

    def _start(self, title: str, work: Any, *args: Any) -> None:
        job = self.workspace.jobs.start(title, work, *args, key="case")
        job.succeeded.connect(self.take_case)
        job.failed.connect(self.workspace.messages.report)

    def take_case(self, opened: tuple[CaseStore, Session]) -> None:
        """Put an opened case into the window."""
        store, session = opened
        if self.workspace.is_open:
            self.close_case()
        self.workspace.read_only_reason = store.read_only_reason
        self.workspace.open(session, store)
        start_view(self.workspace)
        if not store.read_only:
            self.workspace.view.restore(store.view_state())
            job = self.workspace.jobs.start("Reading the case into memory", store.bring_into_memory, shown=False)
            job.failed.connect(self.workspace.messages.report)
        for finding in store.findings:
            self.workspace.messages.warn(finding.text)

    def keep_view(self) -> None:
        """Keep place, contrast and layers with the case."""
        store = self.workspace.store
        if store is None or store.read_only:
            return
        try:
            store.set_view_state(self.workspace.view.content())
        except PlannerError as error:
            self.workspace.messages.report(error)

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
        """Look what a source holds, then read the series that the user means."""
        if not self.workspace.is_open:
            author = self.author
            folder = free_folder(cases_folder() / _file_name(time.strftime("case-%Y-%m-%d")))
            job = self.workspace.jobs.start("Making the case", new_case, folder, author, key="case")
            job.succeeded.connect(lambda opened: (self.take_case(opened), self.import_scan(source)))
            job.failed.connect(self.workspace.messages.report)
            return
        if source.is_dir() or source.suffix.lower() == ".zip":
            from planner_core.imaging.dicom_import import list_series

            job = self.workspace.jobs.start("Looking for scans", list_series, source, key="import")
            job.succeeded.connect(lambda listing: self._choose_series(source, listing))
            job.failed.connect(self.workspace.messages.report)
        else:
            self._read_scan(source, None)

    def _choose_series(self, source: Path, listing: Any) -> None:
        series = list(listing.series)
        if len(series) <= 1:
            self._read_scan(source, series[0].uid if series else None)
            return
        lines = [f"{s.description or 'no description'}, {s.date or 'no date'}, {s.n_files} files" for s in series]
        chosen = self.dialogs.one_of("Several scans", "Which one belongs to this case?", lines)
        if chosen is not None:
            self._read_scan(source, series[chosen].uid)

    def _read_scan(self, source: Path, uid: str | None) -> None:
        workspace = self.workspace
        session = workspace.session

        def wanted() -> bool:
            return workspace.is_open and workspace.session is session

        job = workspace.jobs.start(
            "Importing the scan", read_scan, source, uid, workspace.store, key="import", is_wanted=wanted
        )
        job.succeeded.connect(lambda scan: workspace.when_free(lambda: self.take_scan(scan)))
        job.failed.connect(workspace.messages.report)

    def take_scan(self, scan: ImportedScan) -> None:
        """Take an imported scan into the plan."""
        self.workspace.apply("Import scan", edits.set_scan, scan)
        start_view(self.workspace)
        slices, rows, columns = scan.volume.shape
        self.workspace.messages.note(f"Scan imported: {columns} x {rows} x {slices} voxels.")

    # ------------------------------------------------------------ surface scans

    def add_surface(self, source: Path | None = None) -> None:
        """Ask for a surface scan and take it into the case."""
        source = source or self.dialogs.file(
            "Open surface scan", SURFACE_FILES, self.workspace.settings.last_folder
        )
        if source is None:
            return
        workspace = self.workspace
        session = workspace.session
        number = 1 + len(workspace.plan.surfaces)
        frame = f"surface:{source.stem or number}"

        def wanted() -> bool:
            return workspace.is_open and workspace.session is session

        job = workspace.jobs.start(
            "Reading the surface scan",
            read_surface_scan,
            source,
            frame,
            workspace.store,
            key="surface",
            is_wanted=wanted,
        )
        job.succeeded.connect(
            lambda surface: workspace.when_free(lambda: self.take_surface(frame, source.name, surface))
        )
        job.failed.connect(workspace.messages.report)

    def take_surface(self, frame: str, label: str, read: ImportedSurface) -> None:
        """Take a surface scan into the plan."""
        surface = SurfaceInput(frame, label, SurfaceRole.TEETH, read.surface, read.unit, read.findings)
        self.workspace.apply("Open surface scan", edits.add_surface, surface)
        self.workspace.messages.note(
            f"Surface scan opened: {len(read.surface.triangles)} triangles, unit {read.unit}."
        )

    def ask_list(self) -> Path | None:
        """Ask for the clinic's own list of parts; a copy is kept with the program's data for the next start."""
        source = self.dialogs.file("Open own list of parts", LIST_FILES)
        if source is None:
            return None
        folder = lists_folder()
        folder.mkdir(parents=True, exist_ok=True)
        kept = folder / source.name
        if not (kept.exists() and kept.samefile(source)):
            shutil.copyfile(source, kept)
        return kept

    def remember_folder(self, folder: Path) -> None:
        """Start there next time."""
        self.workspace.settings = evolve(self.workspace.settings, last_folder=str(folder))


_ranges: dict[int, tuple[weakref.ref[Volume], tuple[float, float]]] = {}


def grey_range(volume: Volume) -> tuple[float, float]:
    """Give the grey values shown as black and white at first; remembered, so that a job can find them ahead."""
    known = _ranges.get(id(volume))
    if known is not None and known[0]() is volume:
        return known[1]
    levels = calibrate_grey(volume)
    step = max(levels.bone - levels.soft_tissue, 10.0)
    found = (float(levels.soft_tissue + BLACK_SHARE * step), float(levels.soft_tissue + WHITE_SHARE * step))
    _ranges[id(volume)] = (weakref.ref(volume), found)
    return found


def start_view(workspace: Workspace) -> None:
    """Look at the middle of the scan with a contrast that shows bone and soft tissue."""
    plan = workspace.plan
    if plan.scan is None:
        return
    volume = plan.scan.volume
    black, white = grey_range(volume)
    workspace.view.set_contrast(white - black, (black + white) / 2.0)
    if plan.arch is not None:
        workspace.view.go_to(plan.arch.point_at(0.0), 0.0)
    else:
        workspace.view.go_to(volume.centre_lps_mm, 0.0)


def _file_name(text: str) -> str:
    kept = "".join(c if c.isalnum() or c in "-_ ." else "-" for c in text).strip(" .")
    return kept or "case"
