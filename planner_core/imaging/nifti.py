"""NIfTI in both directions; its RAS frame becomes our LPS at the door."""

from __future__ import annotations

import gzip
import warnings
from pathlib import Path
from typing import Any

import nibabel
import numpy as np
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.files import whole_file
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.foreign_arrays import MOST_BYTES, from_numbers, most_bytes
from planner_core.imaging.import_findings import findings_of
from planner_core.imaging.scan import ImportedScan, ScanSource
from planner_core.imaging.scan_files import cannot_read

LPS_FROM_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])
"""NIfTI-1 standard: +x is Right, +y is Anterior; DICOM: +x is Left, +y is Posterior."""

OWN_ORDER = b"axes: column, row, slice"
"""Written into files of our own, whose axes are taken as they are; in others the axial slices are looked for."""


def read_nifti(path: Path) -> ImportedScan:
    """Read a NIfTI-1 or NIfTI-2 image (.nii or .nii.gz), any axis order, orientation and byte order.

    Raises
    ------
    PlannerError
        If the file is none, is damaged, or holds more than one volume.
    """
    path = Path(path)
    try:
        size = path.stat().st_size
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            image = nibabel.load(path)
            _check(image, path, size)
            values = _values(image, path)
            affine = np.asarray(image.affine, dtype=np.float64)
    except PlannerError:
        raise
    except OSError as error:
        if error.errno is not None:
            raise cannot_read(path, error) from error
        raise _damaged(path) from error
    except Exception as error:  # nibabel, gzip and numpy raise many kinds on damaged files
        raise _damaged(path) from error
    numbers, slope, intercept = values
    own = bytes(image.header["descrip"]).rstrip(b"\0") == OWN_ORDER
    volume, findings = from_numbers(numbers, LPS_FROM_RAS @ affine, slope, intercept, keep_order=own)
    notes = (*_altered(image), *_orientation(image), *findings, *findings_of(volume))
    return ImportedScan(volume, ScanSource(kind="nifti", files_used=1), notes)


def _damaged(path: Path) -> PlannerError:
    return PlannerError(f"{path} is no NIfTI image, or is damaged.", "Export or copy it again.")


def _check(image: Any, path: Path, size: int) -> None:
    """Compare what the header claims with what the file can hold, before anything is allocated."""
    if not isinstance(image, nibabel.Nifti1Pair):
        raise _damaged(path)
    shape = image.shape
    if len([n for n in shape if n > 1]) > 3 or len(shape) < 3 or min(shape) < 1:
        raise PlannerError(f"{path} holds an image of shape {shape}, not one volume.", "Export one volume alone.")
    wanted = int(np.prod([int(n) for n in shape], dtype=object)) * image.get_data_dtype().itemsize
    if wanted > (most_bytes(size) if path.suffix == ".gz" else min(size, MOST_BYTES)):
        raise PlannerError(
            f"{path} claims {wanted} bytes of voxels, more than it can hold.",
            "The file is cut short; copy it again.",
        )
    if image.get_data_dtype().kind not in "iuf":
        raise PlannerError(
            f"{path} holds no grey values (type {image.get_data_dtype()}).", "Export the scan itself."
        )


def _values(image: Any, path: Path) -> tuple[AnyArray, float, float]:
    """Give stored numbers, slope and intercept."""
    slope, intercept = image.dataobj.slope, image.dataobj.inter
    slope = 1.0 if slope is None or not np.isfinite(slope) or slope == 0 else float(slope)
    intercept = 0.0 if intercept is None or not np.isfinite(intercept) else float(intercept)
    numbers = np.asarray(image.dataobj.get_unscaled())
    numbers = numbers.reshape(numbers.shape[:3]) if numbers.ndim > 3 else numbers
    return numbers, slope, intercept


def _altered(image: Any) -> tuple[Finding, ...]:
    """Say when the file is a view that was computed from a scan."""
    if not bytes(image.header["aux_file"]).startswith(b"ALTERED"):
        return ()
    text = (
        "This volume is an altered view with reduced streaks: not for measuring or matching. Take the scan itself."
    )
    return (Finding(Severity.BLOCKER, "altered", text),)


def _orientation(image: Any) -> tuple[Finding, ...]:
    """Say when the file keeps no orientation: then left and right are a guess."""
    header = image.header
    if int(header["sform_code"]) > 0 or int(header["qform_code"]) > 0:
        return ()
    return (
        Finding(
            Severity.BLOCKER,
            "no-orientation",
            "The file does not say how the volume lies in the patient; left and right are a guess.",
        ),
    )


def write_nifti(path: Path, volume: Volume, label: str = "") -> None:
    """Write a volume as NIfTI-1 with its stored numbers, scale and offset; packed if the name ends in .gz.

    The stored array is kept in memory order (column fastest), so reading it back is voxel-exact. A `label` says in
    the header (23 characters of it) what the volume is, where it is no plain scan.
    """
    header = nibabel.Nifti1Header()
    header.set_data_dtype(np.int16)
    header["aux_file"] = label.encode("ascii", "replace")[:23]
    _write(path, volume.stored.transpose(2, 1, 0), volume.lps_from_index, header, (volume.scale, volume.offset))


def write_map(path: Path, array: AnyArray, volume: Volume) -> None:
    """Write a map of numbers on a volume's grid, shape (slices, rows, columns), as float32 NIfTI."""
    values = np.asarray(array, dtype=np.float32)
    if values.shape != volume.shape:
        raise PlannerError(f"A map of shape {values.shape} does not fit the volume {volume.shape}.", "")
    header = nibabel.Nifti1Header()
    header.set_data_dtype(np.float32)
    _write(path, values.transpose(2, 1, 0), volume.lps_from_index, header, (1.0, 0.0))


def _write(
    path: Path, array: AnyArray, lps_from_index: FloatArray, header: Any, scaling: tuple[float, float]
) -> None:
    ras_from_column_row_slice = LPS_FROM_RAS @ lps_from_index @ _REVERSED
    header.set_data_shape(array.shape)
    header.set_sform(ras_from_column_row_slice, code=1)
    header.set_qform(ras_from_column_row_slice, code=1, strip_shears=True)
    header.set_xyzt_units("mm")
    header.set_slope_inter(*scaling)
    header["descrip"] = OWN_ORDER
    header["magic"] = b"n+1"
    header["vox_offset"] = 352
    with whole_file(Path(path)) as temporary, temporary.open("wb") as raw:
        stream: Any = (
            gzip.GzipFile(fileobj=raw, mode="wb", compresslevel=1, mtime=0) if path.suffix == ".gz" else raw
        )
        stream.write(header.binaryblock + b"\0\0\0\0")
        # Fortran order of (column, row, slice) is C order of (slice, row, column).
        planes: NDArray[Any] = array.transpose(2, 1, 0)
        for plane in planes:
            stream.write(np.ascontiguousarray(plane).tobytes())
        if stream is not raw:
            stream.close()


_REVERSED = np.zeros((4, 4))
_REVERSED[[0, 1, 2, 3], [2, 1, 0, 3]] = 1.0
"""Takes (column, row, slice, 1) to (slice, row, column, 1)."""
