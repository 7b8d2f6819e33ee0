"""A scene, scanned: projection, detection, noise, reconstruction, and which voxels the restorations ruined."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray
from scipy.ndimage import binary_dilation, distance_transform_edt, zoom
from scipy.spatial import cKDTree

from phantoms.material_map import MaterialMap, grid_affine
from phantoms.materials import HARD_TISSUE, Material
from phantoms.physics.acquisition import Acquisition, Geometry, geometry_of
from phantoms.physics.attenuation import linear_per_mm
from phantoms.physics.detector import record, water_per_mm
from phantoms.physics.fdk import reconstruct
from phantoms.physics.projector import transmissions
from phantoms.physics.spectrum import Spectrum, filtered_kramers
from phantoms.scene import Scene, paint_scene
from phantoms.truth import Truth, truth_of
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.progress import Progress, part_of, silent

DEGRADED_SHARE = 0.15
"""A voxel counts as degraded from this share of the bone-to-soft-tissue contrast on (our definition)."""
JAW_MARGIN_MM = 4.0
"""The jaw region is hard tissue grown by this much."""
BODY_SHARE = 0.05
"""Voxels with this much of a restoration in or beside them are the restoration, not ruined tissue."""
COARSE_RATIO = 4
"""Edge of the surroundings' cells over that of the field of view's."""
AROUND_LOW_MM, AROUND_HIGH_MM = (-72.0, -32.0), (72.0, 128.0)
"""Left-right and front-back reach of the surroundings in the scene frame."""
CONE_MARGIN_MM = 30.0
TWELVE_BITS = 4095
AIR_GREY = -1000.0


@frozen(eq=False)
class Simulated:
    """A simulated scan.

    Parameters
    ----------
    volume : Volume
    truth : Truth
    degraded : bool array of the volume's shape, or None
        True where a restoration moves the noise-free grey value by more than `DEGRADED_SHARE` of the
        bone-to-soft-tissue contrast; restorations themselves are left out. None without ``with_truth=True``.
    jaw_region : bool array of the volume's shape, or None
        Hard tissue grown by 4 mm without the restorations.
    slice_scores : array of shape (slices,), or None
        Share of degraded voxels of the jaw region; 0 in slices that have none of it.
    error : float16 array or None
        Noise-free grey value with minus without the restorations, in shares of the contrast.
    """

    volume: Volume
    truth: Truth
    degraded: NDArray[np.bool_] | None = None
    jaw_region: NDArray[np.bool_] | None = None
    slice_scores: FloatArray | None = None
    error: NDArray[np.float16] | None = field(default=None, repr=False)

    def degraded_share_near(self, points_lps_mm: ArrayLike, radius_mm: float) -> float:
        """Give the share of degraded voxels among those within `radius_mm` of any of the points (n, 3)."""
        if self.degraded is None:
            raise PlannerError("This scan was simulated without its truth.", "Simulate with with_truth=True.")
        points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
        shape = np.array(self.volume.shape)
        reach = radius_mm / np.array(self.volume.spacing_mm)
        index = self.volume.to_index(points)
        low = np.clip(np.floor(index.min(axis=0) - reach), 0, shape).astype(int)
        high = np.clip(np.ceil(index.max(axis=0) + reach) + 1, 0, shape).astype(int)
        grid = np.stack(np.meshgrid(*(np.arange(a, b) for a, b in zip(low, high, strict=True)), indexing="ij"), -1)
        away, _ = cKDTree(points).query(self.volume.to_lps(grid.reshape(-1, 3)))
        near = (away <= radius_mm).reshape(grid.shape[:3])
        box = tuple(slice(a, b) for a, b in zip(low, high, strict=True))
        return float(self.degraded[box][near].mean()) if near.any() else 0.0


def paint_surroundings(scene: Scene, fine: MaterialMap) -> MaterialMap:
    """Paint the rest of the head in coarse cells, empty where the fine map is."""
    cell = fine.voxel_mm * COARSE_RATIO
    start = fine.lps_from_index[:3, 3] - 0.5 * fine.voxel_mm
    corners = np.array(
        [
            [x, y, z]
            for x in (AROUND_LOW_MM[0], AROUND_HIGH_MM[0])
            for y in (AROUND_LOW_MM[1], AROUND_HIGH_MM[1])
            for z in (0.0,)
        ]
    )
    corners = scene.lps_from_scene.apply(corners)
    size = np.array(fine.codes.shape)[::-1] * fine.voxel_mm
    low, high = corners.min(axis=0), corners.max(axis=0)
    low[2], high[2] = start[2] - CONE_MARGIN_MM, start[2] + size[2] + CONE_MARGIN_MM
    before = np.maximum(np.ceil((start - low) / cell), 0).astype(int)
    after = np.maximum(np.ceil((high - start - size) / cell), 0).astype(int)
    cells = np.array(fine.codes.shape)[::-1] // COARSE_RATIO
    shape = tuple((before + cells + after)[::-1])
    affine = np.array(fine.lps_from_index)
    affine[:3, :3] *= COARSE_RATIO
    affine[:3, 3] = start - before * cell + 0.5 * cell
    around = paint_scene(scene, affine, shape)  # type: ignore[arg-type]
    inner = tuple(slice(int(b), int(b + c)) for b, c in zip(before[::-1], cells[::-1], strict=True))
    around.codes[inner] = 0
    return around


def fine_map(scene: Scene, acquisition: Acquisition, centre_lps_mm: FloatArray) -> MaterialMap:
    """Paint the field of view, its cells a share of the voxel and a multiple of the coarse cells."""
    cell = acquisition.voxel_mm * acquisition.map_refinement
    counts = [
        int(np.ceil(n * acquisition.voxel_mm / cell / COARSE_RATIO)) * COARSE_RATIO for n in acquisition.shape
    ]
    shape = (counts[0], counts[1], counts[2])
    return paint_scene(scene, grid_affine(centre_lps_mm, shape, cell), shape)


def spectrum_of(acquisition: Acquisition) -> Spectrum:
    """Give the fast mode's spectrum for an acquisition."""
    return filtered_kramers(acquisition.kvp, acquisition.aluminium_mm, acquisition.copper_mm)


def grey_values(
    mu_per_mm: NDArray[np.float32], spectrum: Spectrum, acquisition: Acquisition
) -> NDArray[np.float32]:
    """Take attenuation to the machine's grey values: HU-like, then its gain and offset; not clipped."""
    water = water_per_mm(spectrum)
    return np.asarray(
        acquisition.grey_gain * 1000.0 * (mu_per_mm - water) / water + acquisition.grey_offset, dtype=np.float32
    )


def clipped(grey: NDArray[np.float32], acquisition: Acquisition) -> NDArray[np.float32]:
    """Cut grey values to what the machine stores."""
    low = acquisition.grey_gain * AIR_GREY + acquisition.grey_offset
    high = low + TWELVE_BITS if acquisition.twelve_bits else 32767.0
    return np.asarray(np.clip(grey, low, min(high, 32767.0)))


def bone_contrast(spectrum: Spectrum, acquisition: Acquisition) -> float:
    """Give the grey difference between cortical bone and soft tissue in this beam."""
    soft, bone = (
        float(np.sum(spectrum.weights * np.exp(-linear_per_mm(m, spectrum.energies_kev) * 10.0)))
        for m in (Material.SOFT, Material.BONE)
    )
    return float(acquisition.grey_gain * 1000.0 * np.log(soft / bone) / 10.0 / water_per_mm(spectrum))


def simulate(
    scene: Scene,
    acquisition: Acquisition,
    seed: int,
    progress: Progress = silent,
    *,
    with_truth: bool = False,
) -> Simulated:
    """Scan a scene with the fast mode's own physics.

    Parameters
    ----------
    scene : Scene
    acquisition : Acquisition
    seed : int
        Of the noise; equal seeds give equal volumes.
    progress : Progress
    with_truth : bool
        Also reconstruct without noise, with and without the restorations, and mark the degraded voxels.

    Raises
    ------
    Cancelled
        From `progress`.
    """
    centre = scene.lps_from_scene.apply(np.array(acquisition.centre_scene_mm))
    geometry = geometry_of(acquisition, centre)
    fine = fine_map(scene, acquisition, centre)
    around = paint_surroundings(scene, fine)
    progress(0.08, "painted")
    spectrum = spectrum_of(acquisition)
    from_view = int(acquisition.motion_at * acquisition.views)
    moves = [acquisition.motion if view >= from_view else None for view in range(acquisition.views)]
    left, bare = transmissions(
        (fine, around),
        geometry,
        spectrum.attenuation_per_mm(),
        spectrum.weights,
        moves,
        part_of(progress, 0.08, 0.6),
    )
    rng = np.random.default_rng([seed, 1234])
    stacks = [record(left, acquisition, geometry, spectrum, rng)]
    if with_truth:
        stacks += [record(kept, acquisition, geometry, spectrum, None) for kept in (left, bare)]
    progress(0.7, "detected")
    volumes = reconstruct(
        stacks, geometry, acquisition.shape, acquisition.voxel_mm, acquisition.cutoff, part_of(progress, 0.7, 1.0)
    )
    return assemble(scene, acquisition, spectrum, geometry, fine, volumes)


def assemble(
    scene: Scene,
    acquisition: Acquisition,
    spectrum: Spectrum,
    geometry: Geometry,
    fine: MaterialMap,
    volumes: list[NDArray[np.float32]],
) -> Simulated:
    """Turn reconstructions (noisy, then noise-free with and without restorations) into a `Simulated`."""
    grey = clipped(grey_values(volumes[0], spectrum, acquisition), acquisition)
    affine = grid_affine(geometry.centre_lps_mm, acquisition.shape, acquisition.voxel_mm)
    volume = Volume(np.rint(grey).astype(np.int16), affine)
    truth = truth_of(scene)
    if len(volumes) < 3:
        return Simulated(volume, truth)
    kept, bare = (clipped(grey_values(v, spectrum, acquisition), acquisition) for v in volumes[1:3])
    error = ((kept - bare) / bone_contrast(spectrum, acquisition)).astype(np.float16)
    region, bodies = jaw_region(fine, acquisition)
    degraded = (np.abs(error) > DEGRADED_SHARE) & ~bodies
    return Simulated(volume, truth, degraded, region, slice_scores(degraded, region), error)


def slice_scores(degraded: NDArray[np.bool_], region: NDArray[np.bool_]) -> FloatArray:
    """Give the share of degraded voxels of the jaw region per slice; 0 where a slice has none of it."""
    inside = region.sum(axis=(1, 2))
    hit = (degraded & region).sum(axis=(1, 2))
    return np.asarray(np.where(inside > 0, hit / np.maximum(inside, 1), 0.0))


def jaw_region(fine: MaterialMap, acquisition: Acquisition) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Give (hard tissue grown by 4 mm without restorations, restorations with their edge) on the volume's grid."""
    hard = np.zeros(16, np.float32)
    hard[[int(m) for m in HARD_TISSUE]] = 1.0
    share = _on_volume(fine.weighted(hard, restored=False), acquisition)
    bodies = binary_dilation(_on_volume(fine.bodies_share(), acquisition) > BODY_SHARE, iterations=1)
    near = distance_transform_edt(share < 0.5) * acquisition.voxel_mm <= JAW_MARGIN_MM
    return near & ~bodies, np.asarray(bodies)


def _on_volume(values: NDArray[np.float32], acquisition: Acquisition) -> NDArray[np.float32]:
    """Bring a fine map's values to the volume's grid (same middle)."""
    if acquisition.map_refinement != 1.0:
        values = zoom(values, acquisition.map_refinement, order=1, grid_mode=True, mode="nearest")
    out = np.zeros(acquisition.shape, np.float32)
    take, give = [], []
    for have, want in zip(values.shape, acquisition.shape, strict=True):
        extra = have - want
        start = extra // 2
        take.append(slice(max(start, 0), max(start, 0) + min(have, want)))
        give.append(slice(max(-start, 0), max(-start, 0) + min(have, want)))
    out[tuple(give)] = values[tuple(take)]
    return out
