"""Stored numbers of DICOM frames, written straight into a waiting int16 array.

Uncompressed frames are read without any copy in between; compressed ones are decoded by pydicom's plugins
(pyjpegls, pylibjpeg-openjpeg, gdcm, pillow) in processes of their own, after the size in the compressed data itself
has been compared with the header's, so that nothing large is allocated for a file that lies.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import IO

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from pydicom.encaps import generate_frames
from pydicom.uid import UID

from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray
from planner_core.imaging.decode_pool import DecodeError, decode_frames
from planner_core.imaging.dicom_header import ImageHeader
from planner_core.progress import Progress, silent

THREADS = 2
"""Readers at a time: one waits for the disk while the other copies or decodes (our choice)."""

UNSIGNED_SHIFT = 32768
"""Taken off unsigned 16-bit numbers so that they fit int16; the volume's offset puts it back."""

_JPEG_LS = {"1.2.840.10008.1.2.4.80", "1.2.840.10008.1.2.4.81"}
_JPEG_2000 = {"1.2.840.10008.1.2.4.90", "1.2.840.10008.1.2.4.91"}
_HTJ2K = {f"1.2.840.10008.1.2.4.20{k}" for k in (1, 2, 3)}
_JPEG = {f"1.2.840.10008.1.2.4.{k}" for k in (50, 51, 57, 70)}
_RLE = {"1.2.840.10008.1.2.5"}
_PLAIN = {"1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.2"}

DECODED_SYNTAXES = frozenset(_PLAIN | _JPEG_LS | _JPEG_2000 | _HTJ2K | _JPEG | _RLE)
"""Transfer syntaxes that are read (deflated files are unpacked before they come here)."""

_PLUGINS = {
    **dict.fromkeys(_JPEG_LS, ("pyjpegls",)),
    **dict.fromkeys(_JPEG_2000, ("pylibjpeg",)),
    **dict.fromkeys(_HTJ2K, ("pylibjpeg",)),
    **dict.fromkeys(_JPEG, ("gdcm", "pillow")),
    **dict.fromkeys(_RLE, ("pydicom",)),
}


@frozen(eq=False)
class FrameJob:
    """Frames of one file and where they go: pairs of (frame in the file, slice of the array)."""

    header: ImageHeader
    frames: tuple[tuple[int, int], ...]


def shifted(header: ImageHeader) -> bool:
    """Whether the frames' numbers are lowered by `UNSIGNED_SHIFT` to fit int16."""
    return not header.signed and header.bits_stored >= 16


def read_frames(jobs: list[FrameJob], out: NDArray[np.int16], progress: Progress = silent) -> None:
    """Read frames into `out`, shape (slices, rows, columns), two files at a time.

    Raises
    ------
    PlannerError
        If a frame is cut short or cannot be decoded.
    Cancelled
        If `progress` says so.
    """
    total = sum(len(job.frames) for job in jobs)
    done = 0
    with ThreadPoolExecutor(THREADS, thread_name_prefix="planner_core-dicom") as pool:
        waiting: list[Future[int]] = []
        try:
            for job in jobs:
                waiting.append(pool.submit(_read_file, job, out))
                while len(waiting) > 4 * THREADS:
                    done += waiting.pop(0).result()
                    progress(done / total, f"Reading slice {done} of {total}")
            for future in waiting:
                done += future.result()
                progress(done / total, f"Reading slice {done} of {total}")
        except BaseException:
            for future in waiting:
                future.cancel()
            raise


def read_frame(header: ImageHeader, frame: int) -> NDArray[np.int16]:
    """Read one frame, shape (rows, columns)."""
    # The compressed picture's own size is looked at before anything is allocated for it.
    pictures = _compressed(header) if header.encapsulated else []
    out = np.empty((1, header.rows, header.columns), dtype=np.int16)
    if header.encapsulated:
        for plane in _decoded(header, [pictures[frame]]):
            _store(plane, out[0], header)
    else:
        _read_plain(FrameJob(header, ((frame, 0),)), out)
    return out[0]


def _read_file(job: FrameJob, out: NDArray[np.int16]) -> int:
    header = job.header
    if header.encapsulated:
        _read_compressed(job, out)
    else:
        _read_plain(job, out)
    return len(job.frames)


def _read_plain(job: FrameJob, out: NDArray[np.int16]) -> None:
    """Copy frames from where they lie in the file."""
    header = job.header
    try:
        with header.file.open() as stream:
            at = 0
            for frame, target in sorted(job.frames):
                at = _forward(stream, at, header.pixel_offset + frame * header.frame_bytes)
                at += header.frame_bytes
                if header.bits_allocated == 8:
                    raw = np.empty(out[target].shape, dtype=np.uint8)
                    _fill(stream, raw, header)
                    out[target] = raw.view(np.int8) if header.signed else raw
                else:
                    _fill(stream, out[target], header)
                _tidy(out[target], header, swap=not header.little_endian)
    except OSError as error:
        raise PlannerError(
            f"{header.file.name} cannot be read any more ({error.strerror}).",
            "Copy the scan to this computer first.",
        ) from error


def _forward(stream: IO[bytes], at: int, wanted: int) -> int:
    """Move on to an offset, also in a stream that can only be read."""
    if stream.seekable():
        stream.seek(wanted)
        return wanted
    while at < wanted:
        block = stream.read(min(wanted - at, 1024**2))
        if not block:
            break
        at += len(block)
    return at


def _fill(stream: IO[bytes], target: AnyArray, header: ImageHeader) -> None:
    view = target.reshape(-1).view(np.uint8).data
    got = 0
    while got < len(view):
        count = stream.readinto(view[got:])  # type: ignore[attr-defined]
        if not count:
            raise cut_short(header)
        got += count


def cut_short(header: ImageHeader) -> PlannerError:
    """Say that a file ends before its picture does."""
    return PlannerError(
        f"{header.file.name} is cut short: its picture ends before the last row.", "Copy or export the scan again."
    )


def _tidy(plane: NDArray[np.int16], header: ImageHeader, *, swap: bool) -> None:
    """Turn raw 16-bit words into int16 numbers in place: byte order, unused bits, sign, unsigned 16 bits."""
    if swap and header.bits_allocated == 16:
        plane.byteswap(inplace=True)
    above = header.bits_allocated - 1 - header.high_bit
    if header.bits_allocated == 16 and (header.bits_stored < 16 or above):
        words = plane if header.signed else plane.view(np.uint16)
        # Overlays and rubbish may sit in the unused bits (PS3.5 8.1.1): push them out, and the sign in.
        spare = 16 - header.bits_stored
        np.left_shift(words, above, out=words)
        np.right_shift(words, spare, out=words)
    if shifted(header):
        words = plane.view(np.uint16)
        np.bitwise_xor(words, np.uint16(UNSIGNED_SHIFT), out=words)


def _read_compressed(job: FrameJob, out: NDArray[np.int16]) -> None:
    header = job.header
    pictures = _compressed(header)
    wanted = sorted(job.frames)
    planes = _decoded(header, [pictures[frame] for frame, _ in wanted])
    for (_, target), plane in zip(wanted, planes, strict=True):
        _store(plane, out[target], header)


def _compressed(header: ImageHeader) -> list[bytes]:
    """Give the compressed pictures; the size in each is the header's, before anything is allocated for it."""
    if header.syntax not in _PLUGINS:
        name = UID(header.syntax).name
        raise PlannerError(
            f"{header.file.name} is compressed in a way that is not read here ({name}).",
            "Export the scan uncompressed or in JPEG 2000.",
        )
    data = header.file.read_all()[header.pixel_offset :]
    try:
        pictures = list(generate_frames(data, number_of_frames=header.frames))
        sizes = [_size_in(picture, header) for picture in pictures]
    except Exception as error:  # damaged fragments fail in many ways
        raise _undecodable(header) from error
    if len(sizes) < header.frames:
        raise cut_short(header)
    for size in sizes:
        if size != (header.rows, header.columns):
            raise PlannerError(
                f"{header.file.name} says {header.rows} x {header.columns} voxels, "
                f"its picture {size[0]} x {size[1]}.",
                "The file is damaged; export the scan again.",
            )
    return pictures


def _decoded(header: ImageHeader, pictures: list[bytes]) -> Iterator[NDArray[np.int16]]:
    """Decode pictures in another process."""
    how = {
        "rows": header.rows,
        "columns": header.columns,
        "samples_per_pixel": 1,
        "photometric_interpretation": "MONOCHROME2",
        "bits_allocated": header.bits_allocated,
        "bits_stored": header.bits_stored,
        "pixel_representation": int(header.signed),
        "pixel_keyword": "PixelData",
    }
    try:
        yield from decode_frames(pictures, header.syntax, _PLUGINS[header.syntax], how)
    except DecodeError as error:
        raise _undecodable(header) from error


def _undecodable(header: ImageHeader) -> PlannerError:
    return PlannerError(
        f"The picture of {header.file.name} cannot be decoded ({UID(header.syntax).name}).",
        "The file is damaged; export the scan again, best uncompressed.",
    )


def _store(plane: NDArray[np.int16], target: NDArray[np.int16], header: ImageHeader) -> None:
    target[...] = plane
    if shifted(header):
        words = target.view(np.uint16)
        np.bitwise_xor(words, np.uint16(UNSIGNED_SHIFT), out=words)


def _size_in(frame: bytes, header: ImageHeader) -> tuple[int, int]:
    """Rows and columns that the compressed picture itself promises.

    JPEG and JPEG-LS: the start-of-frame segment (ITU-T T.81 B.2.2, T.87 C.2.2); JPEG 2000: the SIZ segment
    (ITU-T T.800 A.5.1). Run-length pictures say nothing; two bytes of theirs stand for 128 at most (PS3.5 G.3.1).
    """
    syntax = header.syntax
    if syntax in _RLE:
        if 64 * len(frame) < header.frame_bytes:
            raise ValueError("too short")
        return header.rows, header.columns
    if syntax in _JPEG_2000 or syntax in _HTJ2K:
        at = frame.find(b"\xff\x4f\xff\x51", 0, 4096)
        if at < 0:
            raise ValueError("no SIZ segment")
        right, bottom, left, top = (int.from_bytes(frame[at + k : at + k + 4], "big") for k in (8, 12, 16, 20))
        return bottom - top, right - left
    at = 2
    while at + 9 <= len(frame):
        if frame[at] != 0xFF:
            raise ValueError("no marker where one must be")
        kind = frame[at + 1]
        if kind == 0xFF:  # fill byte
            at += 1
        elif kind == 0xF7 or (0xC0 <= kind <= 0xCF and kind not in (0xC4, 0xC8, 0xCC)):
            return int.from_bytes(frame[at + 5 : at + 7], "big"), int.from_bytes(frame[at + 7 : at + 9], "big")
        else:
            at += 2 + int.from_bytes(frame[at + 2 : at + 4], "big")
    raise ValueError("no start of frame")
