"""Contours of skin, lips and tongue against air: how wide they are, and how many are double.

A move of about 2.5 mm and more between two parts of the scan doubles contours so that it is seen; a smaller one
only widens them, hardly more than the scanner does, and is missed.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from scipy.ndimage import gaussian_filter, map_coordinates

from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.progress import Progress, silent

SLICES = 24
"""Slices looked at (our choice)."""
PLACES_PER_SLICE = 1500
REACH_MM = 4.0
STEP_MM = 0.2
SMOOTH_MM = 0.35
"""Blur before gradients are taken; noise would make contours of its own (our choice)."""
LEAST_APART_MM = 0.8
"""Two steps of a contour closer than this cannot be told apart (FACTS.md section 8: resolution 0.3 to 0.6 mm)."""
LEAST_PLACES = 300


@frozen
class Contours:
    """What the contours of a scan look like.

    Parameters
    ----------
    places : int
        How many were measured.
    width_mm : float
        Lower quartile of the distance from 20 to 80 % of the step from air to soft tissue.
    double_share : float
        Share of places where the step comes in two, at least `LEAST_APART_MM` apart.
    """

    places: int
    width_mm: float
    double_share: float


def measure_contours(volume: Volume, grey: GreyLevels, progress: Progress = silent) -> Contours:
    """Measure the contours between air and soft tissue in some slices of the scan."""
    spacing = float(np.mean(volume.spacing_mm[1:]))
    count = volume.shape[0]
    widths: list[FloatArray] = []
    doubles: list[AnyArray] = []
    chosen = np.unique(np.linspace(count // 8, count - 1 - count // 8, min(SLICES, count)).astype(int))
    for n, k in enumerate(chosen):
        progress(n / len(chosen))
        profiles = _profiles(grey.relative(volume.grey(volume.stored[k])), spacing)
        if len(profiles):
            widths.append(_width(profiles))
            doubles.append(_is_double(profiles))
    if not widths or sum(map(len, widths)) < LEAST_PLACES:
        return Contours(0, 0.0, 0.0)
    wide, double = np.concatenate(widths), np.concatenate(doubles)
    return Contours(len(wide), float(np.quantile(wide, 0.25)), float(np.mean(double)))


def _profiles(relative: AnyArray, spacing: float) -> FloatArray:
    """Give normalised profiles (n, steps) across contours, from air to soft tissue."""
    smooth = gaussian_filter(relative, SMOOTH_MM / spacing)
    rows, columns = np.gradient(smooth, spacing)
    slope = np.hypot(rows, columns)
    border = round(REACH_MM / spacing) + 2
    found = (np.abs(smooth - 0.5) < 0.35) & (slope > 0.25)
    found[:border] = found[-border:] = False
    found[:, :border] = found[:, -border:] = False
    places = np.argwhere(found)
    places = places[:: max(1, len(places) // PLACES_PER_SLICE)]
    if not len(places):
        return np.zeros((0, 0))
    at = (places[:, 0], places[:, 1])
    way = np.arange(-REACH_MM, REACH_MM + 1e-6, STEP_MM) / spacing
    across = [places[:, n, None] + (part[at] / slope[at])[:, None] * way for n, part in enumerate((rows, columns))]
    profiles = map_coordinates(smooth, across, order=1)
    air, soft = profiles[:, :6].mean(axis=1), profiles[:, -6:].mean(axis=1)
    plain = (np.abs(air) < 0.3) & (soft > 0.8) & (soft < 1.25) & (profiles.max(axis=1) < 1.35)
    low, step = air[plain, None], (soft - air)[plain, None]
    return np.asarray((profiles[plain] - low) / step, dtype=np.float64)


def _width(profiles: FloatArray) -> FloatArray:
    first = np.argmax(profiles > 0.8, axis=1)
    last = profiles.shape[1] - 1 - np.argmax((profiles < 0.2)[:, ::-1], axis=1)
    return np.maximum(first - last, 0) * STEP_MM


def _is_double(profiles: FloatArray) -> AnyArray:
    """Tell where the slope has a second peak of half the first one's height and a dip between them."""
    slope = np.diff(profiles, axis=1)
    row = np.arange(len(slope))
    main = slope.argmax(axis=1)
    double = np.zeros(len(slope), dtype=bool)
    gap = round(LEAST_APART_MM / STEP_MM)
    for shift in range(gap, round(3.0 / STEP_MM)):
        for sign in (-1, 1):
            other = main + sign * shift
            inside = (other >= 1) & (other < slope.shape[1] - 1)
            at = np.clip(other, 1, slope.shape[1] - 2)
            peak = slope[row, at]
            is_peak = (peak >= slope[row, at - 1]) & (peak >= slope[row, at + 1]) & (peak > 0.5 * slope[row, main])
            between = slope[row, np.clip(main + sign * (shift // 2), 0, slope.shape[1] - 1)]
            double |= inside & is_peak & (between < 0.6 * peak)
    return double
