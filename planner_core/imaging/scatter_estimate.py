"""The restoration artifact estimate: bodies, what they added, and the chance that a place is ruined by them."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration, dense_from, find_bodies
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_cells import Cells, cells_of, long_axis
from planner_core.imaging.scatter_chance import chance_of, jaw_region
from planner_core.imaging.scatter_difference import difference_of
from planner_core.imaging.scatter_features import features_of
from planner_core.imaging.scatter_path import Image
from planner_core.progress import Progress, part_of, silent

COUNTED_FROM = 0.1
"""A chance below this adds nothing to a slice's score: a whole jaw of hundredths is no ruin (our choice)."""

LEAST_REGION_CELLS = 20
"""A slice with less of the jaw than this has no score (our choice)."""


@frozen(eq=False)
class Estimate:
    """What `estimate_scatter` found, on the cells.

    Parameters
    ----------
    cells : Cells
    share : float32 array
        Share of each cell that the bodies fill.
    restorations : tuple of Restoration
        Largest first.
    chance : float32 array or None
        Chance (0..1) that the grey value is ruined, 1 inside bodies; None without bodies.
    added : float32 array or None
        What the bodies added, on the relative scale (0 air, 1 soft tissue).
    region : bool array
        The jaw: hard tissue grown by 4 mm without the bodies.
    """

    cells: Cells
    share: Image = field(repr=False)
    restorations: tuple[Restoration, ...]
    chance: Image | None = field(repr=False)
    added: Image | None = field(repr=False)
    region: NDArray[np.bool_] = field(repr=False)


def first_look(volume: Volume, grey: GreyLevels) -> tuple[Cells, Image, tuple[Restoration, ...]]:
    """Give the cells, the bodies' share of each and the bodies: the threshold part, under a second."""
    dense = dense_from(grey)
    cells = cells_of(volume, grey, dense)
    return cells, *find_bodies(volume, cells, grey, dense)


def estimate_scatter(volume: Volume, grey: GreyLevels, progress: Progress = silent) -> Estimate:
    """Find the bodies and estimate where they ruined the scan.

    Raises
    ------
    Cancelled
        From `progress`.
    """
    progress(0.0, "Looking for dense restorations")
    cells, share, restorations = first_look(volume, grey)
    bone = float(grey.relative(grey.bone))
    if not restorations:
        return Estimate(cells, share, (), None, None, jaw_region(cells, cells.relative, share, bone))
    step = part_of(progress, 0.1, 0.9)
    difference = difference_of(cells, share, bone, lambda f, text="": step(f, "Following the beam through them"))
    progress(0.9, "Estimating the degradation")
    chance = chance_of(features_of(cells, share, difference, bone))
    region = jaw_region(cells, cells.relative - difference.added, share, bone)
    chance[share > 0.5] = 1.0
    chance[~cells.inside] = 0.0
    return Estimate(cells, share, restorations, chance, difference.added, region)


def slice_scores(volume: Volume, estimate: Estimate) -> FloatArray:
    """Give, per slice of the scan, the expected share of ruined voxels of the jaw region (0..1)."""
    count = volume.shape[0]
    if estimate.chance is None:
        return np.zeros(count)
    first = long_axis(volume)
    axis = [first, *(a for a in range(3) if a != first)].index(0)
    others = tuple(a for a in range(3) if a != axis)
    inside = estimate.region.sum(axis=others)
    ruined = np.where(estimate.region & (estimate.chance >= COUNTED_FROM), estimate.chance, 0.0).sum(axis=others)
    scores = np.where(inside >= LEAST_REGION_CELLS, ruined / np.maximum(inside, 1), 0.0)
    # Middles of the cells in slice indices of the scan.
    index_from_cell = volume.index_from_lps @ estimate.cells.lps_from_cell
    at = index_from_cell[0, 3] + index_from_cell[0, axis] * np.arange(len(scores))
    order = np.argsort(at)
    return np.asarray(np.interp(np.arange(count), at[order], scores[order]), dtype=np.float64)
