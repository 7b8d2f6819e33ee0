"""The mandibular canal followed from a few clicks.

The cheapest way through tube-like places, then its centre section by section, with how well it is known at each
station. Where the canal is not seen, it says so.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from attrs import frozen
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from planner_core.anatomy.bone import Degradation
from planner_core.anatomy.canal import CLICK_SIGMA_MM, DEFAULT_DIAMETER_MM, PATH_STEP_MM, click_sigma_mm
from planner_core.anatomy.canal import ordered_from_front as ordered
from planner_core.anatomy.edges import thin_plate_level
from planner_core.anatomy.grid import Grid, coarse_grid
from planner_core.anatomy.sampling import section_patches
from planner_core.anatomy.shortest import cheapest_path
from planner_core.anatomy.structures import Canal, Side
from planner_core.anatomy.tubes import section_templates, tube_likeness
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, perpendicular, unit
from planner_core.geometry.polyline import at_lengths, lengths_mm, smooth_through, tangents
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

GRID_MM = 0.6
"""Blocks in which the way is searched, mm (our choice: two to three across a canal's radius)."""

MARGIN_MM = 9.0
"""How far beyond the clicks the way may lead, mm (our choice: a canal bows by less between clicks)."""

COST_FLOOR, COST_POWER = 0.15, 2.0
"""Cost per mm = 1 / (floor + likeness^power): the way leaves a tube only where that saves a multiple of its length
(our choice, tests/studies anatomy)."""

DENSE_COST = 3.0
"""Extra cost per mm, in units of soft-to-bone steps above the middle level: a canal does not run through cortex
(our choice)."""

SLAB_MM = (-0.8, -0.4, 0.0, 0.4, 0.8)
"""Places along the course that a section is averaged over against noise, mm (our choice: a canal bends little)."""

COURSE_STEP_MM = 0.75
"""Spacing of the sections in which the centre is looked for, mm (our choice: half a radius)."""

WALK_MM = 0.17
"""Standard deviation of the centre's step to the side per `COURSE_STEP_MM`, mm (our choice, tests/studies
anatomy)."""

EVIDENCE = 14.0
"""Weight of a section's match in the likelihood of its centre, exp(weight * correlation): set so that the stated
uncertainty covers known canals (our choice, tests/studies anatomy)."""

LEAST_SEEN_MM = 3.0
"""Shorter stretches that look seen do not lead the course, mm (our choice: trabecular gaps are that long)."""

SEEN_MATCH = 0.5
"""Correlation with the template from which the canal counts as seen; trabecular bone alone reaches 0.4 (our choice,
tests/core/anatomy and tests/studies anatomy)."""

STREAKED_LEVEL = 0.5
"""Degradation of the scan (0..1) from which nothing counts as seen (our choice: half of the scale)."""

WALL_REACH_MM = 3.2
"""How far from the centre the wall is looked for, mm (canals are 2 to 4 mm wide; common practice, no source)."""

LEAST_WALL = 0.08
"""The wall stands out by this share of the soft-to-bone step at least (our choice: above trabecular texture)."""

WALL_PEAK_MM = 2.8
"""The top of the wall is looked for this far from the middle, mm (our choice: the largest radius and half a
wall)."""

OPEN_RISE = 0.5
"""A direction counts as walled when it rises by this share of what the others rise (our choice: soft tissue outside
an open side is only a little brighter than the tube)."""

RECENTRE_ROUNDS = 3
ROUND_MM, WALLED_SHARE = 0.5, 0.7
"""A wall counts within this of the fitted circle, mm, and the canal as seen where that holds on this share of the
round (our choice: an open side of a quarter moves the centre by little)."""

RADIUS_QUANTILE = 0.4
REST_SHARE = 0.6
"""Share of the walls' scatter about a circle that the centre keeps as standard deviation (our choice: streaks move
neighbouring directions together; tests/studies anatomy)."""

RECENTRE_MM = 1.0
"""How far the middle may move between its walls, mm (our choice: less than a radius)."""

OPEN_SIGMA_MM = 0.5
"""Standard deviation of the centre per axis where no wall at all is seen about it, mm; shared out by the part of
the round that is open (our choice: a third of a canal's width; tests/studies anatomy)."""

LEAST_SIGMA_MM = 0.15
"""Least standard deviation of the centre, mm (our choice: half a fine voxel; tests/studies anatomy)."""


@frozen(eq=False)
class _Course:
    """The centre found along a course, before it becomes a canal."""

    path_lps_mm: FloatArray
    sigma_mm: FloatArray
    match: FloatArray


def trace_canal(
    volume: Volume,
    side: Side,
    clicks_lps_mm: ArrayLike,
    progress: Progress = silent,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
) -> Canal:
    """Follow the canal through two to four (or more) clicks.

    Parameters
    ----------
    clicks_lps_mm : array of shape (k, 3), k >= 2
        On the canal, in any order; the ends of the course are the outermost clicks.
    levels : GreyLevels, optional
        The scan's grey levels where they are known already.
    degradation : optional
        The scan check; where it says that the scan is streaked, nothing counts as seen.

    Returns
    -------
    Canal
        Foramen end first; `certain` is False where the walls are not seen.

    Raises
    ------
    PlannerError
        If there are fewer than two different clicks or one lies outside the volume.
    """
    clicks = ordered(clicks_lps_mm)
    if not volume.contains(clicks).all():
        raise PlannerError("A click lies outside the scan.", "Click inside the scan.")
    progress(0.0, "Following the canal")
    levels = calibrate_grey(volume) if levels is None else levels
    grid = coarse_grid(volume, GRID_MM, np.vstack([clicks - MARGIN_MM, clicks + MARGIN_MM]))
    costs = canal_costs(grid, levels)
    progress(0.4, "Following the canal")
    path = _smooth(_way_through(grid, costs, clicks), 1.2)
    course = _centre(volume, path, clicks, levels)
    progress(0.7, "Centring the canal")
    course = _centre(volume, _bridged(course, clicks), clicks, levels)
    progress(0.95, "Measuring the canal")
    return _as_canal(volume, side, clicks, course, levels, degradation)


def canal_costs(grid: Grid, levels: GreyLevels) -> NDArray[np.float32]:
    """Give the cost per mm of leading a canal through each place of a grid."""
    likeness = tube_likeness(grid, levels)
    step = levels.bone - levels.soft_tissue
    dense = np.maximum(grid.grey - levels.bone_threshold, 0.0) / step
    air = np.maximum(levels.air_threshold - grid.grey, 0.0) / max(levels.contrast, 1e-6)
    costs = 1.0 / (COST_FLOOR + likeness**COST_POWER) + DENSE_COST * dense + 100.0 * air
    return np.asarray(costs, dtype=np.float32)


def _way_through(grid: Grid, costs: NDArray[np.float32], clicks: FloatArray) -> FloatArray:
    """Lead the cheapest way from click to click; each click may shift to a cheaper place close by."""
    index = np.clip(np.round(grid.to_index(clicks)), 0, np.array(costs.shape) - 1).astype(int)
    pieces = []
    for a, b in pairwise(index):
        if np.array_equal(a, b):
            continue
        way, _ = cheapest_path(costs, a, b, grid.spacing_mm)
        pieces.append(grid.to_lps(way))
    if not pieces:
        raise PlannerError("The points of the canal lie on one spot.", "Click points further apart.")
    path = np.vstack([pieces[0], *[piece[1:] for piece in pieces[1:]]])
    path[0], path[-1] = clicks[0], clicks[-1]
    return path


def _smooth(path: FloatArray, sigma_mm: float, step_mm: float = COURSE_STEP_MM) -> FloatArray:
    """Smooth a course along its length, ends kept, and sample it evenly."""
    length = float(lengths_mm(path)[-1])
    count = max(3, round(length / step_mm) + 1)
    even = at_lengths(path, np.linspace(0.0, length, count))
    width = sigma_mm / step_mm
    # Mirroring through the end point keeps the ends where they are.
    pad = min(count - 1, int(4 * width) + 1)
    long = np.vstack([2 * even[0] - even[pad:0:-1], even, 2 * even[-1] - even[-2 : -2 - pad : -1]])
    smooth = ndimage.gaussian_filter1d(long, width, axis=0)[pad : pad + count]
    return np.asarray(smooth)


def _bridged(course: _Course, clicks: FloatArray) -> FloatArray:
    """Lead the course past stretches that are not seen through clicks only, never along another hollow."""
    path = course.path_lps_mm
    seen = ndimage.uniform_filter1d(course.match, 3, mode="nearest") >= SEEN_MATCH
    size = round(LEAST_SEEN_MM / COURSE_STEP_MM)
    seen = ndimage.binary_opening(np.pad(seen, size, mode="edge"), np.ones(size))[size:-size]
    keep = np.zeros(len(path), bool)
    keep[::3] = True
    keep &= seen
    points = path.copy()
    for click in clicks:
        k = int(np.argmin(np.linalg.norm(path - click, axis=1)))
        if not seen[k]:
            points[k] = click
        keep[k] = True
    keep[[0, -1]] = True
    if keep.sum() < 3:
        return _smooth(path, 0.8)
    return _smooth(smooth_through(points[keep], PATH_STEP_MM), 0.8)


def _side_axes(path: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give tangents and two turning-free directions across a course, each of shape (n, 3)."""
    along = tangents(path)
    first = np.empty_like(along)
    first[0] = perpendicular(along[0])
    for k in range(1, len(path)):
        carried = first[k - 1] - along[k] * float(first[k - 1] @ along[k])
        first[k] = unit(carried)
    return along, first, np.cross(along, first)


def _centre(volume: Volume, path: FloatArray, clicks: FloatArray, levels: GreyLevels) -> _Course:
    """Give the most likely centre along a course (forward-backward over shifts across it; Rabiner 1989, M)."""
    templates = section_templates()
    along, u, v = _side_axes(path)
    patches = section_patches(
        volume, path, (along, u, v), templates.offsets_mm, np.array(SLAB_MM), levels.soft_tissue
    )
    step = levels.bone - levels.soft_tissue
    patches = np.clip(patches, levels.soft_tissue - 0.5 * step, levels.bone + 0.25 * step)
    match = templates.match(patches)
    best = match.max(axis=1)
    evidence = EVIDENCE * np.maximum(best, 0.0)
    evidence += _click_evidence(path, clicks, u, v, templates.shifts_mm)
    mean, spread, chance = _forward_backward(evidence, templates.shifts_mm)
    centre = path + mean[:, 0:1] * u + mean[:, 1:2] * v
    return _Course(centre, spread, np.einsum("nij,nij->n", best, chance))


def _click_evidence(
    path: FloatArray, clicks: FloatArray, u: FloatArray, v: FloatArray, shifts: FloatArray
) -> FloatArray:
    """Log-likelihood of shifts near each click: the centre passes it within the error of a hand-set point."""
    evidence = np.zeros((len(path), len(shifts), len(shifts)))
    for click in clicks:
        k = int(np.argmin(np.linalg.norm(path - click, axis=1)))
        offset = click - path[k]
        away = (shifts[:, None] - float(offset @ u[k])) ** 2 + (shifts[None, :] - float(offset @ v[k])) ** 2
        # Hand-set points may miss by more than their repeatability; they must not pull a seen canal off its walls.
        evidence[k] -= 0.5 * np.minimum(away / (2.0 * CLICK_SIGMA_MM) ** 2, 4.0)
    return evidence


def _forward_backward(evidence: FloatArray, shifts: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give mean shift (n, 2), standard deviation (n,) and chance (n, s, s) of the centre per station."""
    step = float(shifts[1] - shifts[0])
    likely = np.exp(evidence - evidence.max(axis=(1, 2), keepdims=True))
    walk = WALK_MM / step
    count = len(evidence)
    ahead, back = np.empty_like(likely), np.empty_like(likely)
    ahead[0] = likely[0]
    for k in range(1, count):
        ahead[k] = ndimage.gaussian_filter(ahead[k - 1], walk, mode="constant", truncate=5.0) * likely[k]
        ahead[k] /= ahead[k].sum()
    back[-1] = 1.0
    for k in range(count - 2, -1, -1):
        back[k] = ndimage.gaussian_filter(back[k + 1] * likely[k + 1], walk, mode="constant", truncate=5.0)
        back[k] /= back[k].sum()
    chance = ahead * back
    chance /= chance.sum(axis=(1, 2), keepdims=True)
    mean = np.stack([np.einsum("nij,i->n", chance, shifts), np.einsum("nij,j->n", chance, shifts)], axis=1)
    du, dv = shifts[None, :] - mean[:, 0:1], shifts[None, :] - mean[:, 1:2]
    variance = 0.5 * (np.einsum("nij,ni->n", chance, du**2) + np.einsum("nij,nj->n", chance, dv**2))
    return mean, np.sqrt(variance), chance


def canal_radius(volume: Volume, path: FloatArray, levels: GreyLevels) -> FloatArray:
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
    radii = np.arange(0.0, WALL_REACH_MM, 0.1)
    turns = np.linspace(0.0, 2 * np.pi, 16, endpoint=False)
    offsets = np.stack([np.outer(radii, np.cos(turns)).ravel(), np.outer(radii, np.sin(turns)).ravel()], axis=1)
    patches = section_patches(volume, path, _side_axes(path), offsets, np.array([-0.25, 0.25]), levels.soft_tissue)
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


def _walls(volume: Volume, path: FloatArray, levels: GreyLevels) -> tuple[FloatArray, FloatArray]:
    """Give the distance to the wall in each direction about each station, shape (n, t), nan where it is open.

    Also the unit directions, shape (t, 2), along the two axes across the course.
    """
    radii = np.arange(0.0, WALL_REACH_MM, 0.1)
    turns = np.linspace(0.0, 2 * np.pi, 16, endpoint=False)
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=1)
    offsets = (radii[:, None, None] * ways[None]).reshape(-1, 2)
    patches = section_patches(volume, path, _side_axes(path), offsets, np.array([-0.25, 0.25]), levels.soft_tissue)
    rays = patches.reshape(len(path), len(radii), len(turns)).astype(np.float64)
    rays = ndimage.uniform_filter1d(rays, 5, axis=0, mode="nearest")
    rays = ndimage.gaussian_filter1d(rays, 1.0, axis=2, mode="wrap")
    rays = ndimage.gaussian_filter1d(rays, 1.5, axis=1, mode="nearest")
    step = levels.bone - levels.soft_tissue
    # Each direction has its own inside and its own wall: shading across the tube must not move the middle.
    near = rays[:, : round(WALL_PEAK_MM / 0.1)]
    peak_at = near.argmax(axis=1)
    n, t = np.indices(peak_at.shape)
    peak = near[n, peak_at, t]
    until = np.arange(near.shape[1])[None, :, None] <= peak_at[:, None, :]
    floor = np.where(until, near, np.inf).min(axis=1)
    rise = peak - floor
    typical = np.maximum(np.median(rise, axis=1, keepdims=True), LEAST_WALL * step)
    level = floor + 0.5 * rise
    # The last crossing before the wall's top: dark spots inside the tube do not count.
    under = until & (near < level[:, None, :])
    last = near.shape[1] - 1 - under[:, ::-1].argmax(axis=1)
    last = np.clip(last, 0, near.shape[1] - 2)
    below, above = near[n, last, t], near[n, last + 1, t]
    place = 0.1 * (last + (level - below) / np.maximum(above - below, 1e-9))
    found = under.any(axis=1) & (rise >= OPEN_RISE * typical)
    return np.where(found, np.clip(place, 0.0, WALL_REACH_MM), np.nan), ways


def _recentred(volume: Volume, path: FloatArray, levels: GreyLevels) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Move a course into the middle of its walls; give the standard deviation that their gaps leave, shape (n,).

    Last comes the share of the round on which a wall was found, shape (n,).

    Where the tube is open to soft tissue on one side, the walls of the other sides and the usual radius tell where
    its middle is: distance to a wall = radius - shift along that direction.
    """
    left = walled = np.zeros(len(path))
    for _ in range(RECENTRE_ROUNDS):
        path, left, walled = _one_recentring(volume, path, levels)
    return path, left, ndimage.uniform_filter1d(walled, 5, mode="nearest")


def _one_recentring(
    volume: Volume, path: FloatArray, levels: GreyLevels
) -> tuple[FloatArray, FloatArray, FloatArray]:
    walls, ways = _walls(volume, path, levels)
    closed = np.isfinite(walls)
    if closed.sum() < 16:
        return path, np.full(len(path), OPEN_SIGMA_MM), np.zeros(len(path))
    # Open sides only lengthen the distances: the usual radius lies a little under the middle of them.
    radius = float(np.nanquantile(walls, RADIUS_QUANTILE))
    near = closed & (np.abs(walls - radius) < RECENTRE_MM)
    shift, left, round_ = np.zeros((len(path), 2)), np.zeros(len(path)), np.zeros(len(path))
    for n in range(len(path)):
        used = near[n]
        if used.sum() < 5:
            left[n] = OPEN_SIGMA_MM
            continue
        a = ways[used]
        # A little pull towards no shift keeps a one-sided wall from deciding across it.
        solution = np.linalg.solve(a.T @ a + 1.5 * np.eye(2), a.T @ (walls[n, used] - radius))
        shift[n] = np.clip(solution, -RECENTRE_MM, RECENTRE_MM)
        rest = walls[n, used] - radius - a @ shift[n]
        left[n] = np.hypot(OPEN_SIGMA_MM * (1.0 - used.mean()), REST_SHARE * float(rest.std()))
        round_[n] = float((np.abs(rest) < ROUND_MM).sum()) / len(ways)
    shift = ndimage.gaussian_filter1d(shift, 2.0, axis=0, mode="nearest")
    _, first, second = _side_axes(path)
    moved = path + shift[:, 0:1] * first + shift[:, 1:2] * second
    return moved, ndimage.uniform_filter1d(left, 5, mode="nearest"), round_


def _as_canal(
    volume: Volume,
    side: Side,
    clicks: FloatArray,
    course: _Course,
    levels: GreyLevels,
    degradation: Degradation | None,
) -> Canal:
    path = _smooth(course.path_lps_mm, 0.5, PATH_STEP_MM)
    before = path
    path, open_sigma, walled = _recentred(volume, path, levels)
    from_course = np.linspace(0.0, 1.0, len(course.path_lps_mm))
    to_path = np.linspace(0.0, 1.0, len(path))

    def carried(values: FloatArray) -> FloatArray:
        return np.interp(to_path, from_course, values)

    match = ndimage.uniform_filter1d(carried(course.match), 5, mode="nearest")
    seen = (match >= SEEN_MATCH) & (walled >= WALLED_SHARE)
    if degradation is not None:
        seen &= np.asarray(degradation.level_at(path)) <= STREAKED_LEVEL
    # Single stations do not change a course's state: both kinds last at least 1.5 mm.
    seen = ndimage.binary_closing(ndimage.binary_opening(np.pad(seen, 3, mode="edge"), np.ones(3)), np.ones(3))[
        3:-3
    ]
    voxel = 0.29 * max(volume.spacing_mm)
    path = np.where(seen[:, None], path, before)
    sigma = np.sqrt(carried(course.sigma_mm) ** 2 + LEAST_SIGMA_MM**2 + voxel**2 / 4.0 + open_sigma**2)
    unseen = np.maximum(sigma, click_sigma_mm(volume))
    diameter = np.where(seen, 2.0 * canal_radius(volume, path, levels), np.nan)
    if np.isfinite(diameter).any():
        known = np.flatnonzero(np.isfinite(diameter))
        diameter = np.interp(np.arange(len(path)), known, diameter[known])
    else:
        diameter = np.full(len(path), DEFAULT_DIAMETER_MM)
    return Canal(side, clicks, path, diameter, np.where(seen, sigma, unseen), seen)
