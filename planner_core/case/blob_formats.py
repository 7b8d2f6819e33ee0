"""The two file formats of large blobs, written and read in the few lines that the case needs.

NIfTI-1 header: the 348 bytes of nifti1.h (NIH, 2007), ``n+1``, sform in RAS mm. PLY: binary little-endian 1.0,
double coordinates, so that a surface comes back bit by bit. Tests open both with nibabel and trimesh.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.progress import Progress, silent

NIFTI_OFFSET = 352
"""Where the numbers start: header and four bytes of extension flag (nifti1.h)."""

NIFTI_HEADER = np.dtype(
    [
        ("sizeof_hdr", "<i4"),
        ("unused_1", "S35"),
        ("dim_info", "u1"),
        ("dim", "<i2", 8),
        ("intent", "<f4", 3),
        ("intent_code", "<i2"),
        ("datatype", "<i2"),
        ("bitpix", "<i2"),
        ("slice_start", "<i2"),
        ("pixdim", "<f4", 8),
        ("vox_offset", "<f4"),
        ("scl_slope", "<f4"),
        ("scl_inter", "<f4"),
        ("slice_end", "<i2"),
        ("slice_code", "u1"),
        ("xyzt_units", "u1"),
        ("unused_2", "S24"),
        ("descrip", "S80"),
        ("aux_file", "S24"),
        ("qform_code", "<i2"),
        ("sform_code", "<i2"),
        ("quatern", "<f4", 6),
        ("srow", "<f4", (3, 4)),
        ("intent_name", "S16"),
        ("magic", "S4"),
        ("extension", "S4"),
    ]
)
"""nifti1.h, 348 bytes and the extension flag."""

INT16_CODE = 4
"""DT_INT16 of nifti1.h."""

MILLIMETRE_CODE = 2
"""NIFTI_UNITS_MM of nifti1.h."""

SCANNER_CODE = 1
"""NIFTI_XFORM_SCANNER_ANAT of nifti1.h."""

PLY_VERTEX = np.dtype([("xyz", "<f8", 3)])
PLY_FACE = np.dtype([("n", "u1"), ("corners", "<i4", 3)])


def nifti_parts(volume: Volume) -> Iterator[memoryview]:
    """Give the bytes of an uncompressed NIfTI file of a volume, header first."""
    slices, rows, columns = volume.shape
    header = np.zeros((), dtype=NIFTI_HEADER)
    header["sizeof_hdr"] = 348
    header["dim"] = (3, columns, rows, slices, 1, 1, 1, 1)
    header["datatype"], header["bitpix"] = INT16_CODE, 16
    spacing = volume.spacing_mm
    header["pixdim"] = (1.0, spacing[2], spacing[1], spacing[0], 0, 0, 0, 0)
    header["vox_offset"] = NIFTI_OFFSET
    header["scl_slope"], header["scl_inter"] = volume.scale, volume.offset
    header["xyzt_units"] = MILLIMETRE_CODE
    header["sform_code"] = SCANNER_CODE
    header["srow"] = _ras_from_column_row_slice(volume.lps_from_index)[:3]
    header["magic"] = b"n+1"
    yield memoryview(header.tobytes())
    yield np.ascontiguousarray(volume.stored, dtype="<i2").data.cast("B")


def read_nifti(path: Path, shape: tuple[int, ...], mapped: bool, progress: Progress = silent) -> AnyArray:
    """Give the int16 numbers [slice, row, column] of a file written by `nifti_parts`.

    Raises
    ------
    ValueError
        If the file is not the volume of that shape.
    """
    with path.open("rb") as stream:
        head = stream.read(NIFTI_OFFSET)
        if len(head) < NIFTI_OFFSET:
            raise ValueError("too short")
        header = np.frombuffer(head, dtype=NIFTI_HEADER)[0]
        dimensions = tuple(int(n) for n in header["dim"][1:4])
        if dimensions != shape[::-1] or int(header["datatype"]) != INT16_CODE:
            raise ValueError("another volume")
        if path.stat().st_size != NIFTI_OFFSET + 2 * int(np.prod(shape)):
            raise ValueError("not whole")
        if mapped:
            return np.memmap(path, dtype="<i2", mode="r", offset=NIFTI_OFFSET, shape=shape)
        stored = np.empty(shape, dtype="<i2")
        for index in range(shape[0]):
            if stream.readinto(stored[index].data) != stored[index].nbytes:
                raise ValueError("not whole")
            if index % 16 == 0:
                progress(index / shape[0], "Reading the scan")
    return stored


def ply_parts(surface: Surface) -> Iterator[memoryview]:
    """Give the bytes of a binary PLY file of a surface, header first."""
    yield memoryview(
        (
            "ply\nformat binary_little_endian 1.0\n"
            f"element vertex {len(surface.points_mm)}\nproperty double x\nproperty double y\nproperty double z\n"
            f"element face {len(surface.triangles)}\nproperty list uchar int vertex_indices\nend_header\n"
        ).encode()
    )
    yield np.ascontiguousarray(surface.points_mm, dtype="<f8").data.cast("B")
    faces = np.empty(len(surface.triangles), dtype=PLY_FACE)
    faces["n"] = 3
    faces["corners"] = surface.triangles
    yield memoryview(faces.tobytes())


def read_ply(data: bytes) -> tuple[FloatArray, AnyArray]:
    """Give points (n, 3) and triangles (m, 3) of a file written by `ply_parts`.

    Raises
    ------
    ValueError
        If the bytes are not such a file.
    """
    mark = b"end_header\n"
    end = data.find(mark)
    if end < 0 or not data.startswith(b"ply\nformat binary_little_endian 1.0\n"):
        raise ValueError("not a surface of this program")
    counts = [
        int(line.split()[2]) for line in data[:end].decode("ascii").splitlines() if line.startswith("element")
    ]
    start = end + len(mark)
    middle = start + counts[0] * PLY_VERTEX.itemsize
    if len(data) != middle + counts[1] * PLY_FACE.itemsize:
        raise ValueError("not whole")
    points = np.frombuffer(data[start:middle], dtype="<f8").reshape(-1, 3)
    faces = np.frombuffer(data[middle:], dtype=PLY_FACE)
    return points, np.ascontiguousarray(faces["corners"])


def _ras_from_column_row_slice(lps_from_index: FloatArray) -> FloatArray:
    flipped = lps_from_index[:, [2, 1, 0, 3]].copy()
    flipped[:2] *= -1.0
    return flipped
