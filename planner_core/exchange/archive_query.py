"""Looks for scans in a DICOM archive and fetches them (C-ECHO, C-FIND, C-GET, C-MOVE)."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from attrs import frozen
from pydicom.dataset import Dataset
from pynetdicom import AE, _config, build_role, evt
from pynetdicom.presentation import PresentationContext
from pynetdicom.sop_class import (
    StudyRootQueryRetrieveInformationModelFind,
    StudyRootQueryRetrieveInformationModelGet,
    StudyRootQueryRetrieveInformationModelMove,
    Verification,
)

from planner_core.errors import PlannerError
from planner_core.exchange.inbox import DiskFullError, Inbox
from planner_core.exchange.storage_service import (
    CANNOT_UNDERSTAND,
    DEFAULT_TITLE,
    OUT_OF_RESOURCES,
    SUCCESS,
    TRANSFER_SYNTAXES,
)
from planner_core.imaging.dicom_elements import text
from planner_core.imaging.dicom_header import CT_CLASSES
from planner_core.imaging.dicom_words import person_words
from planner_core.progress import Progress, silent

CONNECT_S, ANSWER_S = 15.0, 120.0
"""How long is waited for a connection and for an answer (our choice)."""

MOST_ANSWERS = 500
"""Answers taken to one question (our choice: nobody reads more)."""

_PENDING = (0xFF00, 0xFF01)


@frozen
class Archive:
    """Where an archive is reached."""

    host: str
    port: int
    title: str
    our_title: str = DEFAULT_TITLE


@frozen
class FoundStudy:
    """One study in an archive."""

    study_uid: str
    patient_name: str
    patient_id: str
    date: str
    description: str
    modalities: str


@frozen
class FoundSeries:
    """One series in an archive."""

    study_uid: str
    series_uid: str
    description: str
    modality: str
    objects: int | None


@frozen
class Fetched:
    """What came of fetching a series."""

    received: int
    failed: int


def echo(archive: Archive) -> None:
    """Ask the archive whether it is there (C-ECHO).

    Raises
    ------
    PlannerError
        If it does not answer.
    """
    with _association(archive, [Verification]) as association:
        status = association.send_c_echo()
        if not status or status.Status != SUCCESS:
            raise _no_answer(archive)


def find_studies(
    archive: Archive, *, patient_name: str = "", patient_id: str = "", date: str = "", progress: Progress = silent
) -> tuple[FoundStudy, ...]:
    """Look for studies; ``*`` and ``?`` stand for letters, dates are YYYYMMDD or a range with ``-``.

    Raises
    ------
    PlannerError
        If nothing to look for is given, or the archive does not answer.
    """
    if not (patient_name.strip("*? ") or patient_id.strip("*? ") or date.strip("- ")):
        raise PlannerError("There is nothing to look for.", "Give a name, a number or a date.")
    question = Dataset()
    question.QueryRetrieveLevel = "STUDY"
    question.PatientName, question.PatientID, question.StudyDate = patient_name, patient_id, date
    question.StudyInstanceUID = question.StudyDescription = question.ModalitiesInStudy = ""
    return tuple(
        FoundStudy(
            study_uid=text(answer, "StudyInstanceUID"),
            patient_name=person_words(text(answer, "PatientName")),
            patient_id=text(answer, "PatientID"),
            date=text(answer, "StudyDate"),
            description=text(answer, "StudyDescription"),
            modalities=text(answer, "ModalitiesInStudy").strip("[]").replace("'", ""),
        )
        for answer in _find(archive, question, progress)
    )


def find_series(archive: Archive, study_uid: str, progress: Progress = silent) -> tuple[FoundSeries, ...]:
    """List the series of one study."""
    question = Dataset()
    question.QueryRetrieveLevel = "SERIES"
    question.StudyInstanceUID = study_uid
    question.SeriesInstanceUID = question.SeriesDescription = question.Modality = ""
    question.NumberOfSeriesRelatedInstances = None
    return tuple(
        FoundSeries(
            study_uid=study_uid,
            series_uid=text(answer, "SeriesInstanceUID"),
            description=text(answer, "SeriesDescription"),
            modality=text(answer, "Modality"),
            objects=_count(answer),
        )
        for answer in _find(archive, question, progress)
    )


def _count(answer: Dataset) -> int | None:
    words = text(answer, "NumberOfSeriesRelatedInstances")
    return int(words) if words.isdigit() else None


def _find(archive: Archive, question: Dataset, progress: Progress) -> list[Dataset]:
    model = StudyRootQueryRetrieveInformationModelFind
    answers: list[Dataset] = []
    with _association(archive, [model]) as association:
        for status, answer in association.send_c_find(question, model):
            progress(min(0.9, len(answers) / 50), f"{len(answers)} found")
            if not status:
                raise _no_answer(archive)
            if status.Status in _PENDING and answer is not None:
                answers.append(answer)
                if len(answers) >= MOST_ANSWERS:
                    break
            elif status.Status != SUCCESS:
                raise _refused(archive, status.Status)
    return answers


def get_series(
    archive: Archive, study_uid: str, series_uid: str, inbox: Inbox, progress: Progress = silent
) -> Fetched:
    """Fetch one series over the same connection (C-GET) into an inbox.

    Raises
    ------
    PlannerError
        If the archive does not answer or cannot send.
    Cancelled
        If `progress` says so; what had come stays in the inbox.
    """
    model = StudyRootQueryRetrieveInformationModelGet
    received = [0, 0]

    def store(event: Any) -> int:
        try:
            inbox.file_object(bytes(event.encoded_dataset()))
            received[0] += 1
            return SUCCESS
        except DiskFullError:
            received[1] += 1
            return OUT_OF_RESOURCES
        except Exception:  # nonsense from the other side
            received[1] += 1
            return CANNOT_UNDERSTAND

    contexts = [_context(name) for name in CT_CLASSES]
    roles = [build_role(name, scp_role=True) for name in CT_CLASSES]
    with _association(archive, [model], contexts, roles, [(evt.EVT_C_STORE, store)]) as association:
        answers = association.send_c_get(_series_question(study_uid, series_uid), model)
        _follow(archive, answers, progress)
    return Fetched(received[0], received[1])


def move_series(
    archive: Archive, study_uid: str, series_uid: str, to_title: str, progress: Progress = silent
) -> Fetched:
    """Ask the archive to send one series to a storage service that it knows by its title (C-MOVE).

    Raises
    ------
    PlannerError
        If the archive does not answer or does not know the title.
    """
    model = StudyRootQueryRetrieveInformationModelMove
    with _association(archive, [model]) as association:
        answers = association.send_c_move(_series_question(study_uid, series_uid), to_title, model)
        return _follow(archive, answers, progress)


def _series_question(study_uid: str, series_uid: str) -> Dataset:
    question = Dataset()
    question.QueryRetrieveLevel = "SERIES"
    question.StudyInstanceUID, question.SeriesInstanceUID = study_uid, series_uid
    return question


def _follow(archive: Archive, answers: Any, progress: Progress) -> Fetched:
    """Read the archive's reports until it is done."""
    done = failed = 0
    for status, _ in answers:
        if not status:
            raise _no_answer(archive)
        left = int(getattr(status, "NumberOfRemainingSuboperations", 0) or 0)
        done = int(getattr(status, "NumberOfCompletedSuboperations", done) or done)
        failed = int(getattr(status, "NumberOfFailedSuboperations", failed) or failed)
        progress(done / max(done + left, 1), f"{done} slices received")
        if status.Status not in (*_PENDING, SUCCESS, 0xB000):
            raise _refused(archive, status.Status)
    return Fetched(done, failed)


def _context(sop_class: str) -> PresentationContext:
    context = PresentationContext()
    context.abstract_syntax = sop_class
    context.transfer_syntax = list(TRANSFER_SYNTAXES)
    return context


@contextmanager
def _association(
    archive: Archive,
    models: list[Any],
    contexts: list[PresentationContext] | None = None,
    roles: list[Any] | None = None,
    handlers: list[Any] | None = None,
) -> Iterator[Any]:
    """Connect for the time of a block; the connection ends orderly, or is cut when the block fails."""
    _config.LOG_REQUEST_IDENTIFIERS = _config.LOG_RESPONSE_IDENTIFIERS = False
    entity = AE(ae_title=archive.our_title)
    entity.connection_timeout = CONNECT_S
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = ANSWER_S
    for model in models:
        entity.add_requested_context(model)
    for context in contexts or []:
        entity.add_requested_context(context.abstract_syntax, context.transfer_syntax)
    try:
        # Asked first by hand: pynetdicom leaves its socket open when nobody is there.
        socket.create_connection((archive.host, archive.port), timeout=CONNECT_S).close()
        association = entity.associate(
            archive.host,
            archive.port,
            ae_title=archive.title,
            ext_neg=roles or [],
            evt_handlers=handlers or [],
        )
    except (OSError, OverflowError, ValueError, TypeError, RuntimeError) as error:
        raise _no_answer(archive) from error
    if not association.is_established:
        if association.is_rejected:
            raise PlannerError(
                f"The archive {archive.title} refuses a connection from {archive.our_title}.",
                "Have this title entered in the archive, or check the archive's title.",
            )
        raise _no_answer(archive)
    try:
        yield association
    except BaseException:
        association.abort()
        raise
    association.release()


def _no_answer(archive: Archive) -> PlannerError:
    return PlannerError(
        f"The archive {archive.title} at {archive.host} port {archive.port} does not answer.",
        "Check address, port and network, and whether the archive is running.",
    )


def _refused(archive: Archive, status: int) -> PlannerError:
    return PlannerError(
        f"The archive {archive.title} could not do it (status 0x{status:04X}).",
        "Check that the scan is in the archive and that it knows this program's title.",
    )
