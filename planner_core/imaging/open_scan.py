"""Opens a scan of any format that is read here."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from planner_core.errors import PlannerError
from planner_core.imaging.decode_pool import DecodeError, read_itk
from planner_core.imaging.dicom_import import read_dicom
from planner_core.imaging.foreign_arrays import from_numbers, most_bytes
from planner_core.imaging.import_findings import findings_of
from planner_core.imaging.nifti import read_nifti
from planner_core.imaging.scan import ImportedScan, ScanSource
from planner_core.imaging.scan_files import cannot_read
from planner_core.progress import Progress, silent

NIFTI_ENDINGS = (".nii", ".nii.gz")
ITK_ENDINGS = {".nrrd": "nrrd", ".nhdr": "nrrd", ".mha": "metaimage", ".mhd": "metaimage"}


def open_scan(
    source: Path, series_uid: str | None = None, *, resample: bool = False, progress: Progress = silent
) -> ImportedScan:
    """Open a scan: DICOM folder, disc, zip or file; NIfTI; NRRD; MetaImage.

    Parameters
    ----------
    source : Path
    series_uid : str or None
        Which DICOM series; may be left out when there is only one.
    resample : bool
        Put tilted or unevenly spaced DICOM slices onto an even grid.
    progress : Progress

    Raises
    ------
    PlannerError
        If there is nothing to read, or it is damaged or irregular.
    """
    source = Path(source)
    name = source.name.lower()
    try:
        is_file = source.is_file()
        exists = source.exists()
    except OSError as error:
        raise cannot_read(source, error) from error
    if not exists:
        raise PlannerError(f"There is no file or folder {source}.", "Check the path.")
    if is_file and name.endswith(NIFTI_ENDINGS):
        progress(0.0, "Reading the NIfTI image")
        return read_nifti(source)
    if is_file and source.suffix.lower() in ITK_ENDINGS:
        progress(0.0, "Reading the image")
        return _read_itk(source)
    return read_dicom(source, series_uid, resample=resample, progress=progress)


def _read_itk(path: Path) -> ImportedScan:
    """Read NRRD or MetaImage; SimpleITK keeps LPS itself."""
    kind = ITK_ENDINGS[path.suffix.lower()]
    try:
        most = most_bytes(_data_size(path))
        facts, numbers = read_itk(path, most)
    except OSError as error:
        raise cannot_read(path, error) from error
    except DecodeError as error:
        raise PlannerError(f"{path} is no readable {kind} image.", "Export or copy it again.") from error
    if not facts:
        raise PlannerError(f"{path} is no readable {kind} image.", "Export or copy it again.")
    if numbers is None:
        raise _refusal(path, facts, most)
    matrix = np.eye(4)
    matrix[:3, :3] = np.reshape(facts["direction"], (3, 3)) * np.array(facts["spacing"])
    matrix[:3, 3] = facts["origin"]
    volume, findings = from_numbers(numbers.transpose(2, 1, 0), matrix)
    return ImportedScan(volume, ScanSource(kind=kind, files_used=1), (*findings, *findings_of(volume)))


def _data_size(path: Path) -> int:
    """Size of the file with the voxels: beside a detached header, every file of its name counts."""
    if path.suffix.lower() in (".nhdr", ".mhd"):
        return sum(other.stat().st_size for other in path.parent.iterdir() if other.is_file())
    return path.stat().st_size


def _refusal(path: Path, facts: dict[str, Any], most: int) -> PlannerError:
    if facts["bytes"] > most:
        return PlannerError(
            f"{path} claims {facts['bytes']} bytes of voxels, more than it can hold.",
            "The file is cut short; copy it again.",
        )
    shape = tuple(facts["shape"])
    return PlannerError(f"{path} holds an image of shape {shape}, not one volume.", "Export one volume alone.")
