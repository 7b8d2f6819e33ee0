"""The reduced view: the scan without most of what its restorations added. For looking, never for measuring.

What was added is worked out in `planner_core.imaging.scatter_physics` (bodies re-projected, their trace filled in
from a normalised prior, the difference reconstructed) and read by `planner_core.imaging.scatter_network` together
with the scan; only that change is taken off, at full resolution: what the bodies did not touch stays as it was.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.ndimage import affine_transform

from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import dense_from
from planner_core.imaging.scan_check import ScanCheck
from planner_core.progress import Progress, silent

LABEL = "ALTERED: streaks reduced by computation. Not for measuring or matching."
"""Stands on every picture made from a reduced view."""


@frozen(eq=False)
class ReducedView:
    """An altered copy of a scan.

    Parameters
    ----------
    volume : Volume
        On the grid of the scan.
    label : str
        Words that every picture of it carries.
    """

    volume: Volume
    label: str = LABEL


def reduced_view(volume: Volume, check: ScanCheck, progress: Progress = silent) -> ReducedView:
    """Take off what the restorations added; bodies themselves stay.

    Parameters
    ----------
    volume : Volume
        The scan that `check` was made of.
    check : ScanCheck
    progress : Progress

    Raises
    ------
    Cancelled
        From `progress`.
    """
    if check.added_map is None:
        return ReducedView(volume)
    added = check.added_map.grey(check.added_map.stored)
    to_cells = check.added_map.index_from_lps @ volume.lps_from_index
    dense = dense_from(check.grey)
    stored = np.empty_like(volume.stored)
    low, high = sorted((check.grey.lowest, check.grey.highest))
    for k in range(volume.shape[0]):
        progress(k / volume.shape[0], "Reducing the streaks")
        grey = volume.grey(volume.stored[k])
        less = np.where(grey >= dense, grey, np.clip(grey - _slice_of(added, to_cells, k, volume), low, high))
        stored[k] = np.clip(np.rint((less - volume.offset) / volume.scale), -32768, 32767)
    progress(1.0)
    return ReducedView(
        Volume(stored, volume.lps_from_index, volume.scale, volume.offset, volume.frame_of_reference_uid)
    )


def _slice_of(
    cells: NDArray[np.float32], to_cells: NDArray[np.float64], k: int, volume: Volume
) -> NDArray[np.float32]:
    """Read a map on cells at the voxels of slice `k`."""
    matrix = to_cells[:3, :3]
    return np.asarray(
        affine_transform(
            cells,
            np.column_stack([np.zeros(3), matrix[:, 1], matrix[:, 2]]),
            offset=to_cells[:3, 3] + k * matrix[:, 0],
            output_shape=(1, *volume.shape[1:]),
            order=1,
            mode="nearest",
        )[0],
        dtype=np.float32,
    )
