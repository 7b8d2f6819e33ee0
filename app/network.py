"""Scans over the network: our storage service, what it received, and archives that are asked. No widgets here."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from attrs import evolve, frozen
from PySide6.QtCore import QObject, Signal

from app.settings import Settings, data_folder
from app.workspace import Workspace
from planner_core.errors import PlannerError
from planner_core.exchange.inbox_list import WaitingSeries, waiting_series
from planner_core.progress import Progress, part_of, silent

FIRST_PORT = 11112
"""Port offered at first: registered for DICOM with IANA and free for programs without special rights."""

FIRST_TITLE = "PLUMBLINE"


@frozen
class Place:
    """An archive as the user typed it.

    Parameters
    ----------
    web : bool
        A DICOMweb address, else a DICOM archive by title, host and port.
    """

    web: bool = False
    title: str = ""
    host: str = ""
    port: str = ""
    url: str = ""
    user: str = ""
    password: str = ""
    our_title: str = FIRST_TITLE

    def archive(self) -> Any:
        """Give the archive to be asked.

        Raises
        ------
        PlannerError
            If something is missing.
        """
        if self.web:
            from planner_core.exchange.dicomweb import WebArchive

            return WebArchive(self.url.strip(), self.user.strip(), self.password)
        from planner_core.exchange.archive_query import Archive

        if not (self.title.strip() and self.host.strip()):
            raise PlannerError("The archive's title or address is missing.", "Enter both; its operator knows them.")
        return Archive(self.host.strip(), port_of(self.port), self.title.strip(), self.our_title.strip())


def port_of(text: str) -> int:
    """Give a port number from what was typed."""
    if not text.strip().isdigit() or not 0 < int(text) < 65536:
        raise PlannerError(f"{text.strip() or 'Nothing'} is no port.", "Enter a number from 1 to 65535.")
    return int(text)


def ask_studies(place: Place, wanted: dict[str, str], progress: Progress = silent) -> Any:
    """Look for studies in an archive."""
    archive = place.archive()
    if place.web:
        from planner_core.exchange.dicomweb import search_studies

        return search_studies(archive, **wanted)
    from planner_core.exchange.archive_query import find_studies

    return find_studies(archive, **wanted, progress=progress)


def ask_series(place: Place, study_uid: str, progress: Progress = silent) -> Any:
    """List the series of a study in an archive."""
    archive = place.archive()
    if place.web:
        from planner_core.exchange.dicomweb import search_series

        return search_series(archive, study_uid)
    from planner_core.exchange.archive_query import find_series

    return find_series(archive, study_uid, progress)


def fetch(place: Place, series: Any, inbox: Path, by_move: bool, progress: Progress = silent) -> Any:
    """Fetch a series into the inbox; `by_move` lets the archive send it to our running service."""
    from planner_core.exchange import archive_query, dicomweb
    from planner_core.exchange.inbox import Inbox

    archive = place.archive()
    if place.web:
        got = dicomweb.retrieve_series(archive, series.study_uid, series.series_uid, Inbox(inbox), progress)
    elif by_move:
        got = archive_query.move_series(archive, series.study_uid, series.series_uid, place.our_title, progress)
    else:
        got = archive_query.get_series(archive, series.study_uid, series.series_uid, Inbox(inbox), progress)
    if got.received == 0:
        raise PlannerError("The archive sent nothing of this series.", "Ask its operator whether it may be sent.")
    return got


def start_service(inbox: Path, port: int, title: str, told: Any, progress: Progress = silent) -> Any:
    """Start the storage service on this computer's own address."""
    from planner_core.exchange.inbox import Inbox
    from planner_core.exchange.storage_service import StorageService

    progress(0.2, "Starting the service")
    service = StorageService(Inbox(inbox), port, title=title, on_series=told).start()
    try:
        part_of(progress, 0.2, 1.0)(1.0, "Started")
    except BaseException:
        service.stop()
        raise
    return service


class NetworkDesk(QObject):
    """The service and the inbox of this window; tells when either changes."""

    changed = Signal()
    """The service was started or stopped, or the inbox was looked at anew."""
    _told = Signal(object)

    def __init__(self, workspace: Workspace, keep_settings: Callable[[Settings], None]) -> None:
        super().__init__(workspace)
        self.workspace = workspace
        self._keep_settings = keep_settings
        self.service: Any = None
        self.waiting: tuple[WaitingSeries, ...] = ()
        self.cut: set[Path] = set()
        """Series whose sender was cut off."""
        self._told.connect(self._on_received)

    @property
    def inbox(self) -> Path:
        """The folder that received series are filed in."""
        kept = self.workspace.settings.inbox
        return Path(kept) if kept else data_folder() / "inbox"

    def keep(self, **settings: str) -> None:
        """Remember what was typed for the next start."""
        self.workspace.settings = evolve(self.workspace.settings, **settings)
        self._keep_settings(self.workspace.settings)

    @property
    def is_running(self) -> bool:
        """Whether the service listens."""
        return self.service is not None

    def start(self, port: int, title: str) -> None:
        """Start the service, as a job."""
        job = self.workspace.jobs.start(
            "Starting the service", start_service, self.inbox, port, title, self._told.emit, key="service"
        )
        job.succeeded.connect(self._started)
        job.failed.connect(self.workspace.messages.report)
        job.ended.connect(self.changed.emit)

    def _started(self, service: Any) -> None:
        self.service = service
        self.workspace.messages.note(
            f"Scans sent to {service.title} on port {service.port} are filed in {self.inbox}."
        )
        self.changed.emit()

    def stop(self) -> None:
        """Stop the service, as a job; what was received stays."""
        service, self.service = self.service, None
        if service is not None:
            job = self.workspace.jobs.start("Stopping the service", service.stop)
            job.failed.connect(self.workspace.messages.report)
        self.changed.emit()

    def close(self) -> None:
        """Stop at once: the window closes."""
        service, self.service = self.service, None
        if service is not None:
            service.stop()

    def _on_received(self, series: Any) -> None:
        messages = self.workspace.messages
        (self.cut.discard if series.orderly else self.cut.add)(series.folder)
        if series.orderly:
            messages.note(f"A series of {series.received} objects was received.")
        else:
            messages.warn(
                f"A sender was cut off after {series.received} objects; slices may be missing.",
                "Have it sent again.",
            )
        self.look()

    def look(self) -> None:
        """Look at what lies in the inbox, as a job."""
        job = self.workspace.jobs.start(
            "Looking into the inbox", waiting_series, self.inbox, key="inbox", shown=False
        )
        job.succeeded.connect(self._looked)
        job.failed.connect(self.workspace.messages.report)

    def _looked(self, waiting: tuple[WaitingSeries, ...]) -> None:
        self.waiting = waiting
        self.changed.emit()
