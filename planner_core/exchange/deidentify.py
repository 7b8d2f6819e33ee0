"""Scans without identity: DICOM PS3.15 annex E, Basic Application Level Confidentiality Profile.

The attributes are those of dicom-anonymizer's table of the 2026c edition. What the profile does not do is said with
every result: it leaves the picture as it is, and the volume of a head shows a face (option 113102, Clean
Recognizable Visual Features, is not done).
"""

from __future__ import annotations

import io
import shutil
import tempfile
from pathlib import Path

import pydicom
from attrs import evolve, frozen
from pydicom.dataset import Dataset, FileDataset
from pydicom.multival import MultiValue
from pydicom.uid import PYDICOM_IMPLEMENTATION_UID

from planner_core.errors import PlannerError
from planner_core.files import cannot_write
from planner_core.findings import Finding, Severity
from planner_core.imaging.dicom_elements import quiet_pydicom
from planner_core.imaging.dicom_header import DamagedFile, ImageHeader, read_header
from planner_core.imaging.scan import ScanSource
from planner_core.imaging.scan_files import ScanFile, collect_files
from planner_core.progress import Progress, silent

TABLE = "dicomfields_2026c"
"""Edition of PS3.15 table E.1-1 whose attributes are cleaned."""

METHOD = "PS3.15 Basic Profile, table E.1-1 of edition 2026c"
METHOD_CODE = ("113100", "DCM", "Basic Application Confidentiality Profile")
"""PS3.16 CID 7050."""

IDENTITY_KEYWORDS = (
    "PatientName", "PatientID", "PatientBirthDate", "PatientAddress", "PatientTelephoneNumbers", "OtherPatientIDs",
    "OtherPatientNames", "PatientMotherBirthName", "AccessionNumber", "ReferringPhysicianName",
    "PerformingPhysicianName", "OperatorsName", "PhysiciansOfRecord", "InstitutionName",
    "InstitutionAddress", "StationName", "DeviceSerialNumber",
)  # fmt: skip
"""Values that are looked for once more in the finished file, wherever they may stand."""

SHORTEST_WORD, SHORTEST_NUMBER = 5, 7
"""Shorter words and numbers stand in any file by chance and are not looked for (our choice)."""

FACE = Finding(
    Severity.WARNING,
    "face-visible",
    "The volume of a head shows a face, and a surface of the skin too: without a name it still shows a person.",
)


@frozen
class Deidentified:
    """What was written: the folder, how many files, and what remains to be said about them."""

    folder: Path
    files: int
    findings: tuple[Finding, ...]


def without_identity(source: ScanSource) -> ScanSource:
    """Give a scan's source without anything that names the patient; the date of the scan goes too."""
    return evolve(
        source,
        patient_name="",
        patient_id="",
        patient_birth_date="",
        patient_sex="",
        study_date="",
        study_uid="",
        series_uid="",
        series_description="",
    )


def deidentify_dataset(dataset: FileDataset, pseudonym: str = "") -> None:
    """Remove the identity from one object, in place; the picture and its geometry stay.

    Parameters
    ----------
    dataset : FileDataset
        With its file meta information.
    pseudonym : str
        Written as patient name and ID; empty for none.

    Raises
    ------
    PlannerError
        If the object cannot be cleaned, or an identifying value is still in it afterwards.
    """
    with quiet_pydicom():
        _deidentify(dataset, pseudonym)


def _deidentify(dataset: FileDataset, pseudonym: str) -> None:
    from dicomanonymizer.simpledicomanonymizer import anonymize_dataset, initialize_actions

    known = _identity_values(dataset)
    try:
        anonymize_dataset(dataset, base_rules_gen=lambda: initialize_actions(TABLE))
        _remove_repeating(dataset)
    except Exception as error:  # unknown value representations and damaged elements
        raise _not_clean("one of its elements cannot be cleaned") from error
    dataset.PatientName = pseudonym
    dataset.PatientID = pseudonym
    dataset.PatientIdentityRemoved = "YES"
    dataset.DeidentificationMethod = METHOD
    code = Dataset()
    code.CodeValue, code.CodingSchemeDesignator, code.CodeMeaning = METHOD_CODE
    dataset.DeidentificationMethodCodeSequence = [code]
    dataset.LongitudinalTemporalInformationModified = "REMOVED"
    _clean_meta(dataset)
    for value in known:
        if value in _header_bytes(dataset):
            raise _not_clean("an identifying value stands in an unusual place")


def _not_clean(reason: str) -> PlannerError:
    return PlannerError(
        f"The file cannot be freed of its identity: {reason}.",
        "Do not pass it on; ask for a clean export.",
    )


def _identity_values(dataset: Dataset) -> list[bytes]:
    """Values that name the patient or the clinic, as bytes, with the parts of names on their own."""
    found: set[str] = set()
    for keyword in IDENTITY_KEYWORDS:
        element = dataset.get(keyword)
        if element is None:
            continue
        listed = list(element) if isinstance(element, MultiValue) else [element]
        for value in listed:
            found.update(part.strip() for part in str(value).replace("=", "^").split("^"))
    least = {value: SHORTEST_NUMBER if value.isdigit() else SHORTEST_WORD for value in found}
    return [value.encode("utf-8") for value in found if len(value) >= least[value]]


def _header_bytes(dataset: FileDataset) -> bytes:
    """Everything but the picture, encoded."""
    copy = Dataset()
    for element in dataset:
        if element.tag.group != 0x7FE0:
            copy.add(element)
    stream = pydicom.filebase.DicomBytesIO()
    stream.is_little_endian, stream.is_implicit_VR = True, False
    pydicom.filewriter.write_dataset(stream, copy)
    return bytes(stream.getvalue())


def _remove_repeating(dataset: Dataset) -> None:
    """Drop overlays and curves (groups 60xx and 50xx): drawn text lies in them."""
    for tag in [element.tag for element in dataset.elements() if element.tag.group & 0xFF00 in (0x6000, 0x5000)]:
        del dataset[tag]


def _clean_meta(dataset: FileDataset) -> None:
    """Rebuild what the file says about itself: no titles of stations, no free preamble."""
    syntax = dataset.file_meta.TransferSyntaxUID
    dataset.file_meta = pydicom.dataset.FileMetaDataset()
    dataset.file_meta.TransferSyntaxUID = syntax
    dataset.file_meta.MediaStorageSOPClassUID = dataset.SOPClassUID
    dataset.file_meta.MediaStorageSOPInstanceUID = dataset.SOPInstanceUID
    dataset.file_meta.ImplementationClassUID = PYDICOM_IMPLEMENTATION_UID
    dataset.preamble = b"\0" * 128


def deidentify_series(
    source: Path, series_uid: str | None, target: Path, *, pseudonym: str = "", progress: Progress = silent
) -> Deidentified:
    """Copy the slices of one series into a new folder without identity.

    Parameters
    ----------
    source : Path
        Folder, disc, zip or file.
    series_uid : str or None
        Which series; None takes all CT slices found.
    target : Path
        A folder that does not exist yet; it appears whole or not at all.
    pseudonym : str
        Written in place of name and ID.
    progress : Progress

    Raises
    ------
    PlannerError
        If nothing is found, the target exists, or a file cannot be cleaned.
    """
    target = Path(target)
    if target.exists():
        raise PlannerError(f"{target} exists already.", "Choose a new folder.")
    with quiet_pydicom(), collect_files(Path(source), progress) as files:
        chosen = [file for file in files.files if _belongs(file, series_uid)]
        if not chosen:
            raise PlannerError(f"There is no such series in {source}.", "Choose one of the series listed.")
        try:
            part = Path(tempfile.mkdtemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent))
        except OSError as error:
            raise cannot_write(target, error) from error
        try:
            for number, file in enumerate(chosen):
                progress(number / len(chosen), f"Removing the identity from file {number + 1} of {len(chosen)}")
                _copy_clean(file, part / f"{number + 1:05d}.dcm", pseudonym)
            part.chmod(0o755)
            part.rename(target)
        except BaseException as error:
            shutil.rmtree(part, ignore_errors=True)
            if isinstance(error, OSError):
                raise cannot_write(target, error) from error
            raise
    progress(1.0, "Identity removed")
    return Deidentified(target, len(chosen), (FACE,))


def _belongs(file: ScanFile, series_uid: str | None) -> bool:
    try:
        header = read_header(file)
    except DamagedFile as damage:
        raise PlannerError(f"{damage}.", "Copy or export the scan again.") from damage
    return isinstance(header, ImageHeader) and series_uid in (None, header.series_uid)


def _copy_clean(file: ScanFile, path: Path, pseudonym: str) -> None:
    dataset = pydicom.dcmread(io.BytesIO(file.read_all()), force=True)
    deidentify_dataset(dataset, pseudonym)
    dataset.save_as(path, enforce_file_format=True)
