"""Rings about the axis of rotation, as detector columns with a wrong gain draw them."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from scipy.ndimage import gaussian_filter, map_coordinates, median_filter

from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

SLICES = 16
ANGLES = 180
LEAST_SLICES = 8
"""A ring runs through the slices; in fewer of them anatomy may look like one (our choice)."""
LEAST_SHARE = 0.2
"""Share of a circle that must be soft tissue for its radius to count (our choice)."""


@frozen
class Rings:
    """The strongest ring.

    Parameters
    ----------
    height : float
        Its grey value over its neighbours, in soft-to-bone distances; 0 if there is none to speak of.
    radius_mm : float
    score : float
        The height in robust standard deviations of all radii.
    """

    height: float
    radius_mm: float
    score: float


def strongest_ring(volume: Volume, grey: GreyLevels) -> Rings:
    """Look for rings about the middle of the slices, in soft tissue only."""
    count, rows, columns = volume.shape
    spacing = float(np.mean(volume.spacing_mm[1:]))
    radii = np.arange(6.0, 0.5 * min(rows, columns) - 2.0)
    if len(radii) < 30 or count < LEAST_SLICES:
        return Rings(0.0, 0.0, 0.0)
    angles = 2.0 * np.pi * np.arange(ANGLES) / ANGLES
    y = 0.5 * (rows - 1) + radii[:, None] * np.sin(angles)
    x = 0.5 * (columns - 1) + radii[:, None] * np.cos(angles)
    contrast = grey.bone - grey.soft_tissue
    values = []
    for k in np.unique(np.linspace(count // 8, count - 1 - count // 8, min(SLICES, count)).astype(int)):
        polar = map_coordinates((volume.grey(volume.stored[k]) - grey.soft_tissue) / contrast, [y, x], order=1)
        soft = np.abs(gaussian_filter(polar, 1.5)) < 0.25
        apart = polar - median_filter(polar, size=(9, 1))
        values.append(np.where(soft, apart, np.nan))
    stack = np.concatenate(values, axis=1)
    seen = np.isfinite(stack).mean(axis=1) > LEAST_SHARE
    if seen.sum() < 30:
        return Rings(0.0, 0.0, 0.0)
    profile = np.zeros(len(radii))
    profile[seen] = np.nanmedian(stack[seen], axis=1)
    spread = 1.4826 * float(np.median(np.abs(profile[seen] - np.median(profile[seen])))) + 1e-6
    best = int(np.argmax(np.abs(profile)))
    return Rings(float(abs(profile[best])), float(radii[best] * spacing), float(abs(profile[best]) / spread))
