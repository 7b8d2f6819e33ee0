"""Rigid transforms that know from which frame to which, and small vector helpers.

The world frame is DICOM patient coordinates: +x to the patient's Left, +y to the Posterior, +z to the head
(Superior), "LPS", in millimetres (DICOM PS3.3 C.7.6.2.1.1).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray

from planner_core.errors import PlannerError

FloatArray = NDArray[np.float64]
AnyArray = NDArray[Any]

LPS = "lps"
"""Name of the world frame."""

ORTHONORMAL_TOLERANCE = 1e-6
"""Largest departure of R^T R from identity in a transform that is accepted as rigid (our choice: float noise)."""


UNIT_ROUNDING = 8.0 * float(np.finfo(np.float64).eps)
"""How far the length of a vector that was scaled to one may be from it: rounding only (our choice: three squares,
two sums, a root and a division)."""


def readonly(values: ArrayLike, dtype: Any = np.float64) -> AnyArray:
    """Give a private read-only copy of `values` as an array of `dtype`."""
    array: AnyArray = np.array(values, dtype=dtype)
    array.flags.writeable = False
    return array


def unit(vector: ArrayLike) -> FloatArray:
    """Give `vector`, shape (3,), scaled to length one; what has that length already comes back bit by bit.

    So a direction stays the same however often a value is made again from it, on the disk or in memory.

    Raises
    ------
    PlannerError
        If the vector has no direction.
    """
    array = np.asarray(vector, dtype=np.float64)
    length = float(np.linalg.norm(array))
    if not np.isfinite(length) or length < 1e-12:
        raise PlannerError(f"The direction {array.tolist()} has no length.", "Give two different points.")
    if abs(length - 1.0) <= UNIT_ROUNDING:
        return array
    return array / length


def readonly_unit(vector: ArrayLike) -> FloatArray:
    """Give `vector`, shape (3,), as a read-only unit vector."""
    return readonly(unit(vector))


def readonly_bool(values: ArrayLike) -> AnyArray:
    """Give a private read-only boolean copy of `values`."""
    return readonly(values, np.bool_)


def readonly_or_none(values: ArrayLike | None) -> FloatArray | None:
    """Give a private read-only copy of `values`, or None."""
    return None if values is None else readonly(values)


def perpendicular(axis: ArrayLike) -> FloatArray:
    """Give one unit vector perpendicular to `axis`, shape (3,), the same for the same axis."""
    direction = unit(axis)
    helper = np.eye(3)[int(np.argmin(np.abs(direction)))]
    return unit(np.cross(direction, helper))


def rotation_about(axis: ArrayLike, angle_rad: float) -> FloatArray:
    """Give the 3x3 rotation by `angle_rad` about `axis` (right-handed; Rodrigues' formula)."""
    x, y, z = unit(axis)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    return np.eye(3) + np.sin(angle_rad) * cross + (1.0 - np.cos(angle_rad)) * (cross @ cross)


@frozen(eq=False)
class RigidTransform:
    """A rotation and a translation that take points of frame `source` to frame `target`.

    Parameters
    ----------
    matrix : array of shape (4, 4)
        Homogeneous matrix, mm; its rotation part is proper (determinant +1).
    source, target : str
        Frame names, for example ``"surface:lower"`` and ``"lps"``.

    Raises
    ------
    PlannerError
        If the matrix is not rigid, or frames do not fit when composing.
    """

    matrix: FloatArray = field(converter=readonly)
    source: str
    target: str = LPS

    def __attrs_post_init__(self) -> None:
        matrix = self.matrix
        if matrix.shape != (4, 4) or not np.isfinite(matrix).all():
            raise PlannerError("A rigid transform needs a finite 4x4 matrix.", "Check the numbers given.")
        rotation = matrix[:3, :3]
        departure = float(np.abs(rotation.T @ rotation - np.eye(3)).max())
        if departure > ORTHONORMAL_TOLERANCE or np.linalg.det(rotation) < 0:
            raise PlannerError(
                f"The 4x4 matrix is not a rotation with a translation (departure {departure:.2g}).",
                "A transform with scale, shear or mirroring is never applied to a plan.",
            )

    @classmethod
    def identity(cls, source: str = LPS, target: str = LPS) -> RigidTransform:
        """Give the transform that changes nothing but the frame's name."""
        return cls(np.eye(4), source, target)

    @classmethod
    def from_parts(
        cls, rotation: ArrayLike, translation_mm: ArrayLike, source: str, target: str = LPS
    ) -> RigidTransform:
        """Build from a 3x3 rotation and a translation in mm."""
        matrix = np.eye(4)
        matrix[:3, :3] = rotation
        matrix[:3, 3] = translation_mm
        return cls(matrix, source, target)

    @property
    def rotation(self) -> FloatArray:
        """The 3x3 rotation part."""
        return self.matrix[:3, :3]

    @property
    def translation_mm(self) -> FloatArray:
        """The translation, shape (3,), mm in the target frame."""
        return self.matrix[:3, 3]

    def apply(self, points_mm: ArrayLike) -> FloatArray:
        """Take points of shape (3,) or (n, 3) from `source` to `target`."""
        return np.asarray(points_mm, dtype=np.float64) @ self.rotation.T + self.translation_mm

    def apply_direction(self, directions: ArrayLike) -> FloatArray:
        """Turn directions of shape (3,) or (n, 3) without moving them."""
        return np.asarray(directions, dtype=np.float64) @ self.rotation.T

    def inverse(self) -> RigidTransform:
        """Give the transform from `target` to `source`."""
        rotation = self.rotation.T
        return RigidTransform.from_parts(rotation, -rotation @ self.translation_mm, self.target, self.source)

    def after(self, first: RigidTransform) -> RigidTransform:
        """Give the transform that applies `first` and then this one; the frames must meet."""
        if first.target != self.source:
            raise PlannerError(
                f"A transform from {self.source} cannot follow one to {first.target}.",
                "Use transforms whose frames meet.",
            )
        return RigidTransform(self.matrix @ first.matrix, first.source, self.target)


def rotation_angle_deg(a: ArrayLike, b: ArrayLike) -> float:
    """Give the angle in degrees between two 3x3 rotations."""
    relative = np.asarray(a, dtype=np.float64).T @ np.asarray(b, dtype=np.float64)
    cosine = (float(np.trace(relative)) - 1.0) / 2.0
    # arccos loses half the digits near zero; the skew part does not.
    sine = 0.5 * float(
        np.linalg.norm(
            [
                relative[2, 1] - relative[1, 2],
                relative[0, 2] - relative[2, 0],
                relative[1, 0] - relative[0, 1],
            ]
        )
    )
    return float(np.degrees(np.arctan2(sine, cosine)))


def angle_between_deg(a: ArrayLike, b: ArrayLike) -> float:
    """Give the angle in degrees (0..180) between two directions of shape (3,)."""
    # In plain floats: a search asks for it a thousand times, and numpy's cross product is slow for one pair.
    (ux, uy, uz), (vx, vy, vz) = unit(a).tolist(), unit(b).tolist()
    sine = math.hypot(uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx)
    return math.degrees(math.atan2(sine, ux * vx + uy * vy + uz * vz))
