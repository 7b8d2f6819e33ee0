"""Cases as a whole, at the user's word: check, pack, unpack, copy; and scans without identity."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from app.import_actions import cases_folder, free_folder, look_for_series
from app.questions import ScanQuestion
from planner_core.case.case_file import CaseStore
from planner_core.case.check import CheckReport, check
from planner_core.case.pack import pack, pack_without_identity, unpack
from planner_core.case.plan import Plan
from planner_core.case.rescue import salvage
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.progress import Progress, part_of, silent

ZIP_FILES = "Packed cases (*.zip);;All files (*)"


def unpacked_case(
    source: Path, folder: Path, author: str, progress: Progress = silent
) -> tuple[CaseStore, Session]:
    """Unpack a case and open it."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    unpack(source, folder, part_of(progress, 0.0, 0.9))
    store = CaseStore.open(folder, author=author)
    return store, Session(store=store)


def copied_case(folder: Path, author: str, plan: Plan, progress: Progress = silent) -> tuple[CaseStore, Session]:
    """Begin a new case with the present plan and open it."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    store = CaseStore.create(folder, author, plan, progress)
    return store, Session(store=store)


def salvaged_case(
    damaged: Path, folder: Path, author: str, progress: Progress = silent
) -> tuple[CaseStore, Session]:
    """Save what can be read of a damaged case into a new one and open that."""
    folder.parent.mkdir(parents=True, exist_ok=True)
    salvage(damaged, folder, progress)
    store = CaseStore.open(folder, author=author)
    return store, Session(store=store)


class CaseCare:
    """What keeps cases safe and lets them travel. `case` is the window's `CaseActions`."""

    def __init__(self, case: Any) -> None:
        self.case = case

    @property
    def _folder(self) -> Path:
        store = self.case.workspace.store
        if store is None:
            raise PlannerError("This case is not on the disk.", "Open a case first.")
        return Path(store.folder)

    def _job(self, title: str, work: Any, *args: Any, key: str = "care") -> Any:
        job = self.case.workspace.jobs.start(title, work, *args, key=key)
        job.failed.connect(self.case.workspace.messages.report)
        return job

    # ------------------------------------------------------------ check and rescue

    def check_case(self) -> None:
        """Verify every revision and every file of the open case."""
        folder = self._folder
        job = self._job("Checking the case", check, folder)
        job.succeeded.connect(lambda report: self._show(folder, report))

    def _show(self, folder: Path, report: CheckReport) -> None:
        dialogs = self.case.dialogs
        state = "whole" if report.whole else "damaged"
        words = f"The case is {state}: {report.revisions} revisions and {report.blobs} files were verified."
        lines = [(finding.severity.value, finding.text) for finding in report.findings]
        if report.whole:
            self.case.workspace.messages.note(words)
            dialogs.show_lines(
                "Check of the case", words, [("answered", f"Hash of the history: {report.sha256}"), *lines]
            )
            return
        self.case.workspace.messages.warn(words, "Save what can be read into a new case.")
        if dialogs.confirm("The case is damaged", words, lines, "Save what can be read"):
            self.salvage(folder)

    def salvage(self, damaged: Path) -> None:
        """Save what can be read of a damaged case into a new one."""
        folder = free_folder(cases_folder() / f"{damaged.name}-saved")
        self.case.open_by("Saving what can be read", salvaged_case, damaged, folder, self.case.author)

    # ------------------------------------------------------------ copies and zips

    def save_copy(self) -> None:
        """Go on in a new case that begins with the present plan."""
        name = self.case.dialogs.text(
            "Save a copy",
            "Name of the new case; it begins with the plan as it stands:",
            f"{self._folder.name}-copy",
        )
        if name:
            folder = free_folder(cases_folder() / file_name(name))
            plan = self.case.workspace.plan
            self.case.open_by("Saving a copy", copied_case, folder, self.case.author, plan)

    def pack(self, without_identity: bool = False) -> None:
        """Put the open case into one zip."""
        folder = self._folder
        title = "Pack the case without identity" if without_identity else "Pack the case"
        target = self.case.dialogs.new_file(
            title, ZIP_FILES, "case.zip" if without_identity else f"{folder.name}.zip"
        )
        if target is None:
            return
        if target.suffix.lower() != ".zip":
            target = target.with_name(target.name + ".zip")
        work = pack_without_identity if without_identity else pack
        job = self._job("Packing the case", work, folder, target)
        job.succeeded.connect(lambda done: self._say_packed(target, done))

    def _say_packed(self, target: Path, done: Any) -> None:
        messages = self.case.workspace.messages
        size = target.stat().st_size / 1e6
        if done is None:
            messages.note(f"The case is packed in {target} ({size:.1f} MB).")
            return
        code, findings = done
        messages.note(f"The plan is packed without identity in {target} ({size:.1f} MB); its code is {code}.")
        for finding in findings:
            messages.warn(finding.text)

    def unpack(self) -> None:
        """Take a case out of its zip, verified, and open it."""
        source = self.case.dialogs.file("Unpack a case: choose its zip", ZIP_FILES)
        if source is not None:
            folder = free_folder(cases_folder() / file_name(source.stem))
            self.case.open_by("Unpacking the case", unpacked_case, source, folder, self.case.author)

    # ------------------------------------------------------------ scans without identity

    def export_without_identity(self) -> None:
        """Copy a scan's DICOM files into a new folder, freed of the patient's identity."""
        source = self.case.dialogs.folder(
            "Scan without identity: choose the folder with the scan", self.case.workspace.settings.last_folder
        )
        if source is None:
            return
        job = self._job("Looking for scans", look_for_series, source)
        job.succeeded.connect(lambda listing: self._ask_export(source, listing))

    def _ask_export(self, source: Path, listing: Any) -> None:
        from planner_core.exchange.deidentify import deidentify_series

        dialogs = self.case.dialogs
        answer = dialogs.choose_scan(ScanQuestion(source, listing, exporting=True))
        if answer is None:
            return
        target = dialogs.new_file("Scan without identity: name of the new folder", "Folders (*)", "scan")
        if target is None:
            return
        job = self._job("Removing the identity", deidentify_series, source, answer.uid, target)
        job.succeeded.connect(self._say_exported)

    def _say_exported(self, done: Any) -> None:
        messages = self.case.workspace.messages
        messages.note(f"{done.files} files without identity are in {done.folder}.")
        for finding in done.findings:
            messages.warn(finding.text, "Pass it on only to those who may see it.")


def file_name(text: str) -> str:
    """Give a name for a folder from what was typed."""
    kept = "".join(c if c.isalnum() or c in "-_ ." else "-" for c in text).strip(" .")
    return kept or "case"
