"""The restoration artifact estimate: bodies, what they added, and the chance that a place is ruined by them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration, dense_from, find_bodies, may_cut_enamel, measured_small
from planner_core.imaging.bodies_answers import faint_restorations, kinds_named, labelled
from planner_core.imaging.bodies_small import small_bodies
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_cells import Cells, cells_of, long_axis
from planner_core.imaging.scatter_chance import added_of, chance_of, jaw_of
from planner_core.imaging.scatter_inputs import inputs_of
from planner_core.imaging.scatter_less import less_added
from planner_core.imaging.scatter_network import answers_of, network
from planner_core.imaging.scatter_path import Image
from planner_core.imaging.scatter_physics import beam_errors
from planner_core.progress import Progress, part_of, silent

COUNTED_FROM = 0.02
"""A chance below this adds nothing to a slice's score: a whole jaw of thousandths is no ruin (our choice)."""

LIKELY_BODY = 0.5
"""Where the scale is cut within reach of enamel, a dense body below this chance of being a restoration is enamel
(our choice)."""

LARGE_MM3, LIKELY_LARGE = 200.0, 0.2
"""Larger bodies than this are kept from this lower chance on: no cap of enamel is that large, but caps that touch,
as upper and lower teeth in contact do, are together (on simulated mouths with the scale cut there restorations have
0.37 and more, such clumps of enamel 0.05 and less)."""

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
    small : tuple of Restoration
        Small dense bodies that stand alone: markers. They throw no streaks to speak of.
    """

    cells: Cells
    share: Image = field(repr=False)
    restorations: tuple[Restoration, ...]
    chance: Image | None = field(repr=False)
    added: Image | None = field(repr=False)
    region: NDArray[np.bool_] = field(repr=False)
    small: tuple[Restoration, ...] = ()


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
    cells, share, dense = first_look(volume, grey)
    answers = _answers(cells, share, grey, part_of(progress, 0.1, 0.95))
    named, sure = kinds_named(answers, cells, share, dense)
    if may_cut_enamel(grey):
        kept = no_enamel(named, sure)
        if len(kept) < len(named):
            share = _share_of(cells, share, kept)
            answers = _answers(cells, share, grey, part_of(progress, 0.1, 0.95))
            named, _ = kinds_named(answers, cells, share, kept)
    bodies = share > 0.02
    faint = faint_restorations(answers, cells, ndimage.binary_dilation(bodies, iterations=2))
    restorations = (*named, *faint)
    region = jaw_of(answers, cells, bodies)
    if not restorations:
        return Estimate(cells, share, (), None, None, region, _small(volume, grey, ()))
    added = added_of(answers)
    cells_from_lps = np.asarray(np.linalg.inv(cells.lps_from_cell), dtype=np.float64)
    in_greys = added * np.float32(grey.contrast)
    small = _small(volume, grey, restorations, lambda slab: less_added(slab, grey, in_greys, cells_from_lps))
    chance = chance_of(answers)
    chance[share > 0.5] = 1.0
    chance[~cells.inside] = 0.0
    return Estimate(cells, share, restorations, chance, added, region, small)


def no_enamel(bodies: tuple[Restoration, ...], chances: tuple[float, ...]) -> tuple[Restoration, ...]:
    """Give the bodies that are likely no cut enamel, by their chances of being restorations."""
    return tuple(
        body
        for body, chance in zip(bodies, chances, strict=True)
        if chance >= (LIKELY_LARGE if body.volume_mm3 >= LARGE_MM3 else LIKELY_BODY)
    )


def _answers(cells: Cells, share: Image, grey: GreyLevels, progress: Progress) -> NDArray[np.float16]:
    """Follow the beam and ask the network."""
    step = part_of(progress, 0.0, 0.65)
    errors = None
    if share.any():
        errors = beam_errors(cells, share, lambda f, _="": step(f, "Following the beam through the restorations"))
    channels = inputs_of(cells, share, errors, grey)
    del errors
    reading = part_of(progress, 0.65, 1.0)
    return answers_of(channels, network(), lambda f, _="": reading(f, "Estimating the degradation"))


def _small(
    volume: Volume,
    grey: GreyLevels,
    restorations: tuple[Restoration, ...],
    less: Callable[[Volume], Volume] | None = None,
) -> tuple[Restoration, ...]:
    """Measure small bodies that are no part of a larger one: found without the streaks, measured on the scan."""
    found = [measured_small(volume, grey, voxels) for voxels in small_bodies(volume, grey, less=less)]
    return tuple(
        body
        for body in found
        if not any(np.linalg.norm(body.centre_lps_mm - r.centre_lps_mm) < 2.0 for r in restorations)
    )


def _share_of(cells: Cells, share: Image, restorations: tuple[Restoration, ...]) -> Image:
    """Give the share of the cells that these restorations fill."""
    labels, middles = labelled(cells, share)
    numbers = [int(np.argmin(np.linalg.norm(middles - b.centre_lps_mm, axis=1))) + 1 for b in restorations]
    return np.where(np.isin(labels, numbers), share, np.float32(0.0))


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
