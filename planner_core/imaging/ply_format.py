"""PLY as plain arrays, text or binary; as strict as `mesh_formats`."""

from __future__ import annotations

import re
from itertools import islice
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.imaging.mesh_formats import (
    MOST_CORNERS,
    RawMesh,
    cut_short,
    damaged,
    fan,
    line_blocks,
    number_rows,
    numbers_of,
    words_of,
)

_PLY_TYPES = {
    "char": "i1", "int8": "i1", "uchar": "u1", "uint8": "u1", "short": "i2", "int16": "i2", "ushort": "u2",
    "uint16": "u2", "int": "i4", "int32": "i4", "uint": "u4", "uint32": "u4", "float": "f4", "float32": "f4",
    "double": "f8", "float64": "f8",
}  # fmt: skip
_LARGEST_PLY_HEADER = 65536


@frozen
class _Property:
    name: str
    kind: str
    count_kind: str = ""


@frozen
class _Element:
    name: str
    count: int
    properties: tuple[_Property, ...]

    @property
    def has_lists(self) -> bool:
        return any(one.count_kind for one in self.properties)

    def least_bytes(self) -> int:
        return sum(np.dtype(one.count_kind or one.kind).itemsize for one in self.properties)


def parse_ply(data: bytes) -> RawMesh:
    """Read the points and faces of a PLY, text or binary of either byte order."""
    layout, elements, start = _ply_header(data)
    body = len(data) - start
    for element in elements:
        least = element.least_bytes() if layout != "ascii" else max(1, 2 * len(element.properties) - 1)
        if element.count * least > body + 1:
            raise cut_short("PLY")
    values = _ply_text(data, start, elements) if layout == "ascii" else _ply_binary(data, start, elements, layout)
    if "vertex" not in values or "face" not in values:
        raise PlannerError("The PLY file holds no surface.", "Choose the file with the scan, not a point cloud.")
    points = values["vertex"][0]
    corners, counts = values["face"]
    return RawMesh(points, fan(corners, counts))


def _ply_header(data: bytes) -> tuple[str, list[_Element], int]:
    end = re.search(rb"\nend_header[ \t]*(\r\n|\n|\r)", data[:_LARGEST_PLY_HEADER])
    if data[:3] != b"ply" or end is None:
        raise damaged("PLY")
    layout = ""
    elements: list[_Element] = []
    for line in data[: end.start()].decode("latin-1").splitlines()[1:]:
        words = line.split()
        try:
            if words[:1] == ["format"]:
                layout = {"ascii": "ascii", "binary_little_endian": "<", "binary_big_endian": ">"}[words[1]]
            elif words[:1] == ["element"]:
                elements.append(_Element(words[1], int(words[2]), ()))
            elif words[:2] == ["property", "list"]:
                one = _Property(words[4], _PLY_TYPES[words[3]], _PLY_TYPES[words[2]])
                elements[-1] = _with(elements[-1], one)
            elif words[:1] == ["property"]:
                elements[-1] = _with(elements[-1], _Property(words[2], _PLY_TYPES[words[1]]))
        except (IndexError, KeyError, ValueError) as error:
            raise damaged("PLY") from error
    if not layout or any(element.count < 0 or not element.properties for element in elements):
        raise damaged("PLY")
    return layout, elements, end.end()


def _with(element: _Element, one: _Property) -> _Element:
    return _Element(element.name, element.count, (*element.properties, one))


def _xyz(element: _Element) -> list[int]:
    names = [one.name for one in element.properties]
    try:
        return [names.index(axis) for axis in "xyz"]
    except ValueError as error:
        raise damaged("PLY") from error


def _face_list(element: _Element) -> int:
    for index, one in enumerate(element.properties):
        if one.count_kind and one.name in ("vertex_indices", "vertex_index"):
            return index
    raise damaged("PLY")


def _ply_binary(data: bytes, start: int, elements: list[_Element], order: str) -> dict[str, tuple[Any, Any]]:
    values: dict[str, tuple[Any, Any]] = {}
    for element in elements:
        if not element.has_lists:
            record = np.dtype([(f"p{k}", order + one.kind) for k, one in enumerate(element.properties)])
            if start + element.count * record.itemsize > len(data):
                raise cut_short("PLY")
            rows = np.frombuffer(data, record, element.count, start)
            start += element.count * record.itemsize
            if element.name == "vertex":
                values["vertex"] = (
                    np.stack([rows[f"p{k}"].astype(np.float64) for k in _xyz(element)], axis=1),
                    None,
                )
        else:
            lists, start = _ply_lists(data, start, element, order)
            if element.name == "face":
                values["face"] = lists
    return values


def _ply_lists(
    data: bytes, start: int, element: _Element, order: str
) -> tuple[tuple[NDArray[np.int64], NDArray[np.int64]], int]:
    """Faces of a binary file: at once if all are triangles laid out alike, else one by one."""
    wanted = _face_list(element) if element.name == "face" else -1
    fast = _ply_triangles(data, start, element, order, wanted)
    if fast is not None:
        return fast
    corners: list[NDArray[Any]] = []
    counts: list[int] = []
    for _ in range(element.count):
        for index, one in enumerate(element.properties):
            kind = np.dtype(order + one.kind)
            length = 1
            if one.count_kind:
                count_kind = np.dtype(order + one.count_kind)
                if start + count_kind.itemsize > len(data):
                    raise cut_short("PLY")
                length = int(np.frombuffer(data, count_kind, 1, start)[0])
                start += count_kind.itemsize
            if length < 0 or start + length * kind.itemsize > len(data):
                raise cut_short("PLY")
            if index == wanted:
                if not 3 <= length <= MOST_CORNERS:
                    raise damaged("PLY")
                corners.append(np.frombuffer(data, kind, length, start))
                counts.append(length)
            start += length * kind.itemsize
    joined = np.concatenate(corners).astype(np.int64) if corners else np.empty(0, dtype=np.int64)
    return (joined, np.array(counts, dtype=np.int64)), start


def _ply_triangles(
    data: bytes, start: int, element: _Element, order: str, wanted: int
) -> tuple[tuple[NDArray[np.int64], NDArray[np.int64]], int] | None:
    if sum(bool(one.count_kind) for one in element.properties) != 1:
        return None
    fields: list[Any] = []
    for index, one in enumerate(element.properties):
        if one.count_kind:
            fields.append((f"n{index}", order + one.count_kind))
            fields.append((f"p{index}", order + one.kind, 3))
            counted = f"n{index}"
        else:
            fields.append((f"p{index}", order + one.kind))
    record = np.dtype(fields)
    if start + element.count * record.itemsize > len(data):
        return None
    rows = np.frombuffer(data, record, element.count, start)
    if not (rows[counted] == 3).all():
        return None
    triangles = rows[f"p{wanted}"].astype(np.int64) if wanted >= 0 else np.empty((0, 3), dtype=np.int64)
    stop = start + element.count * record.itemsize
    return (triangles.reshape(-1), np.full(len(triangles), 3, dtype=np.int64)), stop


def _ply_text(data: bytes, start: int, elements: list[_Element]) -> dict[str, tuple[Any, Any]]:
    values: dict[str, tuple[Any, Any]] = {}
    lines = (line for block in line_blocks(data, start) for line in block.splitlines() if line.strip())
    for element in elements:
        rows = list(islice(lines, element.count))
        if len(rows) < element.count:
            raise cut_short("PLY")
        if element.name == "vertex" and not element.has_lists:
            values["vertex"] = (number_rows(rows, len(element.properties), "PLY")[:, _xyz(element)], None)
        elif element.name == "face":
            values["face"] = _ply_text_triangles(rows, element) or _ply_text_faces(
                [words_of(row, "PLY") for row in rows], element
            )
    return values


def _ply_text_triangles(rows: list[bytes], element: _Element) -> tuple[NDArray[np.int64], NDArray[np.int64]] | None:
    """Faces of a text file at once, if all are triangles and nothing else stands in their lines."""
    if len(element.properties) != 1 or not rows:
        return None
    _face_list(element)
    numbers = numbers_of(b" ".join(rows), np.float64, "PLY")
    if len(numbers) != 4 * len(rows) or not (numbers[::4] == 3).all() or np.abs(numbers).max() > 2**31:
        return None
    return numbers.reshape(-1, 4)[:, 1:].astype(np.int64).reshape(-1), np.full(len(rows), 3, dtype=np.int64)


def _ply_text_faces(rows: list[list[bytes]], element: _Element) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    wanted = _face_list(element)
    corners: list[int] = []
    counts: list[int] = []
    try:
        for row in rows:
            at = 0
            for index, one in enumerate(element.properties):
                length = int(row[at]) if one.count_kind else 1
                at += bool(one.count_kind)
                if index == wanted:
                    if not 3 <= length <= MOST_CORNERS or at + length > len(row):
                        raise damaged("PLY")
                    corners.extend(int(word) for word in row[at : at + length])
                    counts.append(length)
                    break
                at += length
        return np.array(corners, dtype=np.int64), np.array(counts, dtype=np.int64)
    except (ValueError, IndexError, OverflowError) as error:
        raise damaged("PLY") from error
