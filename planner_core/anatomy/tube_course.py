"""The course of a tube between clicks: the cheapest way, its centre by sections, and what cannot be its course."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.canal import CLICK_SIGMA_MM, PATH_STEP_MM
from planner_core.anatomy.grid import Grid
from planner_core.anatomy.sampling import section_patches
from planner_core.anatomy.shortest import cheapest_path
from planner_core.anatomy.tubes import CANAL_SIZE, TubeSize, section_templates, tube_likeness
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, perpendicular, unit
from planner_core.geometry.polyline import at_lengths, lengths_mm, smooth_through, tangents
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

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

WIDTH_KEEPS = 0.3
"""Logarithm by which a tube's radius may differ from the middle one of its course (our choice: a third; the
simulated canals keep theirs within a twentieth, real ones taper slowly, M)."""

LEAST_SEEN_MM = 3.0
"""Shorter stretches that look seen do not lead the course, mm (our choice: trabecular gaps are that long)."""

SEEN_MATCH = 0.5
"""Correlation with the template from which the canal counts as seen; trabecular bone alone reaches 0.4 (our choice,
tests/core/anatomy and tests/studies anatomy)."""


TURN_REACH_MM, LARGEST_TURN_DEG = 4.0, 40.0
DETOUR_REACH_MM, LARGEST_DETOUR = 8.0, 1.15
"""A course that turns by more over this length to either side, or is longer than the straight way by more, is no
canal's there (our choice: the simulated canals behind their front turn by 20 degrees at most and are 1.04 times as
long; real ones bow gently too, M)."""

FRONT_MM = 8.0
"""Length at the front end in which a canal may turn sharply, mm (the loop to the foramen; our choice)."""


@frozen(eq=False)
class Course:
    """The centre found along a course, before it becomes a canal."""

    path_lps_mm: FloatArray
    sigma_mm: FloatArray
    match: FloatArray


def tube_costs(grid: Grid, levels: GreyLevels, size: TubeSize = CANAL_SIZE) -> NDArray[np.float32]:
    """Give the cost per mm of leading a tube through each place of a grid."""
    likeness = tube_likeness(grid, levels, size)
    step = levels.bone - levels.soft_tissue
    dense = np.maximum(grid.grey - levels.bone_threshold, 0.0) / step
    air = np.maximum(levels.air_threshold - grid.grey, 0.0) / max(levels.contrast, 1e-6)
    costs = 1.0 / (COST_FLOOR + likeness**COST_POWER) + DENSE_COST * dense + 100.0 * air
    return np.asarray(costs, dtype=np.float32)


def way_through(grid: Grid, costs: NDArray[np.float32], clicks: FloatArray) -> FloatArray:
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


def smooth(path: FloatArray, sigma_mm: float, step_mm: float = COURSE_STEP_MM) -> FloatArray:
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


def bridged(course: Course, clicks: FloatArray) -> FloatArray:
    """Lead the course past stretches that are not seen through clicks only, never along another hollow."""
    path, seen = course.path_lps_mm, well_seen(course)
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
        return smooth(path, 0.8)
    return smooth(smooth_through(points[keep], PATH_STEP_MM), 0.8)


def well_seen(course: Course) -> NDArray[np.bool_]:
    """Tell where a course is seen well enough to lead on, shape (n,)."""
    seen = ndimage.uniform_filter1d(course.match, 3, mode="nearest") >= SEEN_MATCH
    size = round(LEAST_SEEN_MM / COURSE_STEP_MM)
    seen = ndimage.binary_opening(np.pad(seen, size, mode="edge"), np.ones(size))[size:-size]
    return np.asarray(seen & plausible(course.path_lps_mm))


def plausible(path: FloatArray) -> NDArray[np.bool_]:
    """Tell where an even course can be a canal's: False about sharp turns and on detours behind the front end.

    Hollows of the marrow look like a tube for some millimetres; what gives them away is that the course has to turn
    into them and out again.
    """
    step = float(np.median(np.linalg.norm(np.diff(path, axis=0), axis=1)))
    free = np.arange(len(path)) * step < FRONT_MM
    turning = _turn_deg(path, round(TURN_REACH_MM / step)) > LARGEST_TURN_DEG
    straying = _detour(path, round(DETOUR_REACH_MM / step)) > LARGEST_DETOUR
    turning = ndimage.binary_dilation(turning & ~free, iterations=round(TURN_REACH_MM / step))
    straying = ndimage.binary_dilation(straying & ~free, iterations=round(0.7 * DETOUR_REACH_MM / step))
    return np.asarray(~(turning | straying) | (free & ~turning))


def _turn_deg(path: FloatArray, reach: int) -> FloatArray:
    """Give the angle between the ways from `reach` places before and to as many behind each place, degrees."""
    out = np.zeros(len(path))
    if len(path) <= 2 * reach or reach < 1:
        return out
    before, behind = path[reach:-reach] - path[: -2 * reach], path[2 * reach :] - path[reach:-reach]
    lengths = np.linalg.norm(before, axis=1) * np.linalg.norm(behind, axis=1)
    cosine = np.einsum("ij,ij->i", before, behind) / np.maximum(lengths, 1e-9)
    out[reach:-reach] = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0)))
    return out


def _detour(path: FloatArray, reach: int) -> FloatArray:
    """Give the course's length over the straight way, about each place over `reach` places to either side."""
    out = np.ones(len(path))
    if len(path) <= 2 * reach or reach < 1:
        return out
    along = lengths_mm(path)
    straight = np.linalg.norm(path[2 * reach :] - path[: -2 * reach], axis=1)
    out[reach:-reach] = (along[2 * reach :] - along[: -2 * reach]) / np.maximum(straight, 1e-9)
    return out


def side_axes(path: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give tangents and two turning-free directions across a course, each of shape (n, 3)."""
    along = tangents(path)
    first = np.empty_like(along)
    first[0] = perpendicular(along[0])
    for k in range(1, len(path)):
        carried = first[k - 1] - along[k] * float(first[k - 1] @ along[k])
        first[k] = unit(carried)
    return along, first, np.cross(along, first)


def centre(
    volume: Volume, path: FloatArray, clicks: FloatArray, levels: GreyLevels, size: TubeSize = CANAL_SIZE
) -> Course:
    """Give the most likely centre along a course (forward-backward over shifts across it; Rabiner 1989, M)."""
    templates = section_templates(size)
    along, u, v = side_axes(path)
    patches = section_patches(
        volume, path, (along, u, v), templates.offsets_mm, np.array(SLAB_MM), levels.soft_tissue
    )
    step = levels.bone - levels.soft_tissue
    patches = np.clip(patches, levels.soft_tissue - 0.5 * step, levels.bone + 0.25 * step)
    match = templates.match(patches)
    best = match[:, _usual_radii(match, np.array(size.radii_mm))].max(axis=1)
    evidence = EVIDENCE * np.maximum(best, 0.0)
    evidence += _click_evidence(path, clicks, u, v, templates.shifts_mm)
    mean, spread, chance = _forward_backward(evidence, templates.shifts_mm)
    middle = path + mean[:, 0:1] * u + mean[:, 1:2] * v
    return Course(middle, spread, np.einsum("nij,nij->n", best, chance))


def _usual_radii(match: NDArray[np.float32], radii_mm: FloatArray) -> NDArray[np.bool_]:
    """Tell which radii are about the course's own, shape (radii,): a tube keeps its width along its course.

    Pockets of the marrow beside it, and what is left between its wall and the cortex, are narrower.
    """
    per_radius = match.max(axis=(2, 3))
    chosen, fit = radii_mm[per_radius.argmax(axis=1)], np.maximum(per_radius.max(axis=1), 0.0) ** 2
    order = np.argsort(chosen)
    share = np.cumsum(fit[order])
    middle = chosen[order][int(np.searchsorted(share, 0.5 * share[-1]))]
    return np.asarray(np.abs(np.log(radii_mm / middle)) <= WIDTH_KEEPS)


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
