"""The scan on coarse cubic cells along the patient's long axis: small enough to be projected in seconds."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numba import njit
from numpy.typing import NDArray

from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_path import in_slabs

CELL_MM = 0.6
"""Wanted edge of a cell (our choice: streaks are wider than two of them, and a jaw then has a million)."""

MOST_CELLS = 1_300_000
"""Cells grow until they are no more than this, so that a whole head takes no longer than a jaw (our choice)."""

LEAST_SAMPLES = 3
"""Points read along each edge of a cell, at least: with one or two, cells that are no whole number of voxels
jitter by up to half a voxel (on six simulated mouths of 0.4 and 0.45 mm the average precision rose by .005 with
more)."""


@njit(nogil=True, cache=True)
def _average(stored, start, steps, count, dense, first, last, mean, share):  # type: ignore[no-untyped-def]
    """Write mean stored number and share of dense voxels of cells `first` to `last` along the first axis.

    ``start`` is the index of a cell's first sample and ``steps[a, s]`` moves it: a = 0..2 by a cell along it,
    a = 3..5 by a sample within the cell. Samples outside the volume are left out; a cell without any keeps -1.
    """
    n0, n1, n2 = stored.shape
    _, rows, columns = mean.shape
    for i in range(first, last):
        for j in range(rows):
            for k in range(columns):
                total, heavy, seen = 0.0, 0, 0
                for a in range(count[0]):
                    for b in range(count[1]):
                        for c in range(count[2]):
                            x = start[0] + i * steps[0, 0] + j * steps[1, 0] + k * steps[2, 0]
                            x += a * steps[3, 0] + b * steps[4, 0] + c * steps[5, 0]
                            y = start[1] + i * steps[0, 1] + j * steps[1, 1] + k * steps[2, 1]
                            y += a * steps[3, 1] + b * steps[4, 1] + c * steps[5, 1]
                            z = start[2] + i * steps[0, 2] + j * steps[1, 2] + k * steps[2, 2]
                            z += a * steps[3, 2] + b * steps[4, 2] + c * steps[5, 2]
                            p, q, r = int(np.floor(x + 0.5)), int(np.floor(y + 0.5)), int(np.floor(z + 0.5))
                            if p < 0 or q < 0 or r < 0 or p >= n0 or q >= n1 or r >= n2:
                                continue
                            value = stored[p, q, r]
                            total += value
                            seen += 1
                            if value >= dense:
                                heavy += 1
                if seen > 0:
                    mean[i, j, k] = total / seen
                    share[i, j, k] = heavy / seen
                else:
                    share[i, j, k] = -1.0


@frozen(eq=False)
class Cells:
    """The scan in cubic cells, first axis along the patient's long axis.

    Parameters
    ----------
    relative : float32 array of shape (slices, rows, columns)
        Mean density on the scan's own scale: 0 is air, 1 soft tissue; 0 outside the scan.
    dense_share : float32 array
        Share of each cell at or above the dense threshold.
    inside : bool array
        Cells that lie in the scan.
    cell_mm : float
    lps_from_cell : array of shape (4, 4)
        Middles of cells to LPS mm.
    """

    relative: NDArray[np.float32] = field(repr=False)
    dense_share: NDArray[np.float32] = field(repr=False)
    inside: NDArray[np.bool_] = field(repr=False)
    cell_mm: float
    lps_from_cell: FloatArray = field(converter=readonly)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Cells along each axis."""
        a, b, c = self.relative.shape
        return a, b, c


def long_axis(volume: Volume) -> int:
    """Give the array axis that runs most along the patient's long axis: the one the scanner turned about."""
    directions = volume.lps_from_index[:3, :3] / np.array(volume.spacing_mm)
    return int(np.argmax(np.abs(directions[2])))


def cells_of(volume: Volume, grey: GreyLevels, dense: float, cell_mm: float | None = None) -> Cells:
    """Average the scan into cells.

    Parameters
    ----------
    volume : Volume
    grey : GreyLevels
    dense : float
        Grey value from which a voxel counts as dense.
    cell_mm : float, optional
        Edge of the cells; chosen from the scan's size when not given.
    """
    first = long_axis(volume)
    order = [first, *(axis for axis in range(3) if axis != first)]
    spacing = np.array(volume.spacing_mm)
    size = np.array(volume.shape) * spacing
    edge = cell_mm or _edge(float(spacing.min()), size)
    counts = np.maximum(np.round(size / edge).astype(int), 1)[order]
    samples = np.maximum(np.round(edge / spacing), LEAST_SAMPLES).astype(int)[order]
    steps = np.zeros((6, 3))
    for row, axis in enumerate(order):
        steps[row, axis] = edge / spacing[axis]
        steps[3 + row, axis] = edge / spacing[axis] / samples[row]
    # The block of cells lies about the middle of the scan, the samples about the middle of their cell.
    middle = (np.array(volume.shape) - 1) / 2.0
    corner = middle - (counts - 1) @ steps[:3] / 2.0
    start = corner - (samples - 1) @ steps[3:] / 2.0
    mean = np.zeros(tuple(counts), np.float32)
    share = np.zeros(tuple(counts), np.float32)
    stored = volume.stored if volume.scale > 0 else -volume.stored
    limit = (dense - volume.offset) / abs(volume.scale)
    in_slabs(lambda a, b: _average(stored, start, steps, samples, limit, a, b, mean, share), int(counts[0]))
    inside = share >= 0.0
    values = mean * np.float32(abs(volume.scale)) + np.float32(volume.offset)
    relative = np.where(inside, (values - np.float32(grey.air)) / np.float32(grey.contrast), np.float32(0.0))
    place = np.eye(4)
    place[:3, :3] = volume.lps_from_index[:3, :3] @ steps[:3].T
    place[:3, 3] = volume.to_lps(corner)
    return Cells(relative.astype(np.float32), np.maximum(share, 0.0), inside, edge, place)


def _edge(voxel_mm: float, size_mm: FloatArray) -> float:
    """Give the edge of a cell: about `CELL_MM`, whole voxels where that is near, larger in a large scan."""
    edge = max(CELL_MM, float(np.prod(size_mm) / MOST_CELLS) ** (1.0 / 3.0))
    whole = voxel_mm * max(1, round(edge / voxel_mm))
    return whole if 0.9 * edge <= whole <= 1.2 * edge else edge
