"""Commands over the network: receive scans, look for them in an archive, fetch them."""

from __future__ import annotations

import getpass
import json
import os
import signal
import sys
import threading
from pathlib import Path
from typing import Any

from attrs import asdict

from app.cli_shared import Arguments, Commands, add_command, progress_of, tell
from planner_core.errors import PlannerError
from planner_core.exchange import archive_query, dicomweb
from planner_core.exchange.archive_query import Archive, FoundSeries, FoundStudy
from planner_core.exchange.dicomweb import WebArchive
from planner_core.exchange.inbox import Inbox
from planner_core.exchange.storage_service import DEFAULT_TITLE, LOOPBACK, ReceivedSeries, StorageService

PASSWORD_VARIABLE = "PLUMBLINE_ARCHIVE_PASSWORD"
"""Environment variable that holds the password, so that it stands in no command line."""

WHERE = """ARCHIVE: TITLE@HOST:PORT for DICOM, or https://... for DICOMweb. A password for --user is taken from
PLUMBLINE_ARCHIVE_PASSWORD, or asked for."""


def register(commands: Commands) -> None:
    """Add the commands."""
    take = add_command(commands, "receive", "take scans that other computers send, until stopped", _receive)
    take.add_argument("inbox", type=Path, help="folder that received series are filed in")
    take.add_argument("--port", type=int, required=True, help="0 takes any free one and says which")
    take.add_argument(
        "--host", default=LOOPBACK, help=f"address to listen on (default {LOOPBACK}: this computer only)"
    )
    take.add_argument("--title", default=DEFAULT_TITLE, help="application entity title")
    take.add_argument("--stop-after", type=int, metavar="N", help="stop after N series")
    query = add_command(
        commands, "query", "look for studies in an archive, or list the series of one", _query, WHERE
    )
    fetch = add_command(commands, "retrieve", "fetch a series from an archive", _retrieve, WHERE)
    for parser in (query, fetch):
        parser.add_argument("archive", metavar="ARCHIVE")
        parser.add_argument("--our-title", default=DEFAULT_TITLE)
        parser.add_argument("--user", default="", help="for DICOMweb")
    query.add_argument("--name", default="", help="patient's name, * stands for letters")
    query.add_argument("--id", default="", help="patient's number")
    query.add_argument("--date", default="", help="YYYYMMDD, or a range with -")
    query.add_argument("--study", default="", metavar="UID", help="list the series of this study")
    fetch.add_argument("inbox", type=Path, help="folder that the series is filed in")
    fetch.add_argument("--study", required=True, metavar="UID")
    fetch.add_argument("--series", required=True, metavar="UID")
    fetch.add_argument("--move-to", metavar="TITLE", help="let the archive send it to this title (C-MOVE) instead")


def _receive(arguments: Arguments) -> None:
    done = threading.Event()
    count = [0]

    def report(series: ReceivedSeries) -> None:
        count[0] += 1
        _say_series(arguments, series)
        if arguments.stop_after is not None and count[0] >= arguments.stop_after:
            done.set()

    service = StorageService(Inbox(arguments.inbox), arguments.port, arguments.host, arguments.title, report)
    previous = _on_stop(done)
    try:
        with service:
            if arguments.host != LOOPBACK:
                print("Other computers can reach this service; it checks no identity.", file=sys.stderr)
            start = {"listening": arguments.host, "port": service.port, "title": arguments.title}
            words = f"Listening as {arguments.title} on {arguments.host} port {service.port}; Ctrl-C stops."
            print(json.dumps(start) if arguments.json else words, flush=True)
            while not done.wait(0.5):
                pass
    finally:
        for number, handler in previous.items():
            signal.signal(number, handler)
    end = {"stored": service.stored, "refused": service.refused}
    print(json.dumps(end) if arguments.json else f"{service.stored} objects stored, {service.refused} refused.")


def _on_stop(done: threading.Event) -> dict[signal.Signals, Any]:
    """Let Ctrl-C and a request to end stop the service orderly; gives what was set before."""
    if threading.current_thread() is not threading.main_thread():
        return {}
    return {number: signal.signal(number, lambda *_: done.set()) for number in (signal.SIGINT, signal.SIGTERM)}


def _say_series(arguments: Arguments, series: ReceivedSeries) -> None:
    result = {
        "folder": str(series.folder),
        "study_uid": series.study_uid,
        "series_uid": series.series_uid,
        "received": series.received,
        "orderly": series.orderly,
    }
    end = "" if series.orderly else "; the connection was cut, slices may be missing"
    print(
        json.dumps(result) if arguments.json else f"{series.received} objects in {series.folder}{end}", flush=True
    )


def archive_of(arguments: Arguments) -> Archive | WebArchive:
    """Give the archive that was named."""
    text = arguments.archive
    if "://" in text:
        password = ""
        if arguments.user:
            password = os.environ.get(PASSWORD_VARIABLE) or getpass.getpass(f"Password of {arguments.user}: ")
        return WebArchive(text, arguments.user, password)
    title, _, place = text.rpartition("@")
    host, _, port = place.rpartition(":")
    if not title or not host or not port.isdigit() or not 0 < int(port) < 65536:
        raise PlannerError(f"{text!r} names no archive.", "Write TITLE@HOST:PORT, or an address with https://.")
    return Archive(host, int(port), title, arguments.our_title)


def _query(arguments: Arguments) -> None:
    archive = archive_of(arguments)
    if arguments.study:
        series = (
            dicomweb.search_series(archive, arguments.study)
            if isinstance(archive, WebArchive)
            else archive_query.find_series(archive, arguments.study, progress_of(arguments))
        )
        tell(
            arguments,
            {"series": [asdict(s) for s in series]},
            [_series_line(s) for s in series] or ["Nothing found."],
        )
        return
    wanted = {"patient_name": arguments.name, "patient_id": arguments.id, "date": arguments.date}
    if isinstance(archive, WebArchive):
        studies = dicomweb.search_studies(archive, **wanted)
    else:
        studies = archive_query.find_studies(archive, **wanted, progress=progress_of(arguments))
    tell(
        arguments,
        {"studies": [asdict(s) for s in studies]},
        [_study_line(s) for s in studies] or ["Nothing found."],
    )


def _study_line(study: FoundStudy) -> str:
    return f"{study.study_uid}  {study.date}  {study.modalities}  {study.patient_name}  {study.description}"


def _series_line(series: FoundSeries) -> str:
    return f"{series.series_uid}  {series.modality}  {series.objects or '?'} objects  {series.description}"


def _retrieve(arguments: Arguments) -> None:
    archive, progress = archive_of(arguments), progress_of(arguments)
    if arguments.move_to:
        if isinstance(archive, WebArchive):
            raise PlannerError("A DICOMweb archive sends nothing elsewhere.", "Leave out --move-to.")
        got = archive_query.move_series(archive, arguments.study, arguments.series, arguments.move_to, progress)
    elif isinstance(archive, WebArchive):
        got = dicomweb.retrieve_series(archive, arguments.study, arguments.series, Inbox(arguments.inbox), progress)
    else:
        got = archive_query.get_series(archive, arguments.study, arguments.series, Inbox(arguments.inbox), progress)
    if got.received == 0:
        raise PlannerError("The archive sent nothing of this series.", "Check the numbers of study and series.")
    lines = [f"{got.received} objects received" + (f", {got.failed} failed" if got.failed else "") + "."]
    tell(arguments, {"received": got.received, "failed": got.failed, "inbox": str(arguments.inbox)}, lines)
