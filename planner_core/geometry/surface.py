"""A triangle surface in millimetres."""

from __future__ import annotations

import hashlib

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform


def _float_rows(values: AnyArray) -> FloatArray:
    array = np.ascontiguousarray(values, dtype=np.float64)
    if array.ndim != 2 or array.shape[1] != 3 or not np.isfinite(array).all():
        raise PlannerError("A surface needs finite points of three numbers each.", "Choose another file.")
    array = array.view()
    array.flags.writeable = False
    return array


def _int_rows(values: AnyArray) -> NDArray[np.int32]:
    array = np.ascontiguousarray(values, dtype=np.int32)
    if array.ndim != 2 or array.shape[1] != 3:
        raise PlannerError("A surface needs triangles of three corners each.", "Choose another file.")
    array = array.view()
    array.flags.writeable = False
    return array


@frozen(eq=False)
class Surface:
    """Triangles with outward, counter-clockwise corners.

    Parameters
    ----------
    points_mm : array of shape (n, 3)
        Corners in mm, in the frame named by `frame`.
    triangles : int32 array of shape (m, 3)
        Indices into `points_mm`.
    frame : str
        ``"lps"`` or the name of the surface's own frame, for example ``"surface:lower"``.
    """

    points_mm: FloatArray = field(converter=_float_rows)
    triangles: NDArray[np.int32] = field(converter=_int_rows)
    frame: str = "lps"
    _cache: dict[str, AnyArray | str] = field(factory=dict, init=False, repr=False)

    def __attrs_post_init__(self) -> None:
        if len(self.triangles) and (
            int(self.triangles.min()) < 0 or int(self.triangles.max()) >= len(self.points_mm)
        ):
            raise PlannerError("The surface names a corner that it does not have.", "Choose another file.")

    @property
    def content_hash(self) -> str:
        """SHA-256 of points and triangles; computed once."""
        if "hash" not in self._cache:
            digest = hashlib.sha256(self.points_mm.tobytes())
            digest.update(self.triangles.tobytes())
            digest.update(self.frame.encode())
            self._cache["hash"] = digest.hexdigest()
        return str(self._cache["hash"])

    @property
    def face_normals(self) -> FloatArray:
        """Unit normals of the triangles, shape (m, 3); zero for a degenerate triangle."""
        if "face_normals" not in self._cache:
            a, b, c = (self.points_mm[self.triangles[:, k]] for k in range(3))
            normals = np.cross(b - a, c - a)
            length = np.linalg.norm(normals, axis=1, keepdims=True)
            self._cache["face_normals"] = np.divide(normals, length, out=np.zeros_like(normals), where=length > 0)
        return np.asarray(self._cache["face_normals"])

    @property
    def point_normals(self) -> FloatArray:
        """Unit normals at the points, area-weighted, shape (n, 3); zero where no triangle meets."""
        if "point_normals" not in self._cache:
            a, b, c = (self.points_mm[self.triangles[:, k]] for k in range(3))
            weighted = np.cross(b - a, c - a)
            normals = np.zeros_like(self.points_mm)
            for k in range(3):
                np.add.at(normals, self.triangles[:, k], weighted)
            length = np.linalg.norm(normals, axis=1, keepdims=True)
            self._cache["point_normals"] = np.divide(normals, length, out=np.zeros_like(normals), where=length > 0)
        return np.asarray(self._cache["point_normals"])

    @property
    def face_areas_mm2(self) -> FloatArray:
        """Areas of the triangles, shape (m,)."""
        a, b, c = (self.points_mm[self.triangles[:, k]] for k in range(3))
        return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2.0)

    @property
    def extent_mm(self) -> FloatArray:
        """Size of the axis-aligned box, shape (3,)."""
        return np.asarray(np.ptp(self.points_mm, axis=0))

    def moved(self, transform: RigidTransform) -> Surface:
        """Give the surface in the transform's target frame."""
        if transform.source != self.frame:
            raise PlannerError(f"A transform from {transform.source} does not fit a surface in {self.frame}.", "")
        return Surface(transform.apply(self.points_mm), self.triangles, transform.target)
