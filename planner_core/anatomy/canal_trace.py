"""The mandibular canal, and other tubes in bone, followed from a few clicks.

The cheapest way through tube-like places, then its centre section by section, with how well it is known at each
station. Where the tube is not seen, it says so.
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from planner_core.anatomy.bone import Degradation
from planner_core.anatomy.canal import GAP_SIGMA_MM_PER_MM, PATH_STEP_MM, click_sigma_mm
from planner_core.anatomy.canal import ordered_from_front as ordered
from planner_core.anatomy.grid import coarse_grid
from planner_core.anatomy.marked import DrawnKind, DrawnStructure
from planner_core.anatomy.structures import Canal, Side
from planner_core.anatomy.tube_course import (
    SEEN_MATCH,
    Course,
    bridged,
    centre,
    plausible,
    smooth,
    tube_costs,
    way_through,
    well_seen,
)
from planner_core.anatomy.tube_walls import WALLED_SHARE, lead_on, recentred, tube_radius
from planner_core.anatomy.tubes import CANAL_SIZE, SMALL_SIZE, TubeSize
from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray, readonly, readonly_bool
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

MARGIN_MM = 9.0
"""How far beyond the clicks the way may lead, mm (our choice: a canal bows by less between clicks)."""

STREAKED_LEVEL = 0.5
"""Degradation of the scan (0..1) from which nothing counts as seen (our choice: half of the scale)."""

LEAST_SIGMA_MM = 0.05
"""Least standard deviation of the centre, mm, before what its walls and the voxel add (our choice, tests/studies
anatomy)."""

SIGMA_SHARE = 0.7
"""What walls and course say of the error, against how far both together really err (our choice, set on 16 mouths of
tests/studies anatomy, seed 9090: both were counted in full and covered 98 % for 95)."""

LEAST_STRETCH_MM = 5.0
"""A seen stretch between unseen ones counts as seen only from this length on, or with a click on it (our choice:
hollows of the marrow look like a tube for a few millimetres)."""

MOST_BRIDGINGS, MOST_SECOND_LOOKS, LEAST_GAIN = 6, 3, 0.03
"""How often unseen stretches are bridged anew at most and looked for again after that, and the share of the course
that must have come into sight for another turn (our choice, tests/studies anatomy)."""

UNSEEN_MM = 1.0
"""Standard deviation per axis of a course where its tube is not seen, mm, as its smoother takes it (our choice: the
next hollow is as far; tests/studies anatomy)."""

CLICKED_MM = 1.2
"""A click is on a stretch within this of its course, mm (our choice: three standard deviations of a hand-set
point)."""


@frozen(eq=False)
class TracedTube:
    """A tube that was followed.

    Parameters
    ----------
    control_lps_mm : array of shape (k, 3)
        The clicks in their order along the tube.
    path_lps_mm : array of shape (n, 3)
    diameter_mm, sigma_mm : arrays of shape (n,)
    certain : bool array of shape (n,)
    """

    control_lps_mm: FloatArray = field(converter=readonly)
    path_lps_mm: FloatArray = field(converter=readonly)
    diameter_mm: FloatArray = field(converter=readonly)
    sigma_mm: FloatArray = field(converter=readonly)
    certain: AnyArray = field(converter=readonly_bool)


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
    tube = trace_tube(volume, clicks_lps_mm, CANAL_SIZE, progress, levels, degradation)
    return Canal(side, tube.control_lps_mm, tube.path_lps_mm, tube.diameter_mm, tube.sigma_mm, tube.certain)


DRAWN_SIZES = {DrawnKind.INCISIVE_CANAL: SMALL_SIZE, DrawnKind.SINUS_ARTERY: SMALL_SIZE}
"""What else runs as a tube through bone, and its size; vessels in soft tissue show no wall."""


def trace_drawn(
    volume: Volume,
    kind: DrawnKind,
    name: str,
    clicks_lps_mm: ArrayLike,
    progress: Progress = silent,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
) -> DrawnStructure:
    """Follow an incisive canal or the artery of a sinus wall through clicks, as `trace_canal` follows the canal.

    Raises
    ------
    PlannerError
        If this kind of structure is no tube in bone, or as for `trace_canal`.
    """
    if kind not in DRAWN_SIZES:
        raise PlannerError(f"The {kind.value} cannot be followed by itself.", "Draw it by hand.")
    tube = trace_tube(volume, clicks_lps_mm, DRAWN_SIZES[kind], progress, levels, degradation)
    return DrawnStructure(
        name,
        kind,
        tube.path_lps_mm,
        tube.diameter_mm,
        tube.sigma_mm,
        tube.certain,
        control_lps_mm=tube.control_lps_mm,
    )


def trace_tube(
    volume: Volume,
    clicks_lps_mm: ArrayLike,
    size: TubeSize = CANAL_SIZE,
    progress: Progress = silent,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
) -> TracedTube:
    """Follow a tube in bone through clicks; parameters and errors as for `trace_canal`."""
    clicks = ordered(clicks_lps_mm)
    if not volume.contains(clicks).all():
        raise PlannerError("A click lies outside the scan.", "Click inside the scan.")
    progress(0.0, "Following the tube")
    levels = calibrate_grey(volume) if levels is None else levels
    grid = coarse_grid(volume, size.grid_mm, np.vstack([clicks - MARGIN_MM, clicks + MARGIN_MM]))
    costs = tube_costs(grid, levels, size)
    progress(0.4, "Following the tube")
    path = smooth(way_through(grid, costs, clicks), 1.2)
    course = centre(volume, path, clicks, levels, size)
    for turn in range(MOST_BRIDGINGS):
        progress(0.5 + 0.4 * turn / MOST_BRIDGINGS, "Centring the tube")
        before = float(well_seen(course).mean())
        course = centre(volume, bridged(course, clicks), clicks, levels, size)
        # What is seen now leads the next bridge closer to what the first way missed.
        if float(well_seen(course).mean()) < before + LEAST_GAIN:
            break
    progress(0.95, "Measuring the tube")
    tube = _measured(volume, clicks, course, levels, degradation, size)
    return _looked_again(volume, tube, levels, degradation, size)


def _looked_again(
    volume: Volume, tube: TracedTube, levels: GreyLevels, degradation: Degradation | None, size: TubeSize
) -> TracedTube:
    """Look for a tube once more about its course: led over what was not seen, it may have come near the tube."""
    clicks = tube.control_lps_mm
    for _ in range(MOST_SECOND_LOOKS):
        if tube.certain.all():
            break
        nearer = centre(volume, smooth(tube.path_lps_mm, 0.5), clicks, levels, size)
        again = _measured(volume, clicks, nearer, levels, degradation, size)
        if again.certain.mean() < tube.certain.mean() + LEAST_GAIN:
            break
        tube = again
    return tube


def _measured(
    volume: Volume,
    clicks: FloatArray,
    course: Course,
    levels: GreyLevels,
    degradation: Degradation | None,
    size: TubeSize,
) -> TracedTube:
    before = smooth(course.path_lps_mm, 0.5, PATH_STEP_MM)
    path, left, walled = recentred(volume, before, levels, size)
    from_course = np.linspace(0.0, 1.0, len(course.path_lps_mm))
    to_path = np.linspace(0.0, 1.0, len(path))

    def carried(values: FloatArray) -> FloatArray:
        return np.interp(to_path, from_course, values)

    match = ndimage.uniform_filter1d(carried(course.match), 5, mode="nearest")
    seen = (match >= SEEN_MATCH) & (walled >= WALLED_SHARE) & plausible(path)
    if degradation is not None:
        seen &= np.asarray(degradation.level_at(path)) <= STREAKED_LEVEL
    seen = _lasting(seen, path, clicks)
    if seen.any():
        # What looks like a tube where none is seen is a hollow or a streak: the course is led over it.
        path = lead_on(path, np.where(seen, left, UNSEEN_MM))[0]
    # The course's own spread tells of another hollow beside it, what is left between the walls does not.
    sigma = np.sqrt(LEAST_SIGMA_MM**2 + SIGMA_SHARE**2 * (left**2 + carried(course.sigma_mm) ** 2))
    # Where it is not seen the course is only joined up: it errs by a click and grows with the gap.
    known = np.vstack([clicks, path[seen]])
    gap = cKDTree(known).query(path)[0]
    unseen = np.sqrt(sigma**2 + click_sigma_mm(volume) ** 2 + (GAP_SIGMA_MM_PER_MM * gap) ** 2)
    diameter = np.where(seen, 2.0 * tube_radius(volume, path, levels, size), np.nan)
    if np.isfinite(diameter).any():
        known = np.flatnonzero(np.isfinite(diameter))
        diameter = np.interp(np.arange(len(path)), known, diameter[known])
    else:
        diameter = np.full(len(path), size.diameter_mm)
    return TracedTube(clicks, path, diameter, np.where(seen, sigma, unseen), seen)


def _lasting(seen: NDArray[np.bool_], path: FloatArray, clicks: FloatArray) -> NDArray[np.bool_]:
    """Drop changes of state over single stations, and short seen stretches that no click vouches for."""
    padded = ndimage.binary_opening(np.pad(seen, 3, mode="edge"), np.ones(3))
    seen = ndimage.binary_closing(padded, np.ones(3))[3:-3]
    pieces, count = ndimage.label(seen)
    for k in range(1, count + 1):
        own = path[pieces == k]
        away = np.linalg.norm(own[:, None] - clicks[None], axis=2).min()
        if len(own) * PATH_STEP_MM < LEAST_STRETCH_MM and away > CLICKED_MM:
            seen[pieces == k] = False
    return np.asarray(seen)
