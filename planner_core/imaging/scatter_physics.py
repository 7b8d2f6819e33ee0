"""What the beam does behind dense bodies, worked out on the cells of a scan: the errors that it would draw.

Two views of the same thing. The *difference* takes the scan apart: along the lines that pass the bodies, what the
projected scan says is replaced by what its surroundings and a prior of plain tissue say (normalised, after Meyer et
al. 2010, Med Phys 37:5482; M), and what that changes is reconstructed. The *patterns* put the error together: a
stopped line misses what a beam hardened or used up by a body of that length, in front of that much tissue, would
miss, for lengths after which zirconia, metal and lighter things have used it up. Neither needs anything from
outside the field of view, and neither knows how much of each there is: that is learned (`scatter_network`).
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

VIEWS = 180
"""Views of the assumed path (our choice: streaks between views stay below the threshold of harm at jaw size)."""

ROUNDS = 2
"""Times that the difference is made, each time with a prior from the scan without the last one (our choice)."""

STRETCH = 1.6
"""Each round goes further than it says by this factor (our choice; as good as twice the rounds)."""

TRACE_FROM_MM = 0.25
"""A line belongs to the trace of the bodies from this length inside them (our choice: a third of a cell)."""

SMOOTH_MM = 0.6
"""Blur of the scan before tissues are told apart for the prior (our choice)."""

STEEP_MM, BODY_LINE_MM = 0.25, 0.7
"""Lengths in a body after which a third of the beam is left: 0.25 mm for the soft part of the beam, 0.7 mm for the
rest; the half-value layer of zirconia is 0.41 mm at 60 keV (FACTS.md section 8)."""

SOFT_PER_MM = 0.02
"""Attenuation of soft tissue at 60 keV, 1/mm (NIST, FACTS.md section 0 row 7)."""

HARD_FROM_SOFT = 0.42
"""Bone in the prior from this share of the air-to-soft distance above soft tissue on, and up to `DENSEST`."""

DENSEST = 4.0
"""Nothing of a mouth is denser than this many air-to-soft distances above soft tissue (enamel: 2.9 x 0.59 / 0.24 at
50 keV, less what the beam has hardened; FACTS.md section 8)."""


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
class BeamErrors:
    """What the bodies may have added, on the cells.

    Parameters
    ----------
    difference : float32 array
        Scan minus reduced scan on the relative scale (1 = air to soft tissue); meaningless inside bodies.
    shadow : float32 array
        Mean over the lines through a cell of how much of the beam the bodies took from them, 0..1.
    shadow_length_mm : float32 array
        Mean length inside bodies of the lines through a cell.
    patterns : tuple of four float32 arrays
        Errors drawn by lines that miss: what is stopped, what is stopped early times the tissue crossed, what is
        stopped times the tissue crossed, the squared length; any unit.
    """

    difference: Image = field(repr=False)
    shadow: Image = field(repr=False)
    shadow_length_mm: Image = field(repr=False)
    patterns: tuple[Image, Image, Image, Image] = field(repr=False)


def prior_of(relative: Image, bodies: NDArray[np.bool_], cell_mm: float) -> Image:
    """Give the plain tissue under the streaks: air, one soft tissue, bone as it is; bodies become soft tissue."""
    smooth = gaussian_filter(relative, SMOOTH_MM / cell_mm)
    prior = np.clip(relative, 1.0, 1.0 + DENSEST)
    prior[smooth < 1.0 + HARD_FROM_SOFT] = 1.0
    prior[smooth < 0.5] = 0.0
    prior[bodies] = 1.0
    return np.asarray(prior, dtype=np.float32)


def _used_up(length_mm: Image, each_mm: float) -> Image:
    """Give the share of the beam that is used up after a length, in one array."""
    out = length_mm * np.float32(-1.0 / each_mm)
    np.exp(out, out=out)
    return np.subtract(np.float32(1.0), out, out=out)


def beam_errors(cells: Cells, share: Image, progress: Progress = silent) -> BeamErrors:
    """Work out what the bodies may have added.

    Parameters
    ----------
    cells : Cells
    share : float32 array
        Share of each cell that the bodies fill.
    """
    path = beam_path(cells.shape, cells.cell_mm, VIEWS)
    length = path.project(share, part_of(progress, 0.0, 0.1))
    trace = length > TRACE_FROM_MM
    scan = path.project(cells.relative, part_of(progress, 0.1, 0.2))
    added = np.zeros(cells.shape, np.float32)
    bodies = share > 0.05
    odd = apart = np.empty_like(scan)
    for turn in range(ROUNDS):
        step = part_of(progress, 0.2 + 0.5 * turn / ROUNDS, 0.2 + 0.5 * (turn + 1) / ROUNDS)
        del apart
        prior = prior_of(cells.relative - added, bodies, cells.cell_mm)
        apart = path.project(prior, part_of(step, 0.0, 0.4))
        del prior
        np.subtract(scan, apart, out=apart)
        in_slabs(partial(_bridge_slab, apart, trace, odd), len(odd))
        (new,) = path.reconstruct([odd], part_of(step, 0.4, 1.0))
        added = new if turn == 0 else added + np.float32(STRETCH) * (new - added)
    del odd, trace
    # What the prior projects to: the tissue that a line crosses.
    np.subtract(scan, apart, out=scan)
    scan *= np.float32(SOFT_PER_MM)
    del apart
    taken = _used_up(length, BODY_LINE_MM)
    shadow, shadow_length = path.smear([taken, length], part_of(progress, 0.7, 0.8))
    stopped, before_tissue = path.reconstruct([taken, taken * scan], part_of(progress, 0.8, 0.9))
    del taken
    scan *= _used_up(length, STEEP_MM)
    np.multiply(length, length, out=length)
    early, squared = path.reconstruct([scan, length], part_of(progress, 0.9, 1.0))
    return BeamErrors(added, shadow, shadow_length, (stopped, early, before_tissue, squared))
