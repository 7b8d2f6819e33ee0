"""DICOM series written by the tests, in any syntax with an encoder here; nothing in them is of a real person."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import (
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    XRay3DCraniofacialImageStorage,
    generate_uid,
)

LYING = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0)


def picture(slices: int = 6, rows: int = 40, columns: int = 48, low: int = -1000, high: int = 3000) -> np.ndarray:
    """Give numbers without symmetry, shape (slices, rows, columns), so that any mix-up shows."""
    rng = np.random.default_rng(11)
    z, y, x = np.mgrid[:slices, :rows, :columns]
    smooth = 0.3 + 0.4 * x / columns + 0.2 * y / rows + 0.1 * z / slices
    values = low + (high - low) * np.clip(smooth + rng.normal(0, 0.02, smooth.shape), 0, 1)
    return np.rint(values)


def header(**elements: Any) -> Dataset:
    """Give the elements that every slice has; `elements` are added or replace them."""
    ds = Dataset()
    ds.SOPClassUID = CTImageStorage
    ds.SOPInstanceUID = generate_uid()
    ds.Modality = "CT"
    ds.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    ds.PatientName = "Beispiel^Anna"
    ds.PatientID = "invented"
    ds.StudyDate = "20260102"
    ds.StudyInstanceUID = "1.2.826.0.1.3680043.8.498.1"
    ds.SeriesInstanceUID = "1.2.826.0.1.3680043.8.498.2"
    ds.FrameOfReferenceUID = "1.2.826.0.1.3680043.8.498.3"
    ds.SeriesDescription = "made by a test"
    ds.SamplesPerPixel = 1
    ds.PhotometricInterpretation = "MONOCHROME2"
    ds.ImageOrientationPatient = list(LYING)
    ds.PixelSpacing = [0.3, 0.25]
    ds.SliceThickness = 0.4
    ds.RescaleSlope = 1
    ds.RescaleIntercept = 0
    for keyword, value in elements.items():
        setattr(ds, keyword, value)
    return ds


def set_pixels(ds: Dataset, values: np.ndarray, *, signed: bool, bits: int, allocated: int = 16) -> None:
    ds.Rows, ds.Columns = values.shape[-2:]
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = allocated, bits, bits - 1
    ds.PixelRepresentation = int(signed)
    kind = f"<{'i' if signed else 'u'}{allocated // 8}"
    raw = values.astype(kind).tobytes()
    ds.PixelData = raw + b"\0" * (len(raw) % 2)
    ds["PixelData"].VR = "OB" if allocated == 8 else "OW"


def save(ds: Dataset, path: Path, syntax: str = ExplicitVRLittleEndian) -> None:
    """Write one object; compressed syntaxes by pydicom's encoders."""
    ds.file_meta = FileMetaDataset()
    ds.file_meta.MediaStorageSOPClassUID = ds.SOPClassUID
    ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    uid = pydicom.uid.UID(syntax)
    ds.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian if uid.is_compressed else uid
    if syntax == "1.2.840.10008.1.2.1.99":
        ds.file_meta.TransferSyntaxUID = uid
    elif uid.is_compressed:
        ds.compress(uid, generate_instance_uid=False)
    if syntax == ExplicitVRBigEndian and "PixelData" in ds and ds.BitsAllocated == 16:
        ds.PixelData = np.frombuffer(ds.PixelData, "<u2").astype(">u2").tobytes()
        ds["PixelData"].VR = "OW"
    ds.save_as(path, enforce_file_format=True)


def write_series(
    folder: Path,
    values: np.ndarray,
    *,
    signed: bool = True,
    bits: int = 16,
    allocated: int = 16,
    syntax: str = ExplicitVRLittleEndian,
    step_mm: float = 0.4,
    positions: np.ndarray | None = None,
    per_slice: list[dict[str, Any]] | None = None,
    **elements: Any,
) -> Path:
    """Write one single-frame file per slice, named so that neither name nor number gives the order."""
    folder.mkdir(parents=True, exist_ok=True)
    orientation = np.array(elements.get("ImageOrientationPatient", LYING), dtype=float)
    normal = np.cross(orientation[:3], orientation[3:])
    for k, plane in enumerate(values):
        origin = np.array([-12.5, 7.25, 3.0]) + k * step_mm * normal if positions is None else positions[k]
        ds = header(**elements)
        ds.ImagePositionPatient = [f"{value:.6f}"[:16] for value in origin]
        ds.InstanceNumber = (k * 7) % 11
        ds.SOPInstanceUID = generate_uid(entropy_srcs=[ds.SeriesInstanceUID, str(k), plane.tobytes().hex()])
        for keyword, value in (per_slice[k] if per_slice else {}).items():
            setattr(ds, keyword, value)
        set_pixels(ds, plane, signed=signed, bits=bits, allocated=allocated)
        save(ds, folder / f"{(k * 5) % 13:02d}-{k}", syntax)
    return folder


def write_multiframe(
    path: Path,
    values: np.ndarray,
    *,
    sop_class: str = EnhancedCTImageStorage,
    syntax: str = ExplicitVRLittleEndian,
    step_mm: float = 0.4,
    slope: float = 1.0,
    intercept: float = -1000.0,
) -> Path:
    """Write one multi-frame object whose frames lie in the file in a scrambled order."""
    ds = header(SOPClassUID=sop_class)
    for keyword in (
        "ImageOrientationPatient",
        "PixelSpacing",
        "SliceThickness",
        "RescaleSlope",
        "RescaleIntercept",
    ):
        delattr(ds, keyword)
    if sop_class == XRay3DCraniofacialImageStorage:
        ds.Modality = "DX"
    ds.SOPInstanceUID = generate_uid(entropy_srcs=[sop_class, values.tobytes().hex()])
    order = np.argsort([(k * 5) % 13 for k in range(len(values))])
    shared, orientation, measures, scale = Dataset(), Dataset(), Dataset(), Dataset()
    orientation.ImageOrientationPatient = list(LYING)
    measures.PixelSpacing, measures.SliceThickness = [0.3, 0.25], 0.4
    scale.RescaleSlope, scale.RescaleIntercept, scale.RescaleType = slope, intercept, "US"
    shared.PlaneOrientationSequence = [orientation]
    shared.PixelMeasuresSequence = [measures]
    shared.PixelValueTransformationSequence = [scale]
    ds.SharedFunctionalGroupsSequence = [shared]
    frames = []
    for k in order:
        group, place = Dataset(), Dataset()
        place.ImagePositionPatient = [-12.5, 7.25, round(3.0 + k * step_mm, 6)]
        group.PlanePositionSequence = [place]
        frames.append(group)
    ds.PerFrameFunctionalGroupsSequence = frames
    ds.NumberOfFrames = len(values)
    set_pixels(ds, values[order], signed=False, bits=16)
    save(ds, path, syntax)
    return path


__all__ = ["LYING", "header", "picture", "save", "set_pixels", "write_multiframe", "write_series"]
