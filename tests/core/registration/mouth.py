"""A small invented mouth for the tests: signed distances, a scan made of them, and their surface.

Not the phantom of the studies (that one projects and reconstructs); this one only has to be fast and exactly
known.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import frozen
from scipy.ndimage import gaussian_filter, map_coordinates
from skimage.measure import marching_cubes

from planner_core.geometry.frames import RigidTransform
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.registration.rigid_fit import rotation_from_vector

AIR, SOFT, BONE, TOOTH, CERAMIC = -1000.0, 50.0, 1000.0, 1900.0, 3071.0
STATIONS_MM = np.arange(-49.0, 50.0, 7.0)


@frozen(eq=False)
class Mouth:
    """Signed distances (mm, negative inside) on a regular grid, and what was made of them."""

    teeth_mm: np.ndarray
    gum_mm: np.ndarray
    bone_mm: np.ndarray
    origin_mm: np.ndarray
    step_mm: float

    def at(self, field: np.ndarray, points_mm: np.ndarray) -> np.ndarray:
        index = ((points_mm - self.origin_mm) / self.step_mm)[:, ::-1].T
        return map_coordinates(field, index, order=1, mode="nearest")


def arch_point(station_mm: np.ndarray) -> np.ndarray:
    """Middle of the arch (x to the left, y to the back, z = 0 at the necks of the teeth)."""
    angle = np.asarray(station_mm, dtype=float) / 50.0
    return np.stack([28.0 * np.sin(1.35 * angle), 46.0 * (1.0 - np.cos(1.30 * angle)), 0.0 * angle], axis=-1)


def build_mouth(
    missing: Sequence[int] = (), seed: int = 0, step_mm: float = 0.4, cut: tuple[float, float] = (-60.0, 60.0)
) -> Mouth:
    """Build a lower jaw; `missing` are indices into `STATIONS_MM`."""
    rng = np.random.default_rng(seed)
    low, high = np.array([-40.0, -12.0, -16.0]), np.array([40.0, 54.0, 14.0])
    axes = [np.arange(a, b, step_mm) for a, b in zip(low, high, strict=True)]
    z, y, x = np.meshgrid(axes[2], axes[1], axes[0], indexing="ij", sparse=True)
    fine = arch_point(np.linspace(-56, 56, 400))
    flat = np.full((len(axes[1]), len(axes[0])), 1e9)
    for px, py, _ in fine:
        flat = np.minimum(flat, np.hypot(x[0] - px, y[0] - py))
    flat = flat[None]
    gum = np.hypot(np.maximum(flat - 3.0, 0.0), np.maximum(z + 2.0, 0.0)) - 2.2
    bone = np.hypot(np.maximum(flat - 2.6, 0.0), np.maximum(z + 3.5, 0.0)) - 1.2
    teeth = np.full(np.broadcast_shapes(x.shape, y.shape, z.shape), 20.0)
    for index, station in enumerate(STATIONS_MM):
        if index in missing or not cut[0] <= station <= cut[1]:
            continue
        teeth = np.minimum(teeth, _tooth(x, y, z, station, rng))
    return Mouth(teeth, np.broadcast_to(gum, teeth.shape), np.broadcast_to(bone, teeth.shape), low, step_mm)


def _tooth(x: np.ndarray, y: np.ndarray, z: np.ndarray, station: float, rng: np.random.Generator) -> np.ndarray:
    centre = arch_point(np.array(station))
    ahead = arch_point(np.array(station + 0.1)) - centre
    along = ahead / np.linalg.norm(ahead)
    u = (x - centre[0]) * along[0] + (y - centre[1]) * along[1]
    v = (x - centre[0]) * -along[1] + (y - centre[1]) * along[0]
    molar = abs(station) > 20
    a, b, height = 3.3, (4.4 if molar else 3.0) + 0.3 * rng.normal(), 7.0 + 0.4 * rng.normal()
    w = np.clip(z / height, -2.0, 1.0)
    narrow = 1.0 - 0.25 * np.clip(w, 0, 1) ** 2 - 0.3 * np.clip(-w, 0, 2)
    if not molar:
        b = b * (1.0 - 0.55 * np.clip(w, 0, 1))
    side = ((np.abs(u) / (a * narrow)) ** 3 + (np.abs(v) / (b * narrow)) ** 3) ** (1 / 3) - 1.0
    top = height + (0.9 * np.cos(2.4 * u + rng.normal(scale=0.4)) * np.cos(2.2 * v) if molar else -0.03 * u**2)
    return np.maximum(np.maximum(side * 2.6, (z - top) * 0.8), -(z + 12.0))


def surface_of(mouth: Mouth, frame: str = "surface:lower", floor_mm: float = -5.0) -> Surface:
    """Surface of teeth and gingiva above `floor_mm`, open below, in the mouth's own frame."""
    together = np.minimum(mouth.teeth_mm, mouth.gum_mm)
    corners, triangles, _, _ = marching_cubes(together.astype(np.float32), 0.0)
    points = corners[:, ::-1] * mouth.step_mm + mouth.origin_mm
    keep = points[:, 2] > floor_mm
    keep &= (points[:, 1] < mouth.origin_mm[1] + mouth.step_mm * (together.shape[1] - 2)) & (points[:, 1] > -11.5)
    triangles = triangles[keep[triangles].all(axis=1)]
    used, flat = np.unique(triangles, return_inverse=True)
    surface = Surface(points[used], flat.reshape(-1, 3), frame)
    # Outward normals are counter-clockwise seen from outside: the crowns' tops must look up.
    top = surface.points_mm[:, 2] > 5.0
    if surface.point_normals[top, 2].mean() < 0:
        surface = Surface(surface.points_mm, surface.triangles[:, ::-1], frame)
    return surface


def pose(turn_deg: Sequence[float], shift_mm: Sequence[float], source: str = "surface:lower") -> RigidTransform:
    return RigidTransform.from_parts(rotation_from_vector(np.radians(turn_deg)), shift_mm, source)


def scan_of(
    mouth: Mouth,
    lps_from_surface: RigidTransform,
    *,
    voxel_mm: float = 0.4,
    noise: float = 60.0,
    seed: int = 1,
    ceramic: Sequence[tuple[np.ndarray, float]] = (),
    spheres: Sequence[tuple[np.ndarray, float]] = (),
    cheek_gap_mm: float = 2.0,
    margin_mm: float = 8.0,
) -> Volume:
    """Scan the mouth, placed in LPS by `lps_from_surface`; `spheres` are (centre in the surface frame, radius)."""
    rng = np.random.default_rng(seed)
    box_low = mouth.origin_mm - 1.0
    box_high = mouth.origin_mm + mouth.step_mm * np.array(mouth.teeth_mm.shape[::-1]) + 1.0
    corners = np.array([[i, j, k] for i in (0, 1) for j in (0, 1) for k in (0, 1)]) * (box_high - box_low) + box_low
    lps = lps_from_surface.apply(corners)
    low, high = lps.min(axis=0) - margin_mm, lps.max(axis=0) + margin_mm
    count = np.ceil((high - low) / voxel_mm).astype(int)[::-1]
    affine = np.eye(4)
    affine[:3, :3] = voxel_mm * np.eye(3)[:, ::-1]
    affine[:3, 3] = low
    grey = np.empty(tuple(count), np.float32)
    inverse = lps_from_surface.inverse()
    for k in range(count[0]):
        rows, columns = np.meshgrid(np.arange(count[1]), np.arange(count[2]), indexing="ij")
        index = np.column_stack([np.full(rows.size, k), rows.ravel(), columns.ravel(), np.ones(rows.size)])
        points = inverse.apply(index @ affine[:3].T)
        grey[k] = _grey(mouth, points, voxel_mm, ceramic, spheres, cheek_gap_mm).reshape(count[1:])
    grey = gaussian_filter(grey, 0.22 / voxel_mm)
    grey += gaussian_filter(rng.normal(size=grey.shape).astype(np.float32), 0.5) * np.float32(noise / 0.42)
    return Volume(np.clip(np.rint(grey), -1024, 3071).astype(np.int16), affine)


def _grey(
    mouth: Mouth,
    points: np.ndarray,
    voxel_mm: float,
    ceramic: Sequence[tuple[np.ndarray, float]],
    spheres: Sequence[tuple[np.ndarray, float]],
    cheek_gap_mm: float,
) -> np.ndarray:
    def inside(distance: np.ndarray) -> np.ndarray:
        return np.clip(0.5 - distance / voxel_mm, 0.0, 1.0)

    teeth, gum, bone = (mouth.at(f, points) for f in (mouth.teeth_mm, mouth.gum_mm, mouth.bone_mm))
    away = np.minimum(teeth, gum)
    grey = np.full(len(points), AIR)
    # Cheeks and lips outside the arch, beyond a gap of air; the head ends 16 mm further out.
    cheek = np.maximum(cheek_gap_mm - away, away - 16.0)
    outside = (points[:, 1] < 14.0) | (np.abs(points[:, 0]) > 22.0)
    grey += (SOFT - AIR) * inside(np.where(outside, cheek, 9.0))
    for field, value in ((gum, SOFT), (bone, BONE), (teeth, TOOTH)):
        grey += (value - grey) * inside(field)
    for centre, radius in ceramic:
        grey += (CERAMIC * 1.6 - grey) * inside(np.maximum(teeth, np.linalg.norm(points - centre, axis=1) - radius))
    for centre, radius in spheres:
        grey += (CERAMIC - grey) * inside(np.linalg.norm(points - centre, axis=1) - radius)
    return grey
