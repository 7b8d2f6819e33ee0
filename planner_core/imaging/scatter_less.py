"""A scan without what its restorations added: what they did not touch stays as it was."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform

from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import dense_from
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.progress import Progress, silent


def less_added(
    volume: Volume,
    grey: GreyLevels,
    added: NDArray[np.float32],
    cells_from_lps: FloatArray,
    progress: Progress = silent,
) -> Volume:
    """Take off what was added, slice by slice; dense bodies stay as they are.

    Parameters
    ----------
    volume : Volume
    grey : GreyLevels
    added : float32 array
        Grey values on coarse cells.
    cells_from_lps : array of shape (4, 4)
        LPS mm to indices of `added`.
    progress : Progress

    Raises
    ------
    Cancelled
        From `progress`.
    """
    to_cells = cells_from_lps @ volume.lps_from_index
    dense = dense_from(grey)
    stored = np.empty_like(volume.stored)
    low, high = sorted((grey.lowest, grey.highest))
    for k in range(volume.shape[0]):
        progress(k / volume.shape[0], "Reducing the streaks")
        values = volume.grey(volume.stored[k])
        less = np.where(values >= dense, values, np.clip(values - _slice_of(added, to_cells, k, volume), low, high))
        stored[k] = np.clip(np.rint((less - volume.offset) / volume.scale), -32768, 32767)
    progress(1.0)
    return Volume(stored, volume.lps_from_index, volume.scale, volume.offset, volume.frame_of_reference_uid)


def _slice_of(cells: NDArray[np.float32], to_cells: FloatArray, k: int, volume: Volume) -> NDArray[np.float32]:
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
