"""Simple bodies as material maps, for checks against closed forms."""

from __future__ import annotations

import numpy as np

from phantoms.material_map import MaterialMap, grid_affine
from phantoms.materials import Material
from phantoms.physics.acquisition import Geometry


def cylinder_codes(
    shape: tuple[int, int, int], voxel_mm: float, radius_mm: float, offset_mm=(0.0, 0.0)
) -> np.ndarray:
    """Give each cell's share (0..1) of an upright cylinder, its edge by eight by eight sub-cells."""
    _, rows, columns = shape
    fine = 8
    y, x = ((np.arange(n * fine) - (n * fine - 1) / 2.0) * voxel_mm / fine for n in (rows, columns))
    inside = (x[None, :] - offset_mm[0]) ** 2 + (y[:, None] - offset_mm[1]) ** 2 <= radius_mm**2
    plane = inside.reshape(rows, fine, columns, fine).mean(axis=(1, 3))
    return np.broadcast_to(plane, shape)


def natural(share: np.ndarray, material: Material) -> np.ndarray:
    """Give codes of a material over air."""
    amount = np.rint(share * 255).astype(np.uint32)
    return np.where(amount > 0, (np.uint32(material) << 12) | amount, 0).astype(np.uint32)


def placed(share: np.ndarray, material: Material) -> np.ndarray:
    """Give the upper half of the codes: a body put over what grew there."""
    amount = np.rint(share * 255).astype(np.uint32)
    return np.where(amount > 0, ((np.uint32(material) << 8) | amount) << 16, 0).astype(np.uint32)


def map_of(codes: np.ndarray, voxel_mm: float) -> MaterialMap:
    """Give a map about the origin."""
    return MaterialMap(np.ascontiguousarray(codes), grid_affine(np.zeros(3), codes.shape, voxel_mm))


def nothing(voxel_mm: float) -> MaterialMap:
    """Give empty surroundings."""
    return map_of(np.zeros((4, 4, 4), np.uint32), voxel_mm)


def circle(views: int, columns: int, rows: int, pixel_mm: float, short: bool = False) -> Geometry:
    """Give a circular path with the source at 400 and the detector at 600 mm."""
    half = np.arctan(0.5 * columns * pixel_mm / 600.0)
    arc = np.pi + 2 * half + 0.03 if short else 2 * np.pi
    angles = arc * (np.arange(views) + 0.5) / views
    return Geometry(angles, 400.0, 600.0, rows, columns, pixel_mm, np.zeros(3), short)
