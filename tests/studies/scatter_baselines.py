"""Simple estimates of scatter that the scan check must beat; each needs no more than the scan."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter

from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import dense_from
from planner_core.imaging.grey_scale import calibrate_grey

DECAY_MM = 12.0
FIXED_GREY = 2500.0
"""Grey value that a reader who takes grey values for HU would call metal."""
SPREAD_MM = 2.0


def _decay(dense: NDArray[np.bool_], spacing: float) -> NDArray[np.float32]:
    out = np.zeros(dense.shape, np.float32)
    for k in np.flatnonzero(dense.sum(axis=(1, 2)) >= 12):
        out[k] = np.exp(-distance_transform_edt(~dense[k]) * spacing / DECAY_MM)
    return out


def threshold_with_decay(volume: Volume) -> NDArray[np.float32]:
    """Give the decay with the distance in the slice from what is dense on the scan's own scale."""
    dense = volume.grey(volume.stored) >= dense_from(calibrate_grey(volume))
    return _decay(dense, volume.spacing_mm[1])


def uncalibrated_threshold(volume: Volume) -> NDArray[np.float32]:
    """Give the same from one fixed grey value, whatever the scanner's scale."""
    return _decay(volume.grey(volume.stored) >= FIXED_GREY, volume.spacing_mm[1])


def local_deviation(volume: Volume) -> NDArray[np.float32]:
    """Give the local standard deviation within slices, in soft-to-bone distances."""
    grey = calibrate_grey(volume)
    values = (volume.grey(volume.stored) - grey.soft_tissue) / (grey.bone - grey.soft_tissue)
    sigma = (0.0, SPREAD_MM / volume.spacing_mm[1], SPREAD_MM / volume.spacing_mm[2])
    mean = gaussian_filter(values, sigma)
    return np.sqrt(np.maximum(gaussian_filter(values * values, sigma) - mean * mean, 0.0)).astype(np.float32)


BASELINES = {
    "threshold with decay": threshold_with_decay,
    "uncalibrated threshold": uncalibrated_threshold,
    "local deviation": local_deviation,
}
