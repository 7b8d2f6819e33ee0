"""Elements of a DICOM dataset as numbers and words, whatever damage they carry."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np
import pydicom
from pydicom.datadict import tag_for_keyword
from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset

from planner_core.geometry.frames import FloatArray


@contextmanager
def quiet_pydicom() -> Iterator[None]:
    """Read without pydicom's own warnings: the checks here are stricter, and names stay out of logs."""
    loggers = [logging.getLogger(name) for name in ("pydicom", "openjpeg", "pylibjpeg", "nibabel.global")]
    levels = [logger.level for logger in loggers]
    with warnings.catch_warnings(), pydicom.config.disable_value_validation():
        warnings.simplefilter("ignore")
        for logger in loggers:
            logger.setLevel(logging.CRITICAL + 1)
        try:
            yield
        finally:
            for logger, level in zip(loggers, levels, strict=True):
                logger.setLevel(level)


_TAGS = {
    keyword: tag_for_keyword(keyword)
    for keyword in (
        "ImagePositionPatient",
        "ImageOrientationPatient",
        "PixelSpacing",
        "SliceThickness",
        "RescaleSlope",
        "RescaleIntercept",
        "Rows",
        "Columns",
        "BitsAllocated",
        "BitsStored",
        "HighBit",
        "PixelRepresentation",
        "SamplesPerPixel",
        "NumberOfFrames",
    )
}


_PLAIN_TEXT = {
    keyword: tag_for_keyword(keyword)
    for keyword in (
        "SOPClassUID",
        "SOPInstanceUID",
        "SeriesInstanceUID",
        "StudyInstanceUID",
        "FrameOfReferenceUID",
        "PhotometricInterpretation",
        "Modality",
    )
}


def items(dataset: Dataset, keyword: str) -> list[Dataset]:
    """Give the items of a sequence; none where it is missing or damaged."""
    if keyword not in dataset:
        return []
    try:
        return list(dataset.get(keyword) or [])
    except Exception:  # damaged sequences fail in many ways; then they are not there
        return []


def floats(dataset: Dataset, keyword: str, count: int) -> FloatArray | None:
    """Give `count` finite numbers as float64, or None where they are missing or damaged."""
    try:
        # Decimal strings as they lie in the file: pydicom's own conversion takes most of the time of an import.
        raw = dataset.get_item(_TAGS[keyword]) if keyword in _TAGS else None
        if isinstance(raw, RawDataElement) and isinstance(raw.value, bytes) and raw.VR in ("DS", None):
            texts = raw.value.decode("ascii").replace("\0", " ").split("\\")
            numbers = np.array([float(text) for text in texts])
            return numbers if numbers.shape == (count,) and np.isfinite(numbers).all() else None
        value = dataset.get(keyword)
        if value is None or value == "":
            return None
        numbers = np.atleast_1d(np.asarray(value, dtype=np.float64))
    except Exception:  # not numbers, or a damaged element
        return None
    if numbers.shape != (count,) or not np.isfinite(numbers).all():
        return None
    return numbers


def integer(dataset: Dataset, keyword: str, otherwise: Any) -> Any:
    """Give a whole number, or `otherwise` where it is missing or damaged."""
    try:
        raw = dataset.get_item(_TAGS[keyword]) if keyword in _TAGS else None
        if isinstance(raw, RawDataElement) and raw.VR in ("US", "IS") and isinstance(raw.value, bytes):
            if not raw.value.strip():
                return otherwise
            order: Any = "little" if raw.is_little_endian else "big"
            return int.from_bytes(raw.value[:2], order) if raw.VR == "US" else int(raw.value)
        value = dataset.get(keyword)
        return otherwise if value is None or value == "" else int(value)
    except Exception:  # not a number, or a damaged element
        return otherwise


def listed(dataset: Dataset, keyword: str) -> list[Any]:
    """Give the values of an element as a list."""
    try:
        raw = dataset.get_item(tag_for_keyword(keyword) or 0)
        if isinstance(raw, RawDataElement) and raw.VR == "CS" and isinstance(raw.value, bytes):
            return [word.strip(" \0") for word in raw.value.decode("ascii").split("\\")]
        value = dataset.get(keyword)
        if value is None:
            return []
        return [value] if isinstance(value, str) or not hasattr(value, "__iter__") else list(value)
    except Exception:  # a damaged element
        return []


def text(dataset: Dataset, keyword: str) -> str:
    """Give an element as words; empty where it is missing or damaged."""
    try:
        # Identifiers and code strings are plain ASCII (PS3.5 6.2) and are read as they lie in the file.
        raw = dataset.get_item(_PLAIN_TEXT[keyword]) if keyword in _PLAIN_TEXT else None
        if isinstance(raw, RawDataElement) and isinstance(raw.value, bytes):
            return raw.value.decode("ascii").strip(" \0")
        value = dataset.get(keyword)
        return "" if value is None else str(value).strip()
    except Exception:  # wrong character set or a damaged element
        return ""


def meta_text(dataset: Dataset, keyword: str) -> str:
    """The same for an element of the file's meta information."""
    meta = vars(dataset).get("file_meta")
    return "" if meta is None else text(meta, keyword)
