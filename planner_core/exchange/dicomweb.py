"""Looks for scans in a DICOMweb archive and fetches them (QIDO-RS and WADO-RS, PS3.18 10.6 and 10.4)."""

from __future__ import annotations

import base64
import http.client
import json
import re
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Iterator
from typing import IO, Any

from attrs import field, frozen

from planner_core.errors import PlannerError
from planner_core.exchange.archive_query import MOST_ANSWERS, Fetched, FoundSeries, FoundStudy
from planner_core.exchange.inbox import MOST_OBJECT_BYTES, Inbox
from planner_core.imaging.dicom_words import person_words
from planner_core.progress import Progress, silent

ANSWER_S = 120.0
"""How long is waited for an answer (our choice)."""

MOST_LIST_BYTES = 64 * 1024**2
"""Size of a list of studies or series, at most (our choice: 500 answers have below 2 MB)."""

_BLOCK = 1024**2
_LOOPBACK = ("localhost", "127.0.0.1", "::1")


def _without_slash(url: str) -> str:
    return url.rstrip("/")


@frozen
class WebArchive:
    """Where a DICOMweb archive is reached.

    Parameters
    ----------
    url : str
        Its root, for example ``https://archive.example/dicom-web``.
    user, password : str
        For HTTP basic authentication; sent only over https or to this computer.

    Raises
    ------
    PlannerError
        If the address is no http or https address, or the password would travel unprotected.
    """

    url: str = field(converter=_without_slash)
    user: str = ""
    password: str = field(default="", repr=False)

    def __attrs_post_init__(self) -> None:
        parts = urllib.parse.urlsplit(self.url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise PlannerError(
                f"{self.url} is no web address of an archive.", "Give one that begins with https://."
            )
        if self.password and parts.scheme == "http" and parts.hostname not in _LOOPBACK:
            raise PlannerError("The password would travel unprotected.", "Use the archive's https address.")


def search_studies(
    archive: WebArchive, *, patient_name: str = "", patient_id: str = "", date: str = ""
) -> tuple[FoundStudy, ...]:
    """Look for studies; ``*`` stands for letters, dates are YYYYMMDD or a range with ``-``.

    Raises
    ------
    PlannerError
        If nothing to look for is given, or the archive does not answer.
    """
    wanted = {"PatientName": patient_name, "PatientID": patient_id, "StudyDate": date}
    wanted = {key: value for key, value in wanted.items() if value.strip("*?- ")}
    if not wanted:
        raise PlannerError("There is nothing to look for.", "Give a name, a number or a date.")
    answers = _list(archive, "studies", {**wanted, "limit": str(MOST_ANSWERS), "includefield": "00081030"})
    return tuple(
        FoundStudy(
            study_uid=_value(answer, "0020000D"),
            patient_name=person_words(_value(answer, "00100010")),
            patient_id=_value(answer, "00100020"),
            date=_value(answer, "00080020"),
            description=_value(answer, "00081030"),
            modalities=", ".join(str(one) for one in _values(answer, "00080061")),
        )
        for answer in answers
    )


def search_series(archive: WebArchive, study_uid: str) -> tuple[FoundSeries, ...]:
    """List the series of one study."""
    answers = _list(archive, f"studies/{_uid(study_uid)}/series", {"limit": str(MOST_ANSWERS)})
    return tuple(
        FoundSeries(
            study_uid=study_uid,
            series_uid=_value(answer, "0020000E"),
            description=_value(answer, "0008103E"),
            modality=_value(answer, "00080060"),
            objects=int(count) if (count := _value(answer, "00201209")).isdigit() else None,
        )
        for answer in answers
    )


def retrieve_series(
    archive: WebArchive, study_uid: str, series_uid: str, inbox: Inbox, progress: Progress = silent
) -> Fetched:
    """Fetch one series into an inbox, each object in the syntax in which the archive keeps it.

    Raises
    ------
    PlannerError
        If the archive does not answer, or the answer is cut short; what had come whole stays in the inbox.
    Cancelled
        If `progress` says so.
    """
    path = f"studies/{_uid(study_uid)}/series/{_uid(series_uid)}"
    accept = 'multipart/related; type="application/dicom"; transfer-syntax=*'
    received = failed = 0
    with _open(archive, path, {}, accept) as answer:
        for part in _parts(answer, answer.headers.get("Content-Type", ""), archive):
            try:
                inbox.file_object(part)
                received += 1
            except PlannerError as error:
                if "no DICOM object" not in error.message:
                    raise
                failed += 1
            # How many there will be is not said; the bar only shows that it goes on.
            progress(received / (received + 100), f"{received} slices received")
    progress(1.0, f"{received} slices received")
    return Fetched(received, failed)


def _uid(identifier: str) -> str:
    if not re.fullmatch(r"[0-9.]{1,64}", identifier):
        raise PlannerError(f"{identifier!r} is no DICOM identifier.", "Choose a study or series from the list.")
    return identifier


def _open(archive: WebArchive, path: str, query: dict[str, str], accept: str) -> Any:
    address = f"{archive.url}/{path}"
    if query:
        address += "?" + urllib.parse.urlencode(query, safe="*")  # archives look for the bare star
    request = urllib.request.Request(address, headers={"Accept": accept})
    if archive.user or archive.password:
        pair = base64.b64encode(f"{archive.user}:{archive.password}".encode()).decode()
        request.add_header("Authorization", f"Basic {pair}")
    try:
        return urllib.request.build_opener(_NoStrayRedirect).open(request, timeout=ANSWER_S)
    except urllib.error.HTTPError as error:
        error.close()
        if error.code in (401, 403):
            raise PlannerError(
                f"{archive.url} does not let us in (HTTP {error.code}).", "Check user and password."
            ) from error
        raise PlannerError(
            f"{archive.url} could not do it (HTTP {error.code}).", "Check the address and that the scan is there."
        ) from error
    except (OSError, http.client.HTTPException, ValueError) as error:
        raise _no_answer(archive) from error


class _NoStrayRedirect(urllib.request.HTTPRedirectHandler):
    """Follow redirects only within the same host: the password goes nowhere else."""

    def redirect_request(self, req: Any, fp: Any, code: int, msg: str, headers: Any, newurl: str) -> Any:
        """Give the next request, or None to stop."""
        before, after = urllib.parse.urlsplit(req.full_url), urllib.parse.urlsplit(newurl)
        if (before.hostname, before.scheme) != (after.hostname, after.scheme):
            return None
        return super().redirect_request(req, fp, code, msg, headers, newurl)


def _no_answer(archive: WebArchive) -> PlannerError:
    return PlannerError(f"{archive.url} does not answer.", "Check the address and the network.")


def _list(archive: WebArchive, path: str, query: dict[str, str]) -> list[dict[str, Any]]:
    try:
        with _open(archive, path, query, "application/dicom+json") as answer:
            raw = answer.read(MOST_LIST_BYTES + 1)
        found = json.loads(raw) if raw.strip() else []
    except (OSError, ValueError, http.client.HTTPException, RecursionError) as error:
        raise _strange(archive) from error
    if len(raw) > MOST_LIST_BYTES or not isinstance(found, list):
        raise _strange(archive)
    return [one for one in found if isinstance(one, dict)][:MOST_ANSWERS]


def _strange(archive: WebArchive) -> PlannerError:
    return PlannerError(f"{archive.url} answers, but not as a DICOMweb archive.", "Check the address.")


def _values(answer: dict[str, Any], tag: str) -> list[Any]:
    element = answer.get(tag)
    values = element.get("Value") if isinstance(element, dict) else None
    return values if isinstance(values, list) else []


def _value(answer: dict[str, Any], tag: str) -> str:
    """Give the first value of an element of the DICOM JSON model (PS3.18 F.2) as words."""
    values = _values(answer, tag)
    if not values or values[0] is None:
        return ""
    if isinstance(values[0], dict):
        return str(values[0].get("Alphabetic", ""))
    return str(values[0])


def _parts(stream: IO[bytes], content_type: str, archive: WebArchive) -> Iterator[bytes]:
    """Give the bodies of a multipart answer (RFC 2046 5.1), one at a time in memory."""
    found = re.search(r'boundary="?([^";,\s]{1,70})"?', content_type)
    if "multipart/related" not in content_type or found is None:
        raise _strange(archive)
    mark = b"\r\n--" + found.group(1).encode("ascii", "replace")
    buffer = bytearray(b"\r\n")
    closed = False
    before_first = True
    searched = 0
    while not closed:
        at = buffer.find(mark, searched)
        if at < 0:
            searched = max(0, len(buffer) - len(mark))
            block = _read(stream, archive)
            if not block or len(buffer) > MOST_OBJECT_BYTES:
                raise PlannerError("The answer of the archive was cut short.", "Fetch the series again.")
            buffer += block
            continue
        if not before_first:
            yield _body(bytes(buffer[:at]), archive)
        before_first = False
        while len(buffer) < at + len(mark) + 2:
            block = _read(stream, archive)
            if not block:
                raise PlannerError("The answer of the archive was cut short.", "Fetch the series again.")
            buffer += block
        closed = buffer[at + len(mark) : at + len(mark) + 2] == b"--"
        del buffer[: at + len(mark)]
        searched = 0


def _read(stream: IO[bytes], archive: WebArchive) -> bytes:
    try:
        return stream.read(_BLOCK)
    except (OSError, http.client.HTTPException) as error:
        raise _no_answer(archive) from error


def _body(part: bytes, archive: WebArchive) -> bytes:
    """Leave out the headers of a part: everything up to the first empty line."""
    end = part.find(b"\r\n\r\n")
    if end < 0:
        raise _strange(archive)
    return part[end + 4 :]
