"""Surface scans from files (STL, PLY, OBJ, 3MF) as one surface in millimetres, and back.

STL, PLY and OBJ carry no unit: it is guessed from the size of a dental arch and must be confirmed by the user.
"""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.files import whole_file
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.imaging.mesh_formats import RawMesh, parse_obj, parse_stl
from planner_core.imaging.ply_format import parse_ply
from planner_core.imaging.scan import ImportedSurface
from planner_core.imaging.scan_files import cannot_read
from planner_core.imaging.surface_check import check_surface, findings_of_report
from planner_core.imaging.threemf import parse_3mf
from planner_core.progress import Progress, silent

UNITS_MM = {"mm": 1.0, "cm": 10.0, "inch": 25.4, "m": 1000.0, "um": 0.001, "foot": 304.8}
"""Millimetres in one unit (the inch and foot of 1959)."""

GUESSED_UNITS = ("mm", "cm", "inch", "m")
"""Units that are tried, in this order."""

ARCH_MM = (30.0, 150.0)
"""Longest side of a scan of a dental arch or a part of one (common practice, no source; whole arches 55 to 75)."""

MOST_BYTES = 1024**3
"""Size of a surface file, at most (our choice: twenty million triangles)."""

MOST_TRIANGLES = 20_000_000
"""Triangles of a surface, at most (our choice)."""

SAME_PLACE = 1e-9
"""Triangles below this area, in squared file units relative to the extent, have none (our choice: float noise)."""


@frozen
class UnitGuess:
    """The unit taken, the other units that would fit as well, and the size that follows (mm)."""

    unit: str
    others: tuple[str, ...]
    fits: bool
    size_mm: float


def read_surface(path: Path, frame: str, unit: str | None = None, progress: Progress = silent) -> ImportedSurface:
    """Read one surface file.

    Parameters
    ----------
    path : Path
        .stl (text or binary), .ply (text or binary), .obj or .3mf; the content decides, not the name.
    frame : str
        Name of the frame that the file's coordinates are in, for example ``"surface:lower"``.
    unit : str or None
        ``"mm"``, ``"cm"``, ``"inch"`` or ``"m"`` as confirmed by the user; None guesses.
    progress : Progress

    Returns
    -------
    ImportedSurface
        With merged corners; holes, flipped faces and other faults are findings.

    Raises
    ------
    PlannerError
        If the file is no surface, is damaged or too large.
    """
    path = Path(path)
    if unit is not None and unit not in UNITS_MM:
        raise PlannerError(f"The unit {unit!r} is not known.", f"Choose one of {', '.join(UNITS_MM)}.")
    progress(0.0, "Reading the surface")
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise PlannerError(f"{path} is no file.", "Choose a surface file (STL, PLY, OBJ or 3MF).")
        if size > MOST_BYTES:
            raise PlannerError(f"{path} has {size / 1e9:.1f} GB.", "Reduce the surface before importing it.")
        data = path.read_bytes()
    except OSError as error:
        raise cannot_read(path, error) from error
    kind, mesh, own_unit = _parse(path, data)
    progress(0.5, "Joining the corners")
    mesh, tidied = _tidy(mesh, path)
    factor_unit, findings = _choose_unit(mesh.points, unit or own_unit)
    surface = Surface(mesh.points * UNITS_MM[factor_unit], mesh.triangles.astype(np.int32), frame)
    progress(0.7, "Checking the surface")
    report = check_surface(surface)
    if report.inward:
        surface = Surface(surface.points_mm, surface.triangles[:, ::-1], frame)
        tidied.append(("turned-outward", "All triangles faced inward and were turned round."))
    notes = [Finding(Severity.NOTE, code, text) for code, text in tidied]
    notes += [Finding(Severity.NOTE, "file-note", f"{kind}: {note}.") for note in mesh.notes]
    progress(1.0, "Surface read")
    return ImportedSurface(surface, factor_unit, (*findings, *notes, *findings_of_report(report)))


def _parse(path: Path, data: bytes) -> tuple[str, RawMesh, str | None]:
    """Read the bytes by what they are; also the unit, where the format has one."""
    start = data[:1024].lstrip()
    if data[:3] == b"ply":
        return "PLY", parse_ply(data), None
    if data[:4] == b"PK\x03\x04":
        mesh, unit = parse_3mf(path, data)
        return "3MF", mesh, unit
    ending = path.suffix.lower()
    if ending == ".obj" or (ending != ".stl" and (b"\nv " in data[:4096] or start[:2] == b"v ")):
        return "OBJ", parse_obj(data), None
    if ending == ".stl" or start[:5].lower() == b"solid":
        return "STL", parse_stl(data), None
    raise PlannerError(f"{path} is no surface that is read here.", "Choose an STL, PLY, OBJ or 3MF file.")


def _tidy(mesh: RawMesh, path: Path) -> tuple[RawMesh, list[tuple[str, str]]]:
    """Merge corners in the same place; drop triangles without area and twice-given ones; check the numbers."""
    points, triangles = mesh.points, mesh.triangles
    if len(triangles) == 0 or len(points) == 0:
        raise PlannerError(f"{path} holds no triangle.", "Choose the file with the scan.")
    if len(triangles) > MOST_TRIANGLES:
        raise PlannerError(f"{path} has {len(triangles)} triangles.", "Reduce the surface before importing it.")
    if triangles.min() < 0 or triangles.max() >= len(points):
        raise PlannerError(f"{path} names a corner that it does not have.", "Copy or export it again.")
    points, triangles = _without_unused(points, triangles)
    if not np.isfinite(points).all() or float(np.abs(points).max()) > 1e7:
        raise PlannerError(f"{path} holds corners that are no places.", "Copy or export it again.")
    points, triangles = merge_corners(points, triangles)
    distinct = (
        (triangles[:, 0] != triangles[:, 1])
        & (triangles[:, 1] != triangles[:, 2])
        & (triangles[:, 2] != triangles[:, 0])
    )
    tidied = []
    if not distinct.all():
        tidied.append(("empty-triangles", f"{int((~distinct).sum())} triangles without area were left out."))
        triangles = triangles[distinct]
    keys = _row_keys(np.sort(triangles, axis=1))
    first = np.unique(keys, return_index=True)[1]
    if len(first) < len(triangles):
        tidied.append(("double-triangles", f"{len(triangles) - len(first)} doubled triangles were left out."))
        triangles = triangles[np.sort(first)]
    if len(triangles) == 0:
        raise PlannerError(f"{path} holds no triangle with an area.", "Choose the file with the scan.")
    points, triangles = _without_unused(points, triangles)
    return RawMesh(points, triangles, mesh.notes), tidied


def merge_corners(points: FloatArray, triangles: NDArray[np.int64]) -> tuple[FloatArray, NDArray[np.int64]]:
    """Give corners in exactly the same place one number."""
    points = points + 0.0  # minus zero becomes zero
    words = np.ascontiguousarray(points).view(np.uint64)
    first, inverse = np.unique(_row_keys(words), return_index=True, return_inverse=True)[1:]
    if not np.array_equal(points[first][inverse], points):  # two places share a key: rare, so do it the slow way
        first, inverse = np.unique(points, axis=0, return_index=True, return_inverse=True)[1:]
    order = np.argsort(first, kind="stable")
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    return points[first[order]], rank[inverse.reshape(-1)][triangles]


def _row_keys(rows: NDArray[np.generic]) -> NDArray[np.uint64]:
    """Give one 64-bit key for each row of three whole numbers (multiply and mix, as in splitmix64)."""
    words = rows.astype(np.uint64)
    key = np.zeros(len(words), dtype=np.uint64)
    for column in range(words.shape[1]):
        key = (key ^ words[:, column]) * np.uint64(0x9E3779B97F4A7C15)
        key ^= key >> np.uint64(29)
    return key


def _without_unused(points: FloatArray, triangles: NDArray[np.int64]) -> tuple[FloatArray, NDArray[np.int64]]:
    used = np.zeros(len(points), dtype=bool)
    used[triangles] = True
    return points[used], (np.cumsum(used) - 1)[triangles]


def guess_unit(extent: FloatArray) -> UnitGuess:
    """Guess the unit from the longest side: that of a dental arch in it is 30 to 150 mm."""
    longest = float(np.max(extent))
    fitting = [unit for unit in GUESSED_UNITS if ARCH_MM[0] <= longest * UNITS_MM[unit] <= ARCH_MM[1]]
    unit = fitting[0] if fitting else "mm"
    return UnitGuess(unit, tuple(fitting[1:]), bool(fitting), longest * UNITS_MM[unit])


def _choose_unit(points: FloatArray, unit: str | None) -> tuple[str, list[Finding]]:
    extent = np.ptp(points, axis=0)
    guess = guess_unit(extent)
    if unit is not None:
        size = float(extent.max()) * UNITS_MM[unit]
        if ARCH_MM[0] <= size <= ARCH_MM[1]:
            return unit, []
        text = f"In {unit} the surface is {size:.3g} mm long, which no dental arch is."
        return unit, [Finding(Severity.WARNING, "unit-unlikely", text)]
    if not guess.fits:
        text = (
            f"In no usual unit is the surface as long as a dental arch ({ARCH_MM[0]:.0f} to {ARCH_MM[1]:.0f} mm); "
            f"taken as mm it is {guess.size_mm:.3g} mm. Say which unit it is in."
        )
        return guess.unit, [Finding(Severity.WARNING, "unit-unknown", text)]
    others = f" ({' or '.join(guess.others)} would fit too)" if guess.others else ""
    text = (
        f"The file has no unit; {guess.unit} was taken from its size, {guess.size_mm:.0f} mm{others}. Confirm it."
    )
    severity = Severity.NOTE if guess.unit == "mm" and not guess.others else Severity.WARNING
    return guess.unit, [Finding(severity, "unit-guessed", text)]


def write_stl(path: Path, surface: Surface) -> None:
    """Write a binary STL in mm; the coordinates are rounded to 32-bit floats, as the format has it."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    rows = np.zeros(len(surface.triangles), dtype=record)
    rows["normal"] = surface.face_normals
    rows["corners"] = surface.points_mm[surface.triangles]
    with whole_file(path) as temporary, temporary.open("wb") as stream:
        stream.write(b"binary STL in millimetres".ljust(80))
        stream.write(struct.pack("<I", len(rows)))
        stream.write(rows.tobytes())


def write_ply(path: Path, surface: Surface) -> None:
    """Write a binary PLY in mm with 64-bit coordinates, so that reading it back is exact."""
    header = (
        "ply\nformat binary_little_endian 1.0\n"
        f"comment unit mm\nelement vertex {len(surface.points_mm)}\n"
        "property double x\nproperty double y\nproperty double z\n"
        f"element face {len(surface.triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(surface.triangles), dtype=np.dtype([("n", "u1"), ("corners", "<i4", 3)]))
    faces["n"] = 3
    faces["corners"] = surface.triangles
    with whole_file(path) as temporary, temporary.open("wb") as stream:
        stream.write(header.encode("ascii"))
        stream.write(np.ascontiguousarray(surface.points_mm, dtype="<f8").tobytes())
        stream.write(faces.tobytes())
