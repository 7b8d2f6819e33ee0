"""One DICOM image file as this program needs it: what it is, where its frames lie, where its pixels start.

Only headers are read here. Sections named are those of DICOM PS3.3.
"""

from __future__ import annotations

import io
import zlib
from typing import Any

import pydicom
from attrs import frozen
from pydicom.dataset import Dataset

from planner_core.geometry.frames import FloatArray
from planner_core.imaging.dicom_elements import floats, integer, listed, meta_text, text
from planner_core.imaging.dicom_groups import functional_groups
from planner_core.imaging.dicom_quick import PIXEL_TAGS, quick_header
from planner_core.imaging.scan_files import ScanFile

CT_CLASSES = {
    "1.2.840.10008.5.1.4.1.1.2": "CT",
    "1.2.840.10008.5.1.4.1.1.2.1": "Enhanced CT",
    "1.2.840.10008.5.1.4.1.1.2.2": "Legacy Converted Enhanced CT",
    "1.2.840.10008.5.1.4.1.1.13.1.2": "X-Ray 3D Craniofacial",
}
"""Storage classes that carry a CT or cone-beam volume (PS3.4 B.5)."""

FIRST_HEAD_BYTES = 16 * 1024
"""Bytes read first; the header of a single slice fits (seen: 2 to 8 kB)."""

LARGEST_HEADER_BYTES = 64 * 1024**2
"""Largest header that is read (our choice: 2000 frames of an enhanced object have about 10 MB)."""

MOST_INFLATED_BYTES = 512 * 1024**2
"""Content of one deflated file, at most (our choice: 700 frames of 512 x 512 and more)."""

LARGEST_SIDE = 4096
"""Rows or columns, at most (our choice; detectors and reconstructions stay below)."""

MOST_FRAMES = 20_000
"""Frames of one file, at most (our choice)."""

OTHER_NUMBERS = "Export the scan again with 16-bit voxels, or as NIfTI, NRRD or MetaImage."
"""What to do about voxels in numbers that are not read from DICOM."""

_DEFLATED = "1.2.840.10008.1.2.1.99"
_IMPLICIT = "1.2.840.10008.1.2"
_EXPLICIT = "1.2.840.10008.1.2.1"
_BIG_ENDIAN = "1.2.840.10008.1.2.2"


@frozen(eq=False)
class ImageHeader:
    """The header of one image file with one or more frames.

    Parameters
    ----------
    positions_lps_mm : array of shape (frames, 3)
        Centre of each frame's first voxel; nan where the file does not say.
    orientations : array of shape (frames, 6)
        Direction along a row, then along a column; nan where the file does not say.
    spacings_mm : array of shape (frames, 2)
        Distance of rows, then of columns; nan where the file does not say.
    slopes, intercepts : arrays of shape (frames,)
    thicknesses_mm : array of shape (frames,)
        nan where the file does not say.
    padding : tuple of two numbers or None
        Stored values, from and to, that mark voxels outside the picture.
    pixel_offset, pixel_length : int
        Where the pixel element's value starts, and its length; -1 if it is in fragments.
    dataset : Dataset
        The header's elements, for words only.
    """

    file: ScanFile
    sop_class: str
    sop_instance_uid: str
    series_uid: str
    study_uid: str
    frame_of_reference_uid: str
    syntax: str
    little_endian: bool
    rows: int
    columns: int
    frames: int
    bits_allocated: int
    bits_stored: int
    high_bit: int
    signed: bool
    photometric: str
    padding: tuple[int, int] | None
    positions_lps_mm: FloatArray
    orientations: FloatArray
    spacings_mm: FloatArray
    slopes: FloatArray
    intercepts: FloatArray
    thicknesses_mm: FloatArray
    pixel_offset: int
    pixel_length: int
    dataset: Dataset

    @property
    def encapsulated(self) -> bool:
        """Whether the frames lie in compressed fragments."""
        return self.pixel_length < 0

    @property
    def frame_bytes(self) -> int:
        """Bytes of one uncompressed frame."""
        return self.rows * self.columns * (self.bits_allocated // 8)


@frozen
class NotAnImage:
    """A file that holds no slice of a volume, and why."""

    reason: str


class DamagedFile(Exception):  # noqa: N818 - it says what the file is
    """A file that is DICOM, but cannot be used.

    Carries its own words for the message, its series where that can be read, and what to do where the usual advice
    does not help.
    """

    def __init__(self, message: str, series_uid: str = "", remedy: str = "") -> None:
        super().__init__(message)
        self.series_uid = series_uid
        self.remedy = remedy


def read_header(file: ScanFile) -> ImageHeader | NotAnImage:
    """Read the header of one file.

    Raises
    ------
    DamagedFile
        If the file is an image of a CT volume, but cut short or impossible.
    PlannerError
        If the file lies in a damaged zip.
    """
    size = min(FIRST_HEAD_BYTES, file.size)
    head = file.head(size)
    if _DEFLATED.encode() in head[:1024]:
        file = inflated(file)
        size = min(FIRST_HEAD_BYTES, file.size)
        head = file.head(size)
    limit = min(LARGEST_HEADER_BYTES, file.size)
    while True:
        if not _looks_like_dicom(head):
            return NotAnImage("no DICOM file")
        dataset, end, failure = _parse(head)
        if dataset is not None and (end is not None or size >= file.size or _hopeless(dataset)):
            break
        if size >= limit:
            return _unreadable(dataset, failure, file)
        size = min(size * 16, limit)
        head = file.head(size)
    reason = _why_not(dataset)
    if reason:
        return NotAnImage(reason)
    try:
        return _header(file, dataset, head, end)
    except DamagedFile as damage:
        raise DamagedFile(str(damage), text(dataset, "SeriesInstanceUID"), damage.remedy) from None


def _looks_like_dicom(head: bytes) -> bool:
    """The mark after the preamble, or a first element of group 2 or 8 (files without a preamble)."""
    if head[128:132] == b"DICM":
        return True
    group, element = int.from_bytes(head[:2], "little"), int.from_bytes(head[2:4], "little")
    return len(head) > 64 and group in (0x0002, 0x0008) and element <= 0x0020 and b"\x08\x00\x16\x00" in head[:2048]


def _parse(head: bytes) -> tuple[Dataset | None, int | None, str]:
    """Parse the beginning of a file; also where its pixel element starts, if that was reached."""
    quick = quick_header(head)
    if quick is not None:
        return *quick, ""
    stream = io.BytesIO(head)
    try:
        dataset = pydicom.dcmread(stream, stop_before_pixels=True, force=head[128:132] != b"DICM")
        text(dataset, "SOPClassUID")
    except Exception as error:  # pydicom raises many kinds on damaged bytes
        return None, None, type(error).__name__
    syntax = str(dataset.file_meta.get("TransferSyntaxUID", _IMPLICIT)) if "file_meta" in vars(dataset) else ""
    start = stream.tell()
    order = "big" if syntax == _BIG_ENDIAN else "little"
    tag = int.from_bytes(head[start : start + 2], order) << 16 | int.from_bytes(head[start + 2 : start + 4], order)  # type: ignore[arg-type]
    return dataset, start if tag in PIXEL_TAGS and len(head) >= start + 12 else None, ""


def _hopeless(dataset: Dataset) -> bool:
    """Whether the class is already known to be none of ours, so that reading on is useless."""
    sop_class = text(dataset, "SOPClassUID")
    return bool(sop_class) and sop_class not in CT_CLASSES


def _unreadable(dataset: Dataset | None, failure: str, file: ScanFile) -> NotAnImage:
    if dataset is not None and text(dataset, "SOPClassUID") in CT_CLASSES:
        raise DamagedFile(f"{file.name} ends before its picture data", text(dataset, "SeriesInstanceUID"))
    return NotAnImage("damaged DICOM file" if failure else "DICOM file without a picture")


def _why_not(dataset: Dataset) -> str:
    """Say why an object is no slice of a CT volume; empty if it is one."""
    sop_class = text(dataset, "SOPClassUID") or meta_text(dataset, "MediaStorageSOPClassUID")
    if sop_class not in CT_CLASSES:
        if "DirectoryRecordSequence" in dataset or sop_class == "1.2.840.10008.1.3.10":
            return "disc directory"
        name = pydicom.uid.UID(sop_class).name if sop_class else ""
        if "Secondary Capture" in name:
            return "screen capture"
        if "SR" in name.split() or "Encapsulated" in name or "Report" in name:
            return "report"
        modality = text(dataset, "Modality")
        return f"other object ({modality})" if modality.isalnum() and len(modality) <= 16 else "other object"
    kinds = [str(kind).upper() for kind in listed(dataset, "ImageType")]
    if "LOCALIZER" in kinds or "SCOUT" in kinds:
        return "scout"
    if integer(dataset, "SamplesPerPixel", 1) != 1:
        return "picture in colour"
    if "SCREEN SAVE" in kinds:
        return "screen capture"
    return ""


def _header(file: ScanFile, dataset: Dataset, head: bytes, end: int | None) -> ImageHeader | NotAnImage:
    """Turn elements into numbers and check them against the file's size."""
    syntax = meta_text(dataset, "TransferSyntaxUID") or _IMPLICIT
    if end is None:
        raise DamagedFile(f"{file.name} ends before its picture data")
    tag_kind, offset, length = _pixel_element(head, end, syntax)
    if tag_kind != "integer":
        raise DamagedFile(
            f"{file.name} holds its voxels as floating-point numbers, which are not read from DICOM",
            remedy=OTHER_NUMBERS,
        )
    header = _numbers(file, dataset, syntax, offset, length)
    if header.encapsulated == (syntax not in (_IMPLICIT, _EXPLICIT, _BIG_ENDIAN)):
        _check_size(header)
        return header
    raise DamagedFile(f"{file.name} says one thing about its compression and does another")


def inflated(file: ScanFile) -> ScanFile:
    """Give a deflated file (PS3.5 A.5) as if it lay there plain; it is unpacked anew whenever it is opened.

    pydicom would unpack without a limit.
    """

    def unpack() -> bytes:
        raw = file.read_all()
        # The group length is the first element of the file's meta information (PS3.10 7.1): tag, VR, length, value.
        start = 144 + int.from_bytes(raw[140:144], "little")
        unpacker = zlib.decompressobj(-zlib.MAX_WBITS)
        try:
            plain = unpacker.decompress(raw[start:], MOST_INFLATED_BYTES)
        except zlib.error as error:
            raise DamagedFile(f"{file.name} is damaged") from error
        if unpacker.unconsumed_tail:
            raise DamagedFile(f"{file.name} unpacks to more than {MOST_INFLATED_BYTES // 1024**2} MB")
        meta = raw[:start].replace(_DEFLATED.encode(), _EXPLICIT.encode().ljust(len(_DEFLATED), b"\0"))
        return meta + plain

    size = len(unpack())
    return ScanFile(file.name, size, lambda: io.BytesIO(unpack()), None)


def _pixel_element(head: bytes, start: int, syntax: str) -> tuple[str, int, int]:
    """Kind, offset of the value and length (-1: in fragments) of the pixel element."""
    order: Any = "big" if syntax == _BIG_ENDIAN else "little"
    number = int.from_bytes(head[start : start + 2], order) << 16 | int.from_bytes(
        head[start + 2 : start + 4], order
    )
    if syntax == _IMPLICIT:
        offset, length = start + 8, int.from_bytes(head[start + 4 : start + 8], order)
    elif head[start + 4 : start + 6] in (b"OW", b"OB", b"UN", b"OF", b"OD"):
        offset, length = start + 12, int.from_bytes(head[start + 8 : start + 12], order)
    else:
        offset, length = start + 8, int.from_bytes(head[start + 6 : start + 8], order)
    return PIXEL_TAGS[number], offset, -1 if length == 0xFFFFFFFF else length


def _numbers(file: ScanFile, dataset: Dataset, syntax: str, offset: int, length: int) -> ImageHeader:
    """Take every number that is needed out of the elements."""
    frames = max(1, integer(dataset, "NumberOfFrames", 1))
    if frames > MOST_FRAMES:
        raise DamagedFile(f"{file.name} claims {frames} frames")
    bits = integer(dataset, "BitsAllocated", 0)
    stored = integer(dataset, "BitsStored", bits)
    groups = functional_groups(dataset, frames)
    return ImageHeader(
        file=file,
        sop_class=text(dataset, "SOPClassUID") or meta_text(dataset, "MediaStorageSOPClassUID"),
        sop_instance_uid=text(dataset, "SOPInstanceUID"),
        series_uid=text(dataset, "SeriesInstanceUID"),
        study_uid=text(dataset, "StudyInstanceUID"),
        frame_of_reference_uid=text(dataset, "FrameOfReferenceUID"),
        syntax=syntax,
        little_endian=syntax != _BIG_ENDIAN,
        rows=integer(dataset, "Rows", 0),
        columns=integer(dataset, "Columns", 0),
        frames=frames,
        bits_allocated=bits,
        bits_stored=stored,
        high_bit=integer(dataset, "HighBit", stored - 1),
        signed=integer(dataset, "PixelRepresentation", 0) == 1,
        photometric=text(dataset, "PhotometricInterpretation") or "MONOCHROME2",
        padding=_padding(dataset),
        positions_lps_mm=groups["ImagePositionPatient"],
        orientations=groups["ImageOrientationPatient"],
        spacings_mm=groups["PixelSpacing"],
        slopes=groups["RescaleSlope"][:, 0],
        intercepts=groups["RescaleIntercept"][:, 0],
        thicknesses_mm=groups["SliceThickness"][:, 0],
        pixel_offset=offset,
        pixel_length=length,
        dataset=dataset,
    )


def _check_size(header: ImageHeader) -> None:
    """Refuse a picture that its own file cannot hold, before anything is allocated for it."""
    name = header.file.name
    if not (0 < header.rows <= LARGEST_SIDE and 0 < header.columns <= LARGEST_SIDE):
        raise DamagedFile(f"{name} claims {header.rows} x {header.columns} voxels a slice")
    if header.bits_allocated in (1, 32, 64):
        raise DamagedFile(
            f"{name} holds its voxels in numbers of {header.bits_allocated} bits", remedy=OTHER_NUMBERS
        )
    if header.bits_allocated not in (8, 16) or not 0 < header.bits_stored <= header.bits_allocated:
        raise DamagedFile(f"{name} stores {header.bits_stored} of {header.bits_allocated} bits a voxel")
    if not header.bits_stored - 1 <= header.high_bit < header.bits_allocated:
        raise DamagedFile(f"{name} places its {header.bits_stored} bits under bit {header.high_bit}")
    needed = header.frame_bytes * header.frames
    there = header.file.size - header.pixel_offset
    if header.encapsulated:
        if there < 16 * header.frames:
            raise DamagedFile(f"{name} ends before its picture data")
    elif min(header.pixel_length, there) < needed:
        raise DamagedFile(f"{name} is cut short: its picture needs {needed} bytes and {max(there, 0)} are there")


def _padding(dataset: Dataset) -> tuple[int, int] | None:
    """Stored values that mean "outside the picture" (PS3.3 C.7.5.1.1.2)."""
    value = integer(dataset, "PixelPaddingValue", None)
    if value is None:
        return None
    limit = integer(dataset, "PixelPaddingRangeLimit", value)
    return min(value, limit), max(value, limit)


def text_of(header: ImageHeader, keyword: str) -> str:
    """Give one element of the header as words; empty where it is missing or damaged."""
    return text(header.dataset, keyword)


def date_of(header: ImageHeader, *keywords: str) -> str:
    """Give the first of the date elements as YYYY-MM-DD; empty where there is none."""
    for keyword in keywords:
        digits = text(header.dataset, keyword).replace(".", "").replace("-", "")
        if len(digits) >= 8 and digits[:8].isdigit():
            return f"{digits[:4]}-{digits[4:6]}-{digits[6:8]}"
    return ""


def number_of(header: ImageHeader, keyword: str) -> float | None:
    """Give one element of the header as a number; None where it is missing or damaged."""
    value = floats(header.dataset, keyword, 1)
    return None if value is None else float(value[0])
