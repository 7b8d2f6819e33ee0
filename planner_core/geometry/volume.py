"""A cone-beam volume: stored numbers, where they lie, and how they become grey values."""

from __future__ import annotations

import hashlib

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.progress import Progress, silent


def _as_int16(values: AnyArray) -> NDArray[np.int16]:
    array = np.asarray(values)
    if array.ndim != 3 or 0 in array.shape:
        raise PlannerError(f"A volume needs three axes, not the shape {array.shape}.", "Choose another scan.")
    if array.dtype != np.int16:
        raise PlannerError(f"A volume is stored as int16, not {array.dtype}.", "Convert it at the door.")
    view = array.view()
    view.flags.writeable = False
    return view


@frozen(eq=False)
class Volume:
    """An int16 array indexed [slice, row, column] with its place in the patient.

    Parameters
    ----------
    stored : int16 array of shape (slices, rows, columns)
        Stored values; kept as given (not copied), made read-only.
    lps_from_index : array of shape (4, 4)
        Takes ``(slice, row, column, 1)`` (voxel centres) to LPS mm; any orientation, right- or left-handed.
    scale, offset : float
        ``grey = scale * stored + offset``. Grey values of cone-beam scans are not HU.
    frame_of_reference_uid : str
        DICOM frame of reference, empty when unknown.
    """

    stored: NDArray[np.int16] = field(converter=_as_int16)
    lps_from_index: FloatArray = field(converter=readonly)
    scale: float = 1.0
    offset: float = 0.0
    frame_of_reference_uid: str = ""
    _hash: list[str] = field(factory=list, init=False, repr=False)

    def __attrs_post_init__(self) -> None:
        affine = self.lps_from_index
        if affine.shape != (4, 4) or not np.isfinite(affine).all():
            raise PlannerError("A volume needs a finite 4x4 matrix from index to LPS mm.", "")
        if abs(float(np.linalg.det(affine[:3, :3]))) < 1e-9:
            raise PlannerError("The volume's axes do not span space.", "Choose another scan.")
        if self.scale == 0.0 or not np.isfinite([self.scale, self.offset]).all():
            raise PlannerError(f"A grey-value scale of {self.scale} cannot be used.", "Choose another scan.")

    @property
    def shape(self) -> tuple[int, int, int]:
        """Number of slices, rows and columns."""
        slices, rows, columns = self.stored.shape
        return slices, rows, columns

    @property
    def spacing_mm(self) -> tuple[float, float, float]:
        """Distance of voxel centres along slice, row and column index (mm)."""
        a, b, c = np.linalg.norm(self.lps_from_index[:3, :3], axis=0)
        return float(a), float(b), float(c)

    @property
    def voxel_volume_mm3(self) -> float:
        """Volume of one voxel (mm^3)."""
        return abs(float(np.linalg.det(self.lps_from_index[:3, :3])))

    @property
    def index_from_lps(self) -> FloatArray:
        """The 4x4 matrix from LPS mm to (slice, row, column)."""
        return np.asarray(np.linalg.inv(self.lps_from_index), dtype=np.float64)

    def to_lps(self, index: ArrayLike) -> FloatArray:
        """Take (slice, row, column) indices of shape (3,) or (n, 3) to LPS mm."""
        return np.asarray(index, dtype=np.float64) @ self.lps_from_index[:3, :3].T + self.lps_from_index[:3, 3]

    def to_index(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Take LPS points of shape (3,) or (n, 3) to fractional (slice, row, column)."""
        inverse = self.index_from_lps
        return np.asarray(points_lps_mm, dtype=np.float64) @ inverse[:3, :3].T + inverse[:3, 3]

    def grey(self, stored: ArrayLike) -> AnyArray:
        """Take stored numbers to grey values (float32)."""
        return np.asarray(stored, dtype=np.float32) * np.float32(self.scale) + np.float32(self.offset)

    @property
    def centre_lps_mm(self) -> FloatArray:
        """Centre of the volume, shape (3,)."""
        return self.to_lps((np.array(self.shape) - 1) / 2.0)

    def corners_lps_mm(self) -> FloatArray:
        """Give the centres of the eight corner voxels, shape (8, 3)."""
        last = np.array(self.shape) - 1
        return self.to_lps(
            [[i * last[0], j * last[1], k * last[2]] for i in (0, 1) for j in (0, 1) for k in (0, 1)]
        )

    def contains(self, points_lps_mm: ArrayLike) -> NDArray[np.bool_]:
        """Tell for points of shape (n, 3) whether they lie between voxel centres of the volume."""
        index = np.atleast_2d(self.to_index(points_lps_mm))
        return np.all((index >= 0) & (index <= np.array(self.shape) - 1), axis=1)

    @property
    def content_hash(self) -> str:
        """SHA-256 of the numbers and their place; computed once."""
        return self.hash_content()

    def hash_content(self, progress: Progress = silent) -> str:
        """Give `content_hash`; for a large volume in a job, with progress and a way to stop."""
        if not self._hash:
            digest = hashlib.sha256()
            for number, one in enumerate(self.stored):
                digest.update(np.ascontiguousarray(one).data)
                if number % 16 == 0:
                    progress(number / len(self.stored), "Hashing the scan")
            digest.update(self.lps_from_index.tobytes())
            digest.update(repr((self.shape, self.scale, self.offset)).encode())
            self._hash.append(digest.hexdigest())
        return self._hash[0]
