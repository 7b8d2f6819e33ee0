"""Small analytic volumes with known truth: shells, a jaw-like bar with a tube in it. Nothing from a patient."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

AIR, SOFT, MARROW, BONE, ENAMEL = 0.0, 1000.0, 1200.0, 2300.0, 3600.0
"""Grey values before gain and offset."""


LEVELS = GreyLevels(AIR, SOFT, BONE, 20.0, -200.0, 4000.0)
"""What the calibration would find in a whole jaw; a small shape with a thin plate holds too little compact bone."""


def as_volume(
    grey: np.ndarray,
    spacing_mm: float,
    origin_lps_mm: tuple[float, float, float],
    noise: float = 40.0,
    blur_voxels: float = 0.8,
    gain: float = 1.0,
    offset: float = 0.0,
    seed: int = 0,
) -> Volume:
    """Blur, add noise, scale and store; slices up, rows back, columns left."""
    rng = np.random.default_rng(seed)
    values = gaussian_filter(grey, blur_voxels) + rng.normal(0, noise, grey.shape)
    matrix = np.diag([spacing_mm, spacing_mm, spacing_mm, 1.0])[[2, 1, 0, 3]]
    matrix[:3, 3] = origin_lps_mm
    return Volume(np.round(values * gain + offset).astype(np.int16), matrix)


def filled(grey: np.ndarray, distance_mm: np.ndarray, value: np.ndarray | float, spacing_mm: float) -> np.ndarray:
    """Fill where the signed distance is negative, voxels on the border by their share."""
    share = np.clip(0.5 - distance_mm / spacing_mm, 0.0, 1.0)
    return grey + share * (value - grey)


def shell(outer_mm: float = 14.0, plate_mm: float = 2.0, spacing_mm: float = 0.3, **how: float) -> Volume:
    """Give a hollow ball of bone in soft tissue in air, about the origin."""
    count = round(2 * (outer_mm + 4.0) / spacing_mm)
    place = (np.mgrid[0:count, 0:count, 0:count] - (count - 1) / 2) * spacing_mm
    radius = np.sqrt((place**2).sum(axis=0))
    grey = filled(np.full_like(radius, AIR), radius - outer_mm - 3, SOFT, spacing_mm)
    grey = filled(grey, radius - outer_mm, BONE, spacing_mm)
    grey = filled(grey, radius - outer_mm + plate_mm, MARROW, spacing_mm)
    return as_volume(grey, spacing_mm, (-(count - 1) / 2 * spacing_mm,) * 3, **how)  # type: ignore[arg-type]


@dataclass
class Bar:
    """A straight piece of lower jaw along x: an upright rounded bar of bone with marrow and a canal."""

    volume: Volume
    arch: ArchCurve
    width_mm: float
    crest_z: float
    base_z: float
    plate_mm: float
    canal_lps_mm: np.ndarray
    canal_radius_mm: float


def jaw_bar(
    width_mm: float = 8.0,
    height_mm: float = 26.0,
    plate_mm: float = 2.0,
    spacing_mm: float = 0.3,
    canal_radius_mm: float = 1.3,
    gap: tuple[float, float] | None = None,
    **how: float,
) -> Bar:
    """Build the bar; its section is a stadium (straight sides, half-round crest and base).

    `gap` is a stretch along x where the canal's wall and content look like marrow.
    """
    size = np.array([height_mm + 10, width_mm + 16, 44.0])
    counts = np.round(size / spacing_mm).astype(int)
    z, y, x = np.meshgrid(*[(np.arange(n) - (n - 1) / 2) * spacing_mm for n in counts], indexing="ij")
    half = width_mm / 2
    straight = height_mm / 2 - half

    def depth(inset: float) -> np.ndarray:
        return np.hypot(y, np.maximum(np.abs(z) - straight, 0)) - (half - inset)

    grey = filled(np.full_like(x, AIR), depth(0) - 2.0, SOFT, spacing_mm)
    grey = filled(grey, depth(0), BONE, spacing_mm)
    rng = np.random.default_rng(5)
    sponge = MARROW + 150 * gaussian_filter(rng.standard_normal(grey.shape), 1.5) / 0.2 * 0.3
    grey = filled(grey, depth(plate_mm), sponge, spacing_mm)
    t = np.linspace(-1, 1, 200)
    canal = np.stack([22 * t, 0.8 * np.sin(2 * t), -5.0 + 2.0 * t**2], axis=1)
    near = np.hypot(y - 0.8 * np.sin(2 * x / 22), z + 5.0 - 2.0 * (x / 22) ** 2)
    seen = np.ones_like(x, bool) if gap is None else (x < gap[0]) | (x > gap[1])
    grey = filled(grey, np.where(seen, near - canal_radius_mm - 0.6, 9.0), 0.75 * BONE, spacing_mm)
    grey = filled(grey, np.where(seen, near - canal_radius_mm, 9.0), SOFT, spacing_mm)
    origin = tuple(-(n - 1) / 2 * spacing_mm for n in counts[::-1])
    volume = as_volume(grey, spacing_mm, origin, **how)  # type: ignore[arg-type]
    # The outside (cheek) of the curve from right to left with up = +z lies towards -y.
    arch = ArchCurve(Jaw.LOWER, [[-20, 0, 8.0], [0, 0, 8.0], [20, 0, 8.0]], midline_lps_mm=(0, 0, 8.0))
    return Bar(volume, arch, width_mm, height_mm / 2, -height_mm / 2, plate_mm, canal, canal_radius_mm)
