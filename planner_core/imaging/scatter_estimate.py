"""The restoration artifact estimate: bodies, what they added, and the chance that a place is ruined by them."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration, dense_from, find_bodies, may_cut_enamel, measured_small
from planner_core.imaging.bodies_small import small_bodies
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_cells import Cells, cells_of, long_axis
from planner_core.imaging.scatter_chance import chance_of, jaw_region
from planner_core.imaging.scatter_difference import difference_of
from planner_core.imaging.scatter_features import features_of
from planner_core.imaging.scatter_path import Image
from planner_core.progress import Progress, part_of, silent

COUNTED_FROM = 0.1
"""A chance below this adds nothing to a slice's score: a whole jaw of hundredths is no ruin (our choice)."""

SHELL_MM = (1.0, 4.0)
"""Around a body, between these distances, streaks are looked for (our choice)."""

STREAKS_FROM = 0.11
"""Root mean square of what was added there, in soft-to-bone distances, from which on a body throws streaks; asked
only where the scale is cut within reach of enamel (our choice: 0.12 to 0.16 around restorations of simulated
mouths, 0.08 to 0.11 around their cut enamel)."""

SURELY_DENSE_MM3 = 200.0
"""Larger bodies than this are kept unasked: no cap of enamel is that large (our choice)."""

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
    cells, share, restorations = first_look(volume, grey)
    small = _small(volume, grey, restorations)
    bone = float(grey.relative(grey.bone))
    if not restorations:
        return Estimate(cells, share, (), None, None, jaw_region(cells, cells.relative, share, bone), small)
    step = part_of(progress, 0.1, 0.9)

    def follow(fraction: float, text: str = "") -> None:
        step(fraction, "Following the beam through them")

    difference = difference_of(cells, share, bone, follow)
    if may_cut_enamel(grey):
        kept = _throw_streaks(cells, share, restorations, difference.added / np.float32(bone - 1.0))
        if len(kept) < len(restorations):
            restorations = kept
            share = _share_of(cells, share, restorations)
            if not restorations:
                return Estimate(cells, share, (), None, None, jaw_region(cells, cells.relative, share, bone), small)
            difference = difference_of(cells, share, bone, follow)
    progress(0.9, "Estimating the degradation")
    chance = chance_of(features_of(cells, share, difference, bone))
    region = jaw_region(cells, cells.relative - difference.added, share, bone)
    chance[share > 0.5] = 1.0
    chance[~cells.inside] = 0.0
    return Estimate(cells, share, restorations, chance, difference.added, region, small)


def _small(volume: Volume, grey: GreyLevels, restorations: tuple[Restoration, ...]) -> tuple[Restoration, ...]:
    """Measure the small bodies that are no part of a larger one."""
    found = [measured_small(volume, grey, voxels) for voxels in small_bodies(volume, grey)]
    return tuple(
        body
        for body in found
        if not any(np.linalg.norm(body.centre_lps_mm - r.centre_lps_mm) < 2.0 for r in restorations)
    )


def _labels(cells: Cells, share: Image) -> tuple[NDArray[np.int32], FloatArray]:
    """Give connected bodies (from 1) and the middle of each in LPS."""
    labels, count = ndimage.label(share > 0, structure=np.ones((3, 3, 3)))
    middles = np.array(ndimage.center_of_mass(share, labels, np.arange(1, count + 1))).reshape(-1, 3)
    return labels, middles @ cells.lps_from_cell[:3, :3].T + cells.lps_from_cell[:3, 3]


def _throw_streaks(
    cells: Cells, share: Image, restorations: tuple[Restoration, ...], added: Image
) -> tuple[Restoration, ...]:
    """Leave out bodies around which nothing was added: where the scale is cut, enamel looks as dense as ceramic."""
    labels, middles = _labels(cells, share)
    bodies = share > 0.05
    edge = ndimage.binary_dilation(bodies)
    kept = []
    for body in restorations:
        if body.volume_mm3 >= SURELY_DENSE_MM3:
            kept.append(body)
            continue
        number = int(np.argmin(np.linalg.norm(middles - body.centre_lps_mm, axis=1))) + 1
        box = ndimage.find_objects((labels == number).astype(np.int8))[0]
        margin = int(np.ceil(SHELL_MM[1] / cells.cell_mm)) + 1
        part = tuple(slice(max(s.start - margin, 0), s.stop + margin) for s in box)
        mine = labels[part] == number
        away = ndimage.distance_transform_edt(~mine) * cells.cell_mm
        others = ndimage.binary_dilation(bodies[part] & ~mine, iterations=4)
        shell = (away > SHELL_MM[0]) & (away < SHELL_MM[1]) & ~others & ~edge[part]
        if not shell.any() or float(np.sqrt(np.mean(added[part][shell] ** 2))) >= STREAKS_FROM:
            kept.append(body)
    return tuple(kept)


def _share_of(cells: Cells, share: Image, restorations: tuple[Restoration, ...]) -> Image:
    """Give the share of the cells that these restorations fill."""
    labels, middles = _labels(cells, share)
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
