"""3MF surfaces through lib3mf, after the package has been checked for its size."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import numpy as np

from planner_core.errors import PlannerError
from planner_core.imaging.mesh_formats import RawMesh, damaged

MOST_UNPACKED_BYTES = 400 * 1024**2
"""Unpacked size of a 3MF package, at most (our choice: XML of five million triangles)."""

MOST_NESTING = 16
"""Components within components, at most (our choice)."""

_UNITS = {0: "um", 1: "mm", 2: "cm", 3: "inch", 4: "foot", 5: "m"}


def parse_3mf(path: Path, data: bytes) -> tuple[RawMesh, str]:
    """Read all build items of a 3MF package as one mesh; also its unit.

    Raises
    ------
    PlannerError
        If the package is damaged, too large, or holds no surface.
    """
    _check_package(path, data)
    import lib3mf

    try:
        model = lib3mf.get_wrapper().CreateModel()
        reader = model.QueryReader("3mf")
        reader.SetStrictModeActive(False)
        reader.ReadFromBuffer(data)
        parts: list[tuple[np.ndarray, np.ndarray]] = []
        items = model.GetBuildItems()
        while items.MoveNext():
            item = items.GetCurrent()
            _collect(model, item.GetObjectResource(), _matrix(item.GetObjectTransform()), parts, 0)
        unit = _UNITS.get(int(_plain(model.GetUnit())), "mm")
    except PlannerError:
        raise
    except Exception as error:  # lib3mf raises its own kind for everything
        raise damaged("3MF") from error
    if not parts:
        raise PlannerError(f"{path} holds no surface.", "Choose the file with the scan.")
    starts = np.cumsum([0] + [len(points) for points, _ in parts[:-1]])
    return (
        RawMesh(
            np.concatenate([points for points, _ in parts]),
            np.concatenate([triangles + start for (_, triangles), start in zip(parts, starts, strict=True)]),
        ),
        unit,
    )


def _check_package(path: Path, data: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            members = package.infolist()
            total = sum(member.file_size for member in members)
            names = {member.filename.lower() for member in members}
            bad = package.testzip() if total <= MOST_UNPACKED_BYTES else None
    except Exception as error:  # zlib and zipfile raise many kinds on damaged bytes
        raise damaged("3MF") from error
    if total > MOST_UNPACKED_BYTES:
        raise PlannerError(
            f"{path} would unpack to {total / 1e9:.1f} GB.", "Reduce the surface before importing it."
        )
    if bad is not None:
        raise damaged("3MF")
    if not any(name.endswith(".model") for name in names):
        raise PlannerError(f"{path} is a zip, but no 3MF package.", "Choose an STL, PLY, OBJ or 3MF file.")


def _plain(value: Any) -> int:
    return int(getattr(value, "value", value))


def _matrix(transform: Any) -> np.ndarray:
    """Give the 4x4 matrix of a lib3mf transform (its rows are the images of the axes, then the shift)."""
    fields = np.array(
        [[transform.Fields[row][column] for column in range(3)] for row in range(4)], dtype=np.float64
    )
    matrix = np.eye(4)
    matrix[:3, :3] = fields[:3].T
    matrix[:3, 3] = fields[3]
    return matrix


def _buffer(items: list[Any], kind: Any) -> np.ndarray:
    """Give the numbers behind lib3mf's list of structures: they lie in one piece, which each of them belongs to."""
    whole = items[0]._b_base_
    if whole is None or len(whole) != len(items):
        return np.concatenate([np.frombuffer(item, dtype=kind) for item in items])
    return np.frombuffer(whole, dtype=kind)


def _collect(
    model: Any, resource: Any, matrix: np.ndarray, parts: list[tuple[np.ndarray, np.ndarray]], depth: int
) -> None:
    """Take a mesh, or the meshes of a component object, moved to their places."""
    if depth > MOST_NESTING:
        raise damaged("3MF")
    if resource.IsMeshObject():
        mesh = model.GetMeshObjectByID(resource.GetResourceID())
        points, corners = np.empty((0, 3)), np.empty((0, 3), dtype=np.int64)
        if mesh.GetVertexCount() and mesh.GetTriangleCount():
            points = _buffer(mesh.GetVertices(), np.float32).reshape(-1, 3).astype(np.float64)
            corners = _buffer(mesh.GetTriangleIndices(), np.uint32).reshape(-1, 3).astype(np.int64)
        if np.linalg.det(matrix[:3, :3]) < 0:
            corners = corners[:, ::-1]
        parts.append((points @ matrix[:3, :3].T + matrix[:3, 3], corners))
        return
    if resource.IsComponentsObject():
        group = model.GetComponentsObjectByID(resource.GetResourceID())
        for index in range(group.GetComponentCount()):
            part = group.GetComponent(index)
            inner = _matrix(part.GetTransform()) if part.HasTransform() else np.eye(4)
            _collect(model, part.GetObjectResource(), matrix @ inner, parts, depth + 1)
