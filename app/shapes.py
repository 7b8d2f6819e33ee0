"""What stands in the patient, as triangles and lines in LPS mm: what the sections cut and the 3D view shows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray

from planner_core.anatomy.structures import Canal
from planner_core.geometry.frames import FloatArray, perpendicular, unit
from planner_core.geometry.polyline import at_lengths, lengths_mm, tangents
from planner_core.planning.fixture import FixturePose, PlacedFixture

ROUND_SEGMENTS = 32
"""Corners of a drawn circle (our choice: no corner seen at screen size)."""
RING_EVERY_MM = 5.0
"""Distance of the rings along a canal, mm (our own mark, DESIGN.md section 7)."""
BAND_MM = 1.0
"""Width of a ring along the canal, mm."""


def runs_of(flags: ArrayLike, grown: int = 0) -> list[tuple[int, int]]:
    """Give the stretches of true values as (first, past the last); grown by one at the end they meet."""
    told = np.asarray(flags, dtype=bool)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], told, [False]]).astype(int))).reshape(-1, 2)
    return [(first, min(last + grown, len(told))) for first, last in edges.tolist()]


@frozen(eq=False)
class Mesh:
    """Triangles in LPS mm; for drawing only."""

    points_lps_mm: FloatArray
    triangles: NDArray[np.int32]
    blocks: Blocks | None = None
    """Of a large mesh, so that cutting it is quick."""
    _boxes: list[FloatArray] = field(factory=list, init=False, repr=False)

    def box(self) -> FloatArray:
        """Give the lowest and highest corner, shape (2, 3)."""
        if not self._boxes:
            self._boxes.append(np.stack([self.points_lps_mm.min(axis=0), self.points_lps_mm.max(axis=0)]))
        return self._boxes[0]


def revolved(profile_mm: ArrayLike, pose: FixturePose, segments: int = ROUND_SEGMENTS) -> Mesh:
    """Give the surface of revolution of (depth, radius) rows about a pose's axis, closed at both ends."""
    profile = np.asarray(profile_mm, dtype=np.float64)
    side = perpendicular(pose.axis_lps)
    other = np.cross(pose.axis_lps, side)
    angle = np.linspace(0.0, 2 * np.pi, segments, endpoint=False)
    ring = np.cos(angle)[:, None] * side + np.sin(angle)[:, None] * other
    centres = pose.platform_lps_mm + profile[:, :1] * pose.axis_lps
    points = (centres[:, None, :] + profile[:, 1, None, None] * ring[None]).reshape(-1, 3)
    ends = np.stack([centres[0], centres[-1]])
    return Mesh(np.vstack([points, ends]), _tube_triangles(len(profile), segments, capped=True))


def tube(path_mm: ArrayLike, radius_mm: ArrayLike, segments: int = 16) -> Mesh:
    """Give a tube about a path of shape (n, 3) with a radius for each point."""
    path = np.asarray(path_mm, dtype=np.float64)
    radius = np.broadcast_to(np.asarray(radius_mm, dtype=np.float64), (len(path),))
    along = tangents(path)
    side = np.empty_like(path)
    side[0] = perpendicular(along[0])
    for k in range(1, len(path)):  # carried along, so that the tube does not twist
        carried = side[k - 1] - along[k] * float(side[k - 1] @ along[k])
        side[k] = unit(carried) if float(np.linalg.norm(carried)) > 1e-9 else perpendicular(along[k])
    other = np.cross(along, side)
    angle = np.linspace(0.0, 2 * np.pi, segments, endpoint=False)
    ring = np.cos(angle)[None, :, None] * side[:, None] + np.sin(angle)[None, :, None] * other[:, None]
    points = (path[:, None] + radius[:, None, None] * ring).reshape(-1, 3)
    points = np.vstack([points, path[0], path[-1]])
    return Mesh(points, _tube_triangles(len(path), segments, capped=True))


def _tube_triangles(rows: int, segments: int, capped: bool) -> NDArray[np.int32]:
    first = (np.arange(rows - 1)[:, None] * segments + np.arange(segments)).ravel()
    after = (np.arange(rows - 1)[:, None] * segments + (np.arange(segments) + 1) % segments).ravel()
    walls = np.concatenate(
        [np.stack([first, after, after + segments], 1), np.stack([first, after + segments, first + segments], 1)]
    )
    if not capped:
        return walls.astype(np.int32)
    k = np.arange(segments)
    top, bottom, last = rows * segments, rows * segments + 1, (rows - 1) * segments
    caps = [
        np.stack([np.full(segments, top), (k + 1) % segments, k], 1),
        np.stack([np.full(segments, bottom), last + k, last + (k + 1) % segments], 1),
    ]
    return np.concatenate([walls, *caps]).astype(np.int32)


def fixture_body(fixture: PlacedFixture) -> Mesh:
    """Give the body of a placed fixture."""
    return revolved(fixture.shape.profile_mm, fixture.pose)


def envelope_body(fixture: PlacedFixture, depths_mm: ArrayLike, radius_p95_mm: ArrayLike) -> Mesh:
    """Give where the body may come to lie (95 %): its own radius and the axis's stray together, at each depth."""
    depths = np.asarray(depths_mm, dtype=np.float64)
    profile = fixture.shape.profile_mm
    own = np.interp(depths, profile[:, 0], profile[:, 1])
    return revolved(np.stack([depths, own + np.asarray(radius_p95_mm)], axis=1), fixture.pose)


@frozen(eq=False)
class CanalBody:
    """A canal as drawn: its wall, its rings, and whether each stretch was seen."""

    wall: Mesh
    path_lps_mm: FloatArray
    radius_mm: FloatArray
    certain: NDArray[np.bool_]
    along_mm: FloatArray

    def in_ring(self) -> NDArray[np.bool_]:
        """Tell for each path point whether it lies in one of the rings."""
        return np.asarray(np.mod(self.along_mm + BAND_MM / 2, RING_EVERY_MM) < BAND_MM)


CANAL_STEP_MM = 0.5


def canal_body(canal: Canal) -> CanalBody:
    """Give a canal's shapes, evenly sampled along its path."""
    along = lengths_mm(canal.path_lps_mm)
    even = np.arange(0.0, along[-1] + 1e-9, CANAL_STEP_MM)
    path = at_lengths(canal.path_lps_mm, even)
    radius = np.interp(even, along, canal.radius_mm)
    certain = np.interp(even, along, canal.certain.astype(float)) > 0.5
    return CanalBody(tube(path, radius), path, radius, certain, even)


BLOCK_TRIANGLES = 64
"""Triangles of a large mesh are kept in blocks of this many neighbours; a cut looks at the blocks that it meets."""


@frozen(eq=False)
class Blocks:
    """A mesh's triangles sorted so that neighbours stand together, with the box of every block."""

    triangles: NDArray[np.int32]
    centre_mm: FloatArray
    half_mm: FloatArray


def blocks_of(mesh: Mesh) -> Blocks:
    """Sort a mesh's triangles along a space-filling curve (Morton 1966) into blocks."""
    corners = mesh.points_lps_mm[mesh.triangles]
    middle = corners.mean(axis=1)
    low, high = middle.min(axis=0), middle.max(axis=0)
    cell = ((middle - low) / np.maximum(high - low, 1e-9) * 1023.0).astype(np.uint64)
    code = np.zeros(len(cell), np.uint64)
    for bit in range(10):
        for axis in range(3):
            code |= ((cell[:, axis] >> np.uint64(bit)) & np.uint64(1)) << np.uint64(3 * bit + axis)
    order = np.argsort(code, kind="stable")
    starts = np.arange(0, len(order), BLOCK_TRIANGLES)
    lowest = np.minimum.reduceat(corners.min(axis=1)[order], starts, axis=0)
    highest = np.maximum.reduceat(corners.max(axis=1)[order], starts, axis=0)
    return Blocks(mesh.triangles[order], (lowest + highest) / 2.0, (highest - lowest) / 2.0)


def _met(mesh: Mesh, origin_lps_mm: FloatArray, normal_lps: FloatArray) -> NDArray[np.int32]:
    """Give the triangles that a plane may cut."""
    if mesh.blocks is None:
        return mesh.triangles
    away = np.abs((mesh.blocks.centre_mm - origin_lps_mm) @ normal_lps)
    hit = np.flatnonzero(away <= mesh.blocks.half_mm @ np.abs(normal_lps) + 1e-9)
    rows = (hit[:, None] * BLOCK_TRIANGLES + np.arange(BLOCK_TRIANGLES)).ravel()
    return mesh.blocks.triangles[rows[rows < len(mesh.blocks.triangles)]]


def cut(mesh: Mesh, origin_lps_mm: FloatArray, normal_lps: FloatArray) -> FloatArray:
    """Give the line pieces in which a plane cuts a mesh, shape (n, 2, 3)."""
    low, high = mesh.box()
    corner = np.where(normal_lps > 0, high, low) - origin_lps_mm
    opposite = np.where(normal_lps > 0, low, high) - origin_lps_mm
    if float(corner @ normal_lps) < 0 or float(opposite @ normal_lps) > 0:
        return np.empty((0, 2, 3))
    corners = mesh.points_lps_mm[_met(mesh, origin_lps_mm, normal_lps)]
    side = (corners - origin_lps_mm) @ normal_lps
    # A cap that lies in the plane itself is no crossing, whatever the last digit says.
    above = side >= -1e-7
    count = above[:, 0].astype(np.int8) + above[:, 1] + above[:, 2]
    crossing = np.flatnonzero((count == 1) | (count == 2))
    if not len(crossing):
        return np.empty((0, 2, 3))
    corners, side, flags = corners[crossing], side[crossing], above[crossing]
    odd = np.where(count[crossing] == 1, flags.argmax(axis=1), (~flags).argmax(axis=1))
    rows = np.arange(len(crossing))
    lone, lone_side = corners[rows, odd], side[rows, odd]
    ends = []
    for step in (1, 2):
        other = (odd + step) % 3
        share = lone_side / (lone_side - side[rows, other])
        ends.append(lone + share[:, None] * (corners[rows, other] - lone))
    return np.stack(ends, axis=1)


class ShapeShelf:
    """Keeps the drawn shape of each value for as long as the value is the same object."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[Sequence[object], object]] = {}

    def get(self, name: str, inputs: Sequence[object], make: object) -> object:
        """Give the shape called `name`, made anew by `make()` when one of `inputs` is another object."""
        kept = self._kept.get(name)
        if (
            kept is not None
            and len(kept[0]) == len(inputs)
            and all(a is b for a, b in zip(kept[0], inputs, strict=True))
        ):
            return kept[1]
        value = make()  # type: ignore[operator]
        self._kept[name] = (tuple(inputs), value)
        return value

    def forget_others(self, names: Mapping[str, object]) -> None:
        """Drop what is no longer shown."""
        for name in set(self._kept) - set(names):
            del self._kept[name]
