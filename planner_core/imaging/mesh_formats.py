"""STL and OBJ as plain arrays: strict about sizes, tolerant about everything that does no harm.

The renderer's readers cannot be used here (planner_core knows no renderer), and a file from elsewhere must not be
able to make us allocate more than a small multiple of its own size.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray

LONGEST_NUMBER = 64
"""Characters of one number in a text file, at most (our choice: 17 digits, sign and exponent need 24)."""

LINES_AT_ONCE = 100_000
"""Lines of a text file taken at a time (our choice: bounds the memory for words)."""

MOST_CORNERS = 256
"""Corners of one face at most (our choice: a scan has triangles)."""


@frozen(eq=False)
class RawMesh:
    """Corners and triangles as a file has them, in the file's own unit."""

    points: FloatArray
    triangles: NDArray[np.int64]
    notes: tuple[str, ...] = field(default=())


def cut_short(kind: str) -> PlannerError:
    """Say that a surface file ends too early."""
    return PlannerError(f"The {kind} file is cut short.", "Copy or export it again.")


def damaged(kind: str) -> PlannerError:
    """Say that a surface file cannot be understood."""
    return PlannerError(f"The {kind} file is damaged.", "Copy or export it again.")


# STL


def parse_stl(data: bytes) -> RawMesh:
    """Read an STL file, binary or text; corners are not merged yet."""
    count = int.from_bytes(data[80:84], "little") if len(data) >= 84 else -1
    size = 84 + 50 * count
    if count >= 0 and len(data) == size:
        return _binary_stl(data, count)
    if b"facet" in data[:2048].lower() or data[:5].lower() == b"solid":
        return _text_stl(data)
    if count < 0 or len(data) < size:
        raise cut_short("STL")
    mesh = _binary_stl(data, count)
    return RawMesh(
        mesh.points, mesh.triangles, (f"{len(data) - size} bytes behind the last triangle were ignored",)
    )


def _binary_stl(data: bytes, count: int) -> RawMesh:
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    corners = np.frombuffer(data, record, count, offset=84)["corners"]
    return RawMesh(corners.reshape(-1, 3).astype(np.float64), np.arange(3 * count).reshape(-1, 3))


_VERTEX = re.compile(rb"vertex[ \t]+([^\r\n]*)", re.IGNORECASE)


def _text_stl(data: bytes) -> RawMesh:
    blocks = [number_rows(_VERTEX.findall(block), 3, "STL") for block in line_blocks(data)]
    points = np.concatenate(blocks) if blocks else np.empty((0, 3))
    facets = len(re.findall(rb"(?i)endfacet", data))
    if len(points) != 3 * facets:
        raise cut_short("STL")
    return RawMesh(points, np.arange(len(points)).reshape(-1, 3))


def line_blocks(data: bytes, start: int = 0) -> Iterator[bytes]:
    """Cut text into pieces of some megabytes that end at line ends."""
    size = 64 * LINES_AT_ONCE
    while start < len(data):
        stop = data.find(b"\n", min(start + size, len(data)))
        stop = len(data) if stop < 0 else stop + 1
        yield data[start:stop]
        start = stop


def number_rows(lines: list[bytes], width: int, kind: str) -> FloatArray:
    """Turn lines of numbers into rows; numbers beyond `width` (colours) are left out."""
    if not lines:
        return np.empty((0, width))
    numbers = numbers_of(b" ".join(lines), np.float64, kind)
    if len(numbers) == width * len(lines):
        return numbers.reshape(-1, width)
    words = [words_of(line, kind)[:width] for line in lines]
    if min(len(row) for row in words) < width:
        raise damaged(kind)
    return numbers_of(b" ".join(word for row in words for word in row), np.float64, kind).reshape(-1, width)


def numbers_of(text: bytes, dtype: Any, kind: str) -> NDArray[Any]:
    """Turn words into numbers at once."""
    with warnings.catch_warnings():
        warnings.simplefilter("error", DeprecationWarning)  # what is no number ends the reading with this warning
        try:
            return np.fromstring(text, dtype=dtype, sep=" ") if text.strip() else np.empty(0, dtype=dtype)
        except (DeprecationWarning, ValueError, OverflowError) as error:
            raise damaged(kind) from error


def words_of(text: bytes, kind: str) -> list[bytes]:
    """Cut text into words, none longer than a number can be."""
    words = text.split()
    if words and len(max(words, key=len)) > LONGEST_NUMBER:
        raise damaged(kind)
    return words


# OBJ

_OBJ_POINT = re.compile(rb"^[ \t]*v[ \t]+([^\r\n]*)", re.MULTILINE)
_OBJ_FACE = re.compile(rb"^[ \t]*f[ \t]+([^\r\n]*)", re.MULTILINE)


def parse_obj(data: bytes) -> RawMesh:
    """Read the points and faces of a Wavefront OBJ; groups, textures, normals and colours are left out."""
    data = data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" ")
    points: list[FloatArray] = []
    faces: list[tuple[NDArray[np.int64], NDArray[np.int64]]] = []
    seen = 0
    for block in line_blocks(data):
        for found, corners in _obj_block(block, seen):
            points.append(found)
            faces.append(corners)
            seen += len(found)
    if not points or not faces:
        raise PlannerError("The OBJ file holds no surface.", "Choose the file with the scan.")
    triangles = [fan(corners, counts) for corners, counts in faces]
    return RawMesh(np.concatenate(points), np.concatenate(triangles))


def _obj_block(block: bytes, seen: int) -> Iterator[tuple[FloatArray, tuple[NDArray[np.int64], NDArray[np.int64]]]]:
    found = number_rows(_OBJ_POINT.findall(block), 3, "OBJ")
    # A face may count backwards from the last point before it; then lines must be taken one after the other.
    relative = re.search(rb"^[ \t]*f[^\r\n]*-\d", block, re.MULTILINE) is not None
    before = _points_before_faces(block, seen) if relative else None
    text = re.sub(rb"/[^\s]*", b"", b"\n".join(_OBJ_FACE.findall(block)))
    lines = text.split(b"\n") if text else []
    corners = numbers_of(text, np.int64, "OBJ")
    counts = np.array([len(line.split()) for line in lines], dtype=np.int64)
    if len(corners) != counts.sum():
        raise damaged("OBJ")
    if len(counts) and (counts.min() < 3 or counts.max() > MOST_CORNERS):
        raise damaged("OBJ")
    if before is not None:
        corners = np.where(corners < 0, np.repeat(before, counts) + corners, corners - 1)
    else:
        corners = corners - 1
    yield found, (corners, counts)


def _points_before_faces(block: bytes, seen: int) -> NDArray[np.int64]:
    """How many points were given before each face line of the block."""
    before = []
    for line in block.splitlines():
        head = line.lstrip()[:2]
        if head in (b"v ", b"v\t"):
            seen += 1
        elif head in (b"f ", b"f\t"):
            before.append(seen)
    return np.array(before, dtype=np.int64)


def fan(corners: NDArray[np.int64], counts: NDArray[np.int64]) -> NDArray[np.int64]:
    """Cut polygons (corners one after the other, and how many each has) into triangles from the first corner."""
    if len(counts) == 0:
        return np.empty((0, 3), dtype=np.int64)
    if (counts == 3).all():
        return corners.reshape(-1, 3)
    starts = np.cumsum(counts) - counts
    pieces = counts - 2
    first = np.repeat(starts, pieces)
    within = np.arange(int(pieces.sum())) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    return np.stack([corners[first], corners[first + within + 1], corners[first + within + 2]], axis=1)
