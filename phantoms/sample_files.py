"""Writing a sample: DICOM series, mask, surfaces, truth and hashes."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume

UID_ROOT = "2.25."
MANUFACTURER = "Plumbline phantoms (simulated)"
STUDY_DATE = "20260101"
LOWEST_GREY = -1000


@frozen
class SampleHeader:
    """What the DICOM header of a sample says; nobody real is named."""

    patient_name: str
    patient_id: str
    description: str
    comment: str
    kvp: float
    tube_current_ma: float = 6.0


def _uid(*parts: object) -> str:
    """Give a UUID-derived UID (PS3.5 B.2) that is the same for the same parts."""
    digest = hashlib.sha256("/".join(str(part) for part in parts).encode()).digest()[:16]
    return UID_ROOT + str(int.from_bytes(digest, "big"))


def write_dicom_series(folder: Path, volume: Volume, header: SampleHeader) -> None:
    """Write a volume as CT Image Storage, one file per slice, JPEG-LS lossless, 12 bits unsigned.

    Raises
    ------
    PlannerError
        If pydicom or its JPEG-LS coder is missing.
    """
    try:
        import jpeg_ls  # noqa: F401
        from pydicom.dataset import FileDataset, FileMetaDataset
        from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, JPEGLSLossless
    except ImportError as error:
        raise PlannerError("pydicom with pyjpegls is needed to write the series.", "Install both.") from error
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.dcm"):
        old.unlink()
    series, study, frame = (_uid(header.patient_id, header.description, k) for k in ("series", "study", "frame"))
    slices, rows, columns = volume.shape
    dz, dy, dx = volume.spacing_mm
    for k in range(slices):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = CTImageStorage
        meta.MediaStorageSOPInstanceUID = _uid(series, k)
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
        ds.SOPClassUID, ds.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
        ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = study, series, frame
        _describe(ds, header)
        ds.ImagePositionPatient = [round(float(v), 4) for v in volume.to_lps([k, 0, 0])]
        row, column = volume.lps_from_index[:3, 2] / dx, volume.lps_from_index[:3, 1] / dy
        ds.ImageOrientationPatient = [round(float(v), 6) for v in (*row, *column)]
        ds.PixelSpacing = [f"{dy:.4f}", f"{dx:.4f}"]
        ds.SliceThickness = f"{dz:.4f}"
        ds.SliceLocation = round(float(volume.to_lps([k, 0, 0])[2]), 4)
        ds.InstanceNumber = k + 1
        ds.Rows, ds.Columns = rows, columns
        ds.PixelData = (volume.stored[k].astype(np.int32) - LOWEST_GREY).clip(0, 4095).astype("<u2").tobytes()
        ds.compress(JPEGLSLossless, generate_instance_uid=False)
        ds.save_as(folder / f"{k + 1:04d}.dcm", enforce_file_format=True)


def _describe(ds: Any, header: SampleHeader) -> None:
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = STUDY_DATE
    ds.StudyTime = ds.SeriesTime = ds.AcquisitionTime = ds.ContentTime = "120000"
    ds.AccessionNumber, ds.StudyID, ds.SeriesNumber, ds.AcquisitionNumber = "", "1", 1, 1
    ds.Modality, ds.Manufacturer = "CT", MANUFACTURER
    ds.ManufacturerModelName, ds.SoftwareVersions = "phantoms", "1"
    ds.InstitutionName, ds.ReferringPhysicianName = "Invented", ""
    ds.StudyDescription, ds.SeriesDescription = "Invented scenario, simulated scan", header.description
    ds.PatientName, ds.PatientID = header.patient_name, header.patient_id
    ds.PatientBirthDate, ds.PatientSex = "", "O"
    ds.PatientIdentityRemoved, ds.DeidentificationMethod = "YES", "No person: an analytic phantom"
    ds.PatientComments = ds.ImageComments = header.comment
    ds.PositionReferenceIndicator, ds.PatientPosition = "", "HFS"
    ds.KVP, ds.XRayTubeCurrent = f"{header.kvp:g}", str(int(header.tube_current_ma))
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = str(LOWEST_GREY), "1", "US"
    ds.WindowCenter, ds.WindowWidth = "800", "3600"
    ds.BurnedInAnnotation = "NO"


def write_mask(path: Path, mask: NDArray[np.bool_], volume: Volume) -> None:
    """Write a mask on the volume's grid as compressed NIfTI (RAS+), array axes column, row, slice."""
    import gzip

    import nibabel as nib

    affine = np.array(volume.lps_from_index)[:, [2, 1, 0, 3]]
    affine[:2] *= -1.0
    image = nib.Nifti1Image(mask.astype(np.uint8).transpose(2, 1, 0), affine)
    image.header.set_xyzt_units("mm")
    # The gzip header carries a time: fixed, so that the same truth gives the same hash.
    path.write_bytes(gzip.compress(image.to_bytes(), 9, mtime=0))


def write_binary_stl(path: Path, surface: Surface) -> None:
    """Write a binary STL (80 bytes of text, count, then 50 bytes a triangle)."""
    record = np.zeros(
        len(surface.triangles), dtype=[("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
    )
    record["normal"] = surface.face_normals
    record["corners"] = surface.points_mm[surface.triangles]
    text = b"simulated surface scan, invented scenario, mm".ljust(80)
    path.write_bytes(text + np.uint32(len(record)).tobytes() + record.tobytes())


def write_binary_ply(path: Path, surface: Surface, comment: str) -> None:
    """Write points and triangles as binary little-endian PLY."""
    head = (
        f"ply\nformat binary_little_endian 1.0\ncomment {comment}\nelement vertex {len(surface.points_mm)}\n"
        "property float x\nproperty float y\nproperty float z\n"
        f"element face {len(surface.triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.zeros(len(surface.triangles), dtype=[("count", "u1"), ("corners", "<i4", 3)])
    faces["count"], faces["corners"] = 3, surface.triangles
    path.write_bytes(head.encode() + surface.points_mm.astype("<f4").tobytes() + faces.tobytes())


def write_truth(path: Path, truth: dict[str, Any]) -> None:
    """Write the truth as JSON, lists of numbers on one line."""
    text = json.dumps(truth, indent=1)
    # Rows of numbers stay on one line, so that the file can be read by eye.
    import re

    text = re.sub(
        r"\[\s+(-?[\d.e+-]+(?:,\s+-?[\d.e+-]+)*)\s+\]", lambda m: "[" + re.sub(r"\s+", " ", m[1]) + "]", text
    )
    path.write_text(text + "\n")


def write_hashes(folder: Path) -> None:
    """Write SHA256SUMS of every other file of a sample."""
    lines = []
    for path in sorted(p for p in folder.rglob("*") if p.is_file() and p.name != "SHA256SUMS"):
        lines.append(f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}")
    (folder / "SHA256SUMS").write_text("\n".join(lines) + "\n")
