"""Reopening a case to its first section, against importing its 400 DICOM files of 512 x 512 in the same run."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian, generate_uid

from planner_core.anatomy.sections import axial_frame, sample_section, warm_up
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.plan import Plan, ScanInput
from planner_core.imaging.open_scan import open_scan

SLICES, SIDE = 400, 512
REPEATS = 5


def write_series(folder: Path, slices: int = SLICES, side: int = SIDE) -> None:
    """Write an uncompressed CT series of noise, one file a slice."""
    rng = np.random.default_rng(0)
    picture = rng.integers(0, 4000, (side, side)).astype(np.int16)
    series, study, frame = generate_uid(), generate_uid(), generate_uid()
    for k in range(slices):
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = CTImageStorage
        meta.MediaStorageSOPInstanceUID = generate_uid()
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        data = Dataset()
        data.file_meta = meta
        data.SOPClassUID, data.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
        data.Modality, data.PatientName, data.PatientID = "CT", "Invented", "X"
        data.SeriesInstanceUID, data.StudyInstanceUID, data.FrameOfReferenceUID = series, study, frame
        data.Rows = data.Columns = side
        data.BitsAllocated, data.BitsStored, data.HighBit, data.PixelRepresentation = 16, 16, 15, 1
        data.SamplesPerPixel, data.PhotometricInterpretation = 1, "MONOCHROME2"
        data.PixelSpacing, data.ImageOrientationPatient = [0.25, 0.25], [1, 0, 0, 0, 1, 0]
        data.ImagePositionPatient, data.InstanceNumber = [0, 0, 0.25 * k], k + 1
        data.RescaleSlope, data.RescaleIntercept = 1, -1000
        data.PixelData = np.roll(picture, 7 * k, axis=0).tobytes()
        data.save_as(folder / f"{k:04}.dcm", enforce_file_format=True)


def reopen(case: Path) -> float:
    """Give the time (s) from opening the folder to the first section's grey values."""
    start = time.perf_counter()
    with CaseStore.open(case) as store:
        plan = store.plan()
        assert plan.scan is not None
        volume = plan.scan.volume
        sample_section(volume, axial_frame(volume, volume.centre_lps_mm))
        return time.perf_counter() - start


def rows() -> list[dict[str, object]]:
    """Give the rows of the benchmark table."""
    warm_up()
    with tempfile.TemporaryDirectory() as scratch:
        series, case = Path(scratch) / "series", Path(scratch) / "case"
        series.mkdir()
        write_series(series)
        open_scan(series)
        start = time.perf_counter()
        found = open_scan(series)
        imported = time.perf_counter() - start
        start = time.perf_counter()
        found.volume.content_hash  # noqa: B018 - computed once, here
        hashed = time.perf_counter() - start
        start = time.perf_counter()
        plan = edits.set_scan(Plan(), ScanInput(found.volume, found.source, found.findings))
        CaseStore.create(case, plan=plan).close()
        saved = time.perf_counter() - start
        opened = float(np.median([reopen(case) for _ in range(REPEATS)]))
        start = time.perf_counter()
        with CaseStore.open(case) as store:
            store.plan()
            moved = edits.set_title(store.plan(), "another")
            start = time.perf_counter()
            store.append(moved, "A step")
            step = time.perf_counter() - start
    size = f"{SLICES} x {SIDE} x {SIDE}"
    return [
        {"work": f"reopen a case of {size} to its first section (peer: its import)", "ours": 1e3 * opened,
         "peer": 1e3 * imported, "ratio": opened / imported, "bar": "at most 0.1 of the import", "unit": "ms"},
        {"work": "hash and save that scan into a new case", "ours": 1e3 * (hashed + saved), "peer": None,
         "ratio": None, "bar": "", "unit": "ms"},
        {"work": "one durable step in that case", "ours": 1e3 * step, "peer": None, "ratio": None, "bar": "",
         "unit": "ms"},
    ]  # fmt: skip
