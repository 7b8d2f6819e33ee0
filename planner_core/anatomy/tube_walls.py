"""The wall of a tube about its course: radius, distances in all directions, and the middle between them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.canal import PATH_STEP_MM
from planner_core.anatomy.edges import thin_plate_level
from planner_core.anatomy.sampling import section_patches
from planner_core.anatomy.tube_course import side_axes
from planner_core.anatomy.tubes import CANAL_SIZE, TubeSize
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

LEAST_WALL = 0.08
"""The wall stands out by this share of the soft-to-bone step at least (our choice: above trabecular texture)."""

OPEN_RISE = 0.5
"""A direction counts as walled when it rises by this share of what the others rise (our choice: soft tissue outside
an open side is only a little brighter than the tube)."""

FIRST_PEAK = 0.5
"""The first peak of a ray that rises by this share of its largest rise is the wall (our choice: behind it come
marrow's texture and the cortex)."""

RECENTRE_ROUNDS = 3
ROUND_MM, WALLED_SHARE = 0.5, 0.7
"""A wall counts within this of the fitted circle, mm, and the canal as seen where that holds on this share of the
round (our choice: an open side of a quarter moves the centre by little)."""

PULL, STRAY_MM, ROBUST_ROUNDS = 1.5, 0.2, 3
"""Weight of the place where the tube looked most like one against that of one wall (a round has 16), and how far a
wall's distance may stray before it counts half, mm (our choices, tests/studies anatomy)."""

RADIUS_QUANTILE = 0.4
REST_FLOOR_MM, REST_SHARE = 0.02, 2.4
"""What the walls' scatter about a circle exceeds the first by, times the second, is the standard deviation that the
centre keeps: voxels alone scatter that much, and what moves neighbouring directions together shows only faintly
(our choice, tests/studies anatomy)."""

RECENTRE_MM = 1.0
"""How far the middle may move between its walls, mm (our choice: less than a radius)."""

LEAST_MIDDLE_MM, BEND_MM, ALIKE_STATIONS = 0.03, 0.036, 5.0
"""Least standard deviation of a middle between walls, mm; that of the course's second differences from station to
station, mm (stations are 0.5 mm apart: a curve of 7 mm radius, as before the mental foramen); and how many stations
err alike, since the walls are averaged over as many (our choices, tests/studies anatomy)."""

OPEN_SIGMA_MM = 0.3
"""Standard deviation of the centre per axis where no wall at all is seen about it, mm; shared out by the part of
the round that is open (our choice, tests/studies anatomy)."""


def tube_radius(volume: Volume, path: FloatArray, levels: GreyLevels, size: TubeSize = CANAL_SIZE) -> FloatArray:
    """Give the radius along a course: half-way between its inside and its wall, from rings about the centre (mm).

    Parameters
    ----------
    path : array of shape (n, 3)
        Centre line, evenly spaced by `PATH_STEP_MM`.

    Returns
    -------
    array of shape (n,)
        nan where no wall stands out.
    """
    radii = np.arange(0.0, size.wall_reach_mm, 0.1)
    turns = np.linspace(0.0, 2 * np.pi, 16, endpoint=False)
    offsets = np.stack([np.outer(radii, np.cos(turns)).ravel(), np.outer(radii, np.sin(turns)).ravel()], axis=1)
    patches = section_patches(volume, path, side_axes(path), offsets, np.array([-0.25, 0.25]), levels.soft_tissue)
    # The median over the turns leaves out a side where the wall is open or a root tip comes close.
    rings = np.median(patches.reshape(len(path), len(radii), len(turns)), axis=2)
    rings = ndimage.uniform_filter1d(rings, round(2.5 / PATH_STEP_MM), axis=0, mode="nearest")
    rings = ndimage.gaussian_filter1d(rings, 1.0, axis=1)
    out = np.full(len(path), np.nan)
    least = LEAST_WALL * (levels.bone - levels.soft_tissue)
    for n, ring in enumerate(rings):
        core = float(ring[:4].mean())
        rising = np.flatnonzero((ring[1:-1] >= ring[2:]) & (ring[1:-1] - core > least))
        if len(rising) == 0:
            continue
        wall = int(rising[0]) + 1
        # The wall is thin against the blur: its true border lies higher on its flank than half-way.
        dense = max(levels.bone - core, 1e-6)
        level = core + thin_plate_level((float(ring[wall]) - core) / dense) * dense
        k = int(np.flatnonzero(ring[: wall + 1] < level)[-1])
        out[n] = radii[k] + 0.1 * (level - ring[k]) / (ring[k + 1] - ring[k])
    return np.asarray(ndimage.median_filter(out, 5, mode="nearest"))


def _walls(volume: Volume, path: FloatArray, levels: GreyLevels, size: TubeSize) -> tuple[FloatArray, FloatArray]:
    """Give the distance to the wall in each direction about each station, shape (n, t), nan where it is open.

    Also the unit directions, shape (t, 2), along the two axes across the course.
    """
    radii = np.arange(0.0, size.wall_reach_mm, 0.1)
    turns = np.linspace(0.0, 2 * np.pi, 16, endpoint=False)
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    offsets = (radii[:, None, None] * ways[None]).reshape(-1, 2)
    patches = section_patches(volume, path, side_axes(path), offsets, np.array([-0.25, 0.25]), levels.soft_tissue)
    rays = patches.reshape(len(path), len(radii), len(turns)).astype(np.float64)
    rays = ndimage.uniform_filter1d(rays, 5, axis=0, mode="nearest")
    rays = ndimage.gaussian_filter1d(rays, 1.0, axis=2, mode="wrap")
    rays = ndimage.gaussian_filter1d(rays, 1.5, axis=1, mode="nearest")
    step = levels.bone - levels.soft_tissue
    # Each direction has its own inside and its own wall: shading across the tube must not move the middle.
    near = rays[:, : round(size.wall_peak_mm / 0.1)]
    peak_at = _wall_tops(near)
    n, t = np.indices(peak_at.shape)
    peak = near[n, peak_at, t]
    until = np.arange(near.shape[1])[None, :, None] <= peak_at[:, None, :]
    floor = np.where(until, near, np.inf).min(axis=1)
    rise = peak - floor
    typical = np.maximum(np.median(rise, axis=1, keepdims=True), LEAST_WALL * step)
    # A thin wall's true border lies higher on its flank than half-way, that of one merged with a plate does not.
    dense = np.maximum(levels.bone - floor, np.maximum(rise, 1e-6))
    level = floor + thin_plate_level(rise / dense) * dense
    # The last crossing before the wall's top: dark spots inside the tube do not count.
    under = until & (near < level[:, None, :])
    last = near.shape[1] - 1 - under[:, ::-1].argmax(axis=1)
    last = np.clip(last, 0, near.shape[1] - 2)
    below, above = near[n, last, t], near[n, last + 1, t]
    place = 0.1 * (last + (level - below) / np.maximum(above - below, 1e-9))
    found = under.any(axis=1) & (rise >= OPEN_RISE * typical)
    return np.where(found, np.clip(place, 0.0, size.wall_reach_mm), np.nan), ways


def _wall_tops(near: FloatArray) -> NDArray[np.intp]:
    """Give where each ray (n, radii, turns) is on top of its wall: its first peak of nearly the largest rise."""
    risen = near - np.minimum.accumulate(near, axis=1)
    top = np.ones(near.shape, bool)
    top[:, 1:] &= near[:, 1:] >= near[:, :-1]
    top[:, :-1] &= near[:, :-1] >= near[:, 1:]
    high = top & (risen >= FIRST_PEAK * risen.max(axis=1, keepdims=True))
    return np.where(high.any(axis=1), high.argmax(axis=1), near.argmax(axis=1))


def recentred(
    volume: Volume, path: FloatArray, levels: GreyLevels, size: TubeSize = CANAL_SIZE
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Move a course into the middle of its walls; give the standard deviation that is left, shape (n,).

    Last comes the share of the round on which a wall was found, shape (n,).

    Where the tube is open to soft tissue on one side, the walls of the other sides and the usual radius tell where
    its middle is: distance to a wall = radius - shift along that direction.
    """
    left = walled = np.zeros(len(path))
    start = path
    for _ in range(RECENTRE_ROUNDS):
        path, left, walled = _one_recentring(volume, path, start, levels, size)
    return path, left, ndimage.uniform_filter1d(walled, 5, mode="nearest")


def _one_recentring(
    volume: Volume, path: FloatArray, start: FloatArray, levels: GreyLevels, size: TubeSize
) -> tuple[FloatArray, FloatArray, FloatArray]:
    walls, ways = _walls(volume, path, levels, size)
    closed = np.isfinite(walls)
    if closed.sum() < 16:
        return path, np.full(len(path), OPEN_SIGMA_MM), np.zeros(len(path))
    # Open sides only lengthen the distances: the usual radius lies a little under the middle of them.
    radius = float(np.nanquantile(walls, RADIUS_QUANTILE))
    near = closed & (np.abs(walls - radius) < RECENTRE_MM)
    shift, left, round_ = np.zeros((len(path), 2)), np.zeros(len(path)), np.zeros(len(path))
    _, first, second = side_axes(path)
    home = np.stack([np.einsum("ij,ij->i", start - path, axis) for axis in (first, second)], axis=1)
    for n in range(len(path)):
        used = near[n]
        if used.sum() < 5:
            left[n] = OPEN_SIGMA_MM
            continue
        a = ways[used]
        shift[n] = _to_the_middle(a, walls[n, used] - radius, home[n])
        rest = walls[n, used] - radius - a @ shift[n]
        scatter = max(float(rest.std()) - REST_FLOOR_MM, 0.0)
        left[n] = np.hypot(OPEN_SIGMA_MM * (1.0 - used.mean()), REST_SHARE * scatter)
        round_[n] = float((np.abs(rest) < ROUND_MM).sum()) / len(ways)
    left = ndimage.uniform_filter1d(left, 5, mode="nearest")
    moved, left = lead_on(path + shift[:, 0:1] * first + shift[:, 1:2] * second, left)
    return moved, left, round_


def _to_the_middle(ways: FloatArray, excess_mm: FloatArray, home_mm: FloatArray) -> FloatArray:
    """Give the shift (2,) that brings the walls' distances (n,) nearest to one radius.

    What stands out counts less (Cauchy's weights), and a pull towards where the tube looked most like one keeps a
    one-sided wall from deciding across it.
    """
    weight, shift = np.ones(len(ways)), home_mm
    for _ in range(ROBUST_ROUNDS):
        held = ways * weight[:, None]
        pulled = held.T @ excess_mm + PULL * home_mm
        shift = np.asarray(np.linalg.solve(held.T @ ways + PULL * np.eye(2), pulled), dtype=np.float64)
        weight = 1.0 / (1.0 + ((excess_mm - ways @ shift) / STRAY_MM) ** 2)
    return np.asarray(np.clip(shift, -RECENTRE_MM, RECENTRE_MM))


def lead_on(measured: FloatArray, sigma: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Let what is well measured lead the course through what is not, as far as a nerve bends; with what is left.

    Whittaker's smoother (1923, Proc Edinburgh Math Soc 41:63; M) as the posterior of a course whose second
    differences are normal: `sigma` (n,) is the standard deviation of the points (n, 3) per axis.
    """
    weight = 1.0 / (ALIKE_STATIONS * (sigma**2 + LEAST_MIDDLE_MM**2))
    bend = np.diff(np.eye(len(measured)), 2, axis=0) / BEND_MM
    spread = np.linalg.inv(np.diag(weight) + bend.T @ bend)
    return spread @ (weight[:, None] * measured), np.sqrt(np.diag(spread))
