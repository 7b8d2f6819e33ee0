"""What the user can do with cases and files: open, import, save a copy."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from typing import Any

from attrs import evolve

from app.case_care import CaseCare, file_name
from app.dialogs import LIST_FILES, Dialogs
from app.first_look import grey_range, start_view
from app.import_actions import ImportActions, cases_folder, free_folder
from app.settings import data_folder
from app.workspace import Workspace
from planner_core.case.case_file import CaseStore
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.progress import Progress, part_of, silent

SAMPLE_NAME = "sample-lower-bridge"
"""Folder of the sample, with its case, sheet and pictures, under the user's data folder."""


def lists_folder() -> Path:
    """Give the folder where the clinic's own lists of parts are kept."""
    return data_folder() / "lists"


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


class CaseActions(ImportActions):
    """Cases and files, at the user's word."""

    def __init__(self, workspace: Workspace, dialogs: Dialogs) -> None:
        super().__init__(workspace, dialogs)
        self.care = CaseCare(self)

    # ------------------------------------------------------------ cases

    def open_case(self, folder: Path | None = None) -> None:
        """Ask for a case folder and open it."""
        folder = folder or self.dialogs.folder("Open case: choose its folder", str(cases_folder()))
        if folder is not None:
            self.open_by("Opening the case", open_case, folder, self.author)

    def new_case(self, folder: Path | None = None) -> None:
        """Make a new case; its name is asked for."""
        if folder is None:
            name = self.dialogs.text(
                "New case", "Name of the case (no patient's name is needed):", time.strftime("case-%Y-%m-%d")
            )
            if not name:
                return
            folder = free_folder(cases_folder() / file_name(name))
        self.open_by("Making the case", new_case, folder, self.author)

    def open_sample(self, folder: Path | None = None) -> None:
        """Open the sample case."""
        self.open_by("Preparing the sample case", sample_case, self.author, folder)

    def close_case(self) -> None:
        """Close the case; every step is on the disk already."""
        self.keep_view()
        store = self.workspace.store
        self.workspace.open(None)
        if store is not None:
            store.close()

    def open_by(self, title: str, work: Any, *args: Any) -> None:
        """Open what a job makes: store and session."""
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

    # ------------------------------------------------------------ lists and folders

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
