"""What lies in an inbox: the series received, with whose they are and how many objects each has."""

from __future__ import annotations

from pathlib import Path

from attrs import frozen

from planner_core.errors import PlannerError
from planner_core.imaging.dicom_elements import quiet_pydicom
from planner_core.imaging.dicom_header import DamagedFile, ImageHeader, date_of, read_header, text_of
from planner_core.imaging.dicom_words import person_words
from planner_core.imaging.scan_files import ScanFile
from planner_core.progress import Progress, silent

MOST_SERIES = 500
"""Series listed, at most; the newest come first (our choice: nobody reads more)."""


@frozen
class WaitingSeries:
    """One series in an inbox.

    Parameters
    ----------
    folder : Path
    objects : int
        Files in it.
    received_s : float
        When the last of them came, seconds since 1970.
    is_scan : bool
        A CT or cone-beam series; others are kept, but cannot be opened here.
    """

    folder: Path
    objects: int
    received_s: float
    is_scan: bool
    patient_name: str = ""
    patient_birth_date: str = ""
    date: str = ""
    description: str = ""


def waiting_series(inbox: Path, progress: Progress = silent) -> tuple[WaitingSeries, ...]:
    """List the series in an inbox (``<study>/<series>/<object>.dcm``), the newest first.

    Raises
    ------
    PlannerError
        If the folder cannot be read.
    """
    try:
        folders = [place for study in _folders(inbox) for place in _folders(study)]
        found = []
        with quiet_pydicom():
            for number, folder in enumerate(folders):
                progress(number / len(folders), "Looking at what was received")
                series = _look_at(folder)
                if series is not None:
                    found.append(series)
    except FileNotFoundError:
        return ()
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise PlannerError(f"The inbox {inbox} cannot be read ({reason}).", "Choose another inbox.") from error
    return tuple(sorted(found, key=lambda one: -one.received_s)[:MOST_SERIES])


def _folders(place: Path) -> list[Path]:
    return sorted(entry for entry in place.iterdir() if entry.is_dir() and not entry.name.startswith("."))


def _look_at(folder: Path) -> WaitingSeries | None:
    files = sorted(folder.glob("*.dcm"))
    if not files:
        return None
    latest = max(path.stat().st_mtime for path in files)
    first = files[0]
    try:
        header = read_header(ScanFile(first.name, first.stat().st_size, lambda: first.open("rb"), first))
    except (DamagedFile, PlannerError):
        header = None
    if not isinstance(header, ImageHeader):
        return WaitingSeries(folder, len(files), latest, False)
    return WaitingSeries(
        folder,
        len(files),
        latest,
        True,
        person_words(text_of(header, "PatientName")),
        date_of(header, "PatientBirthDate"),
        date_of(header, "AcquisitionDate", "StudyDate", "SeriesDate"),
        text_of(header, "SeriesDescription"),
    )
