"""Grey values straight from the material map: blur and noise, **no streaks** and no scatter.

For tests of geometry. Use `phantoms.simulate` wherever artifacts matter.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter

from phantoms.material_map import grid_affine
from phantoms.physics.attenuation import table_per_mm
from phantoms.pool import in_slabs
from phantoms.scene import Scene, paint_scene
from phantoms.truth import Truth, truth_of
from planner_core.geometry.volume import Volume

GREY_KEV = 62.0
"""Energy whose attenuation gives the grey values."""
BLUR_MM = 0.22
"""Standard deviation of the blur; gives an effective resolution of about 0.5 mm (FACTS.md section 8, mark M)."""
AIR_GREY, TOP_GREY = -1000, 3095
SMALL_VIEW_MM = (58.0, 92.0, 92.0)
"""Height, depth and width of the default field of view."""


def quick_volume(
    scene: Scene,
    voxel_mm: float = 0.4,
    noise: float = 40.0,
    seed: int = 0,
    *,
    centre_scene_mm: tuple[float, float, float] = (0.0, 26.0, -17.0),
    size_mm: tuple[float, float, float] = SMALL_VIEW_MM,
    blur_mm: float = BLUR_MM,
    gain: float = 1.0,
    offset: float = 0.0,
    truth: bool = True,
) -> tuple[Volume, Truth]:
    """Make a volume of a scene in about a second, without any physics: **streaks are absent**.

    Parameters
    ----------
    scene : Scene
    voxel_mm : float
    noise : float
        Standard deviation in grey values.
    seed : int
    centre_scene_mm : tuple of float
        Middle of the field of view in the scene frame.
    size_mm : tuple of float
        Height, depth and width of the field of view.
    blur_mm : float
    gain, offset : float
        The machine's own grey scale over an HU-like one.
    truth : bool
        False spares measuring the bodies and gives an empty list of them.
    """
    shape = tuple(round(edge / voxel_mm) for edge in size_mm)
    affine = grid_affine(scene.lps_from_scene.apply(np.array(centre_scene_mm)), shape, voxel_mm)  # type: ignore[arg-type]
    painted = paint_scene(scene, affine, shape)  # type: ignore[arg-type]
    mu = table_per_mm([GREY_KEV])[0]
    water = mu[1]
    grey = gain * 1000.0 * (mu - water) / water + offset
    values = painted.weighted(grey.astype(np.float32))
    if blur_mm > 0:
        values = gaussian_filter(values, blur_mm / voxel_mm, mode="nearest", truncate=3.0)
    streams = np.random.default_rng([seed, 9]).spawn(shape[0])
    stored = np.empty(shape, np.int16)
    low, high = gain * AIR_GREY + offset, gain * AIR_GREY + offset + TOP_GREY - AIR_GREY

    def work(first: int, last: int) -> None:
        for k in range(first, last):
            spread = streams[k].standard_normal(values.shape[1:], dtype=np.float32) * np.float32(noise)
            stored[k] = np.clip(np.rint(values[k] + spread), low, high)

    in_slabs(work, shape[0])
    return Volume(stored, affine), truth_of(scene, measure_bodies=truth)
