"""What the restorations added to a scan: the scan minus its own image-domain reduction.

The bodies are projected through the likely path of the beam; along the lines that pass them, what the projected
scan says is replaced by what its surroundings and a prior of plain tissue say (normalised, after Meyer et al. 2010,
Med Phys 37:5482; M), and the difference alone is reconstructed. So nothing outside the field of view is needed, and
what the bodies did not touch stays as it was.
"""

from __future__ import annotations

from functools import partial

import numpy as np
from attrs import field, frozen
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from planner_core.imaging.scatter_cells import Cells
from planner_core.imaging.scatter_path import Image, beam_path, in_slabs
from planner_core.progress import Progress, part_of, silent

VIEWS = 200
"""Views of the assumed path (our choice: streaks between views stay below the threshold of harm at jaw size)."""

ROUNDS = 3
"""Times that the difference is made, each time with a prior from the scan without the last one (our choice: on
simulated mouths the correlation with the truth grows by 0.05 to 0.09 in three rounds, by 0.01 in the next two)."""

STRETCH = 1.6
"""Each round goes further than it says by this factor (our choice; as good as twice the rounds)."""

TRACE_FROM_MM = 0.25
"""A line belongs to the trace of the bodies from this length inside them (our choice: a third of a cell)."""

SMOOTH_MM = 0.6
"""Blur of the scan before tissues are told apart for the prior (our choice)."""

BODY_LINE_MM = 0.7
"""Length in a body after which little of the beam is left: half-value layer of zirconia 0.41 mm at 60 keV (FACTS.md
section 8)."""

SOFT_PER_MM = 0.02
"""Attenuation of soft tissue at 60 keV, 1/mm (NIST, FACTS.md section 0 row 7)."""


@njit(nogil=True, cache=True)
def _bridge(values, trace, first, last, out):  # type: ignore[no-untyped-def]
    """Take off, in each run of trace along the columns, the line between its ends; outside the trace write zero."""
    _, columns, rows = values.shape
    for view in range(first, last):
        for row in range(rows):
            u = 0
            while u < columns:
                if not trace[view, u, row]:
                    out[view, u, row] = 0.0
                    u += 1
                    continue
                end = u
                while end < columns and trace[view, end, row]:
                    end += 1
                right = values[view, end, row] if end < columns else np.float32(0.0)
                left = values[view, u - 1, row] if u > 0 else right
                right = right if end < columns else left
                for k in range(u, end):
                    line = left + (right - left) * np.float32((k - u + 1) / (end - u + 1))
                    out[view, k, row] = values[view, k, row] - line
                u = end


def _bridge_slab(values: Image, trace: NDArray[np.bool_], out: Image, first: int, last: int) -> None:
    _bridge(values, trace, first, last, out)


@frozen(eq=False)
class Difference:
    """What the bodies added, on the cells, and how their shadows lie.

    Parameters
    ----------
    added : float32 array
        Scan minus reduced scan on the relative scale (1 = air to soft tissue); meaningless inside bodies.
    shadow : float32 array
        Mean over the lines through a cell of how much of the beam the bodies took from them, 0..1.
    shadow_length_mm : float32 array
        Mean length inside bodies of the lines through a cell.
    patterns : tuple of float32 arrays
        Streaks as errors in proportion to the squared length in bodies, and to the tissue that a stopped line
        crosses, would draw them; any unit.
    """

    added: Image = field(repr=False)
    shadow: Image = field(repr=False)
    shadow_length_mm: Image = field(repr=False)
    patterns: tuple[Image, Image] = field(repr=False)


def prior_of(relative: Image, bodies: NDArray[np.bool_], bone: float, cell_mm: float) -> Image:
    """Give the plain tissue under the streaks: air, one soft tissue, bone as it is; bodies become soft tissue."""
    smooth = gaussian_filter(relative, SMOOTH_MM / cell_mm)
    hard = 1.0 + 0.4 * (bone - 1.0)
    dense = np.clip(relative, 1.0, 1.0 + 2.6 * (bone - 1.0))
    prior = np.where(smooth < 0.5, 0.0, np.where(smooth < hard, 1.0, dense))
    prior[bodies] = 1.0
    return prior.astype(np.float32)


def difference_of(
    cells: Cells, share: Image, bone: float, progress: Progress = silent, rounds: int = ROUNDS
) -> Difference:
    """Work out what the bodies added.

    Parameters
    ----------
    cells : Cells
    share : float32 array
        Share of each cell that the bodies fill.
    bone : float
        Bone on the relative scale (0 air, 1 soft tissue).
    """
    path = beam_path(cells.shape, cells.cell_mm, VIEWS)
    length = path.project(share, part_of(progress, 0.0, 0.08))
    trace = length > TRACE_FROM_MM
    scan = path.project(cells.relative, part_of(progress, 0.08, 0.2))
    added = np.zeros(cells.shape, np.float32)
    bodies = share > 0.05
    odd, apart = np.empty_like(scan), scan
    for turn in range(rounds):
        step = part_of(progress, 0.2 + 0.6 * turn / rounds, 0.2 + 0.6 * (turn + 1) / rounds)
        prior = prior_of(cells.relative - added, bodies, bone, cells.cell_mm)
        apart = path.project(prior, part_of(step, 0.0, 0.4))
        np.subtract(scan, apart, out=apart)
        in_slabs(partial(_bridge_slab, apart, trace, odd), len(odd))
        (new,) = path.reconstruct([odd], part_of(step, 0.4, 1.0))
        added = new if turn == 0 else added + np.float32(STRETCH) * (new - added)
    del odd, trace
    # What the prior projects to: the tissue that a line crosses.
    np.subtract(scan, apart, out=scan)
    del apart
    shadow_length, squared = (
        path.smear([length], part_of(progress, 0.8, 0.85))[0],
        path.reconstruct([length**2], part_of(progress, 0.85, 0.9))[0],
    )
    taken = length
    np.subtract(1.0, np.exp(-length / np.float32(BODY_LINE_MM)), out=taken)
    shadow = path.smear([taken], part_of(progress, 0.9, 0.95))[0]
    taken *= scan
    taken *= np.float32(SOFT_PER_MM)
    (stopped,) = path.reconstruct([taken], part_of(progress, 0.95, 1.0))
    return Difference(added, shadow, shadow_length, (squared, stopped))
