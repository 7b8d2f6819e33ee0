"""Where objects from the network are filed: one folder a series, each file whole or not there."""

from __future__ import annotations

import hashlib
import io
import os
import re
import threading
import uuid
from pathlib import Path

import pydicom
from attrs import define, field, frozen

from planner_core.errors import PlannerError
from planner_core.files import replacing
from planner_core.imaging.dicom_elements import quiet_pydicom, text
from planner_core.imaging.dicom_header import inflated
from planner_core.imaging.scan_files import ScanFile

MOST_OBJECT_BYTES = 2 * 1024**3
"""One object, at most (our choice: a multi-frame volume of a thousand slices has half of that)."""

LEAST_FREE_BYTES = 64 * 1024**2
"""Space that must stay free on the disk (our choice: cases are stored there too)."""

HEAD_BYTES = 256 * 1024
"""Bytes of an object in which its identifiers must stand (our choice: they are among the first elements)."""

_UID = re.compile(r"[0-9.]{1,64}")
_DEFLATED = b"1.2.840.10008.1.2.1.99"
_PARTS = ".incoming"

_parsing = threading.Lock()
"""pydicom's settings are the whole process's: one object is looked at at a time."""


class DiskFullError(PlannerError):
    """There is no space for another object."""


@frozen
class FiledObject:
    """One object that is on the disk now."""

    path: Path
    study_uid: str
    series_uid: str
    new: bool


@define(eq=False)
class Inbox:
    """A folder for received series: ``<study>/<series>/<object>.dcm``.

    Parameters
    ----------
    folder : Path
        Made if it does not exist. Parts of files that a killed program left are swept away.

    Raises
    ------
    PlannerError
        If the folder cannot be made or written.
    """

    folder: Path
    _lock: threading.Lock = field(factory=threading.Lock, repr=False)

    def __attrs_post_init__(self) -> None:
        parts = self.folder / _PARTS
        try:
            parts.mkdir(parents=True, exist_ok=True)
            for left in parts.iterdir():
                left.unlink()
            probe = parts / "probe"
            probe.write_bytes(b"")
            probe.unlink()
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise PlannerError(f"{self.folder} cannot be written ({reason}).", "Choose another inbox.") from error

    def file_object(self, raw: bytes) -> FiledObject:
        """File one object given as the bytes of a DICOM file (with preamble and meta information).

        The same object twice is filed once; another object under the same identifier gets a name of its own, so
        that nothing received is lost.

        Raises
        ------
        PlannerError
            If it is no DICOM object with identifiers; `DiskFullError` if there is no space.
        """
        study, series, instance = _identifiers(raw)
        place = self.folder / _safe(study) / _safe(series)
        with self._lock:
            target = _free_name(place, _safe(instance), raw)
            if target is None:
                return FiledObject(place / f"{_safe(instance)}.dcm", study, series, False)
            self._write(raw, target)
        return FiledObject(target, study, series, True)

    def _write(self, raw: bytes, target: Path) -> None:
        part = self.folder / _PARTS / uuid.uuid4().hex
        try:
            free = os.statvfs(self.folder) if hasattr(os, "statvfs") else None
            if free is not None and free.f_bavail * free.f_frsize < len(raw) + LEAST_FREE_BYTES:
                raise DiskFullError(
                    f"The disk of {self.folder} is full.", "Free some space and send the scan again."
                )
            target.parent.mkdir(parents=True, exist_ok=True)
            with replacing(target, part):
                part.write_bytes(raw)
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise DiskFullError(
                f"{self.folder} cannot be written ({reason}).", "Make space and send the scan again."
            ) from error


def _safe(identifier: str) -> str:
    """Give a folder or file name for an identifier that comes from elsewhere."""
    if _UID.fullmatch(identifier) and not set(identifier) <= {"."}:
        return identifier
    return "x" + hashlib.sha256(identifier.encode()).hexdigest()[:32]


def _free_name(place: Path, name: str, raw: bytes) -> Path | None:
    """Give a name that is not taken; None if this very object is there already."""
    target = place / f"{name}.dcm"
    number = 1
    while target.exists():
        if target.stat().st_size == len(raw) and target.read_bytes() == raw:
            return None
        number += 1
        target = place / f"{name}-{number}.dcm"
    return target


def _identifiers(raw: bytes) -> tuple[str, str, str]:
    """Study, series and object identifiers."""
    try:
        with _parsing, quiet_pydicom():
            file = ScanFile("object", len(raw), lambda: io.BytesIO(raw))
            if _DEFLATED in raw[:1024]:
                file = inflated(file)
            dataset = pydicom.dcmread(io.BytesIO(file.head(HEAD_BYTES)), stop_before_pixels=True)
            found = [text(dataset, f"{kind}InstanceUID") for kind in ("Study", "Series", "SOP")]
    except Exception as error:  # damaged bytes fail in many ways
        raise _no_object() from error
    if not all(found):
        raise _no_object()
    return found[0], found[1], found[2]


def _no_object() -> PlannerError:
    return PlannerError("What was received is no DICOM object with identifiers.", "Send the scan again.")
