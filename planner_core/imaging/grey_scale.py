"""The scan's own grey scale: where air, soft tissue and bone lie, whatever offset and gain the scanner used.

Cone-beam grey values are not HU (Dent Med Probl 2022;59(3):413: R^2 of 20 to 30 % against CT numbers), so nothing
here assumes them: the levels are read from the peaks of the scan's own histogram.
"""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.volume import Volume

SAMPLE_VOXELS = 1_500_000
"""Voxels looked at, at most (our choice: the peaks of a histogram move by less than its bins beyond this)."""

FLAT_SHARE = 0.5
"""Share of the flattest blocks that make the histogram: tissue borders would smear it (our choice)."""

BINS = 512
"""Bins of the histogram between its 0.1 and 99.9 percentiles (our choice)."""

PEAK_PROMINENCE = 0.02
"""A peak counts from this share of the highest one on (our choice, tested in test_grey_scale.py)."""

SPIKE_SHARE = 0.01
"""A single stored value that fills more than this share is padding or clipping, not tissue (our choice)."""

BONE_FROM_SOFT = 0.35
"""Bone is searched from this share of the air-to-soft distance above soft tissue (linear attenuation at 60 keV,
NIST XCOM: soft tissue 0.20, cortical bone 0.60 per cm; M)."""

BONE_UP_TO = 2.3
"""and up to this share: above it lie enamel and restorations (same source; M)."""

REACH_LEAST, REACH_MOST = 1.2, 7.0
"""How far the densest things in the scan reach above soft tissue, in units of the air-to-soft distance: compact
bone 1.3, enamel 2 to 3, metal up to where the scale ends (NIST XCOM at 60 keV; M). A pair of peaks outside this
range is not air and soft tissue."""

TOP_SHARES = (0.9995, 0.995, 0.98)
"""Quantiles taken as the densest thing in the scan, any of which may fit: restorations fill up to two percent of a
field of view, and a 16-bit scale follows them twenty times higher than enamel (our choice)."""

REACH_ABOVE_SOFT = 2.0
"""The same, taken when nothing but one peak is there (our choice between bone and enamel)."""

MUSCLE_ABOVE_FAT = 0.25
"""Fat lies about a seventh of the air-to-soft distance below muscle (CT numbers -100 and 50; M)."""

BONE_STEP_WITHOUT_AIR = 1.3
"""Distance from soft tissue to bone, as a share of the distance from air to soft tissue, used only to extrapolate
air in a field of view that holds none (same source; M)."""


@frozen
class GreyLevels:
    """Typical grey values of one scan (its own scale, never HU).

    Parameters
    ----------
    air, soft_tissue, bone : float
        Grey values: centre of the air and soft-tissue peaks, median of compact bone.
    noise_sd : float
        Standard deviation of the noise of one voxel in soft tissue, grey values.
    lowest, highest : float
        Lowest and highest grey value of the scan.
    saturated : bool
        The highest value is a plateau: the scanner cut what lay above it.
    air_seen : bool
        False if the field of view holds no air and `air` was extrapolated.
    """

    air: float
    soft_tissue: float
    bone: float
    noise_sd: float
    lowest: float
    highest: float
    saturated: bool = False
    air_seen: bool = True

    @property
    def contrast(self) -> float:
        """Distance from air to soft tissue, the scan's own unit of density."""
        return self.soft_tissue - self.air

    @property
    def bone_threshold(self) -> float:
        """Grey value half way from soft tissue to bone."""
        return 0.5 * (self.soft_tissue + self.bone)

    @property
    def air_threshold(self) -> float:
        """Grey value half way from air to soft tissue."""
        return 0.5 * (self.soft_tissue + self.air)

    def relative(self, grey: AnyArray | float) -> AnyArray:
        """Give grey values on the scan's own scale: 0 is air, 1 soft tissue."""
        return (np.asarray(grey, dtype=np.float32) - np.float32(self.air)) / np.float32(self.contrast)


def calibrate_grey(volume: Volume) -> GreyLevels:
    """Read the levels of air, soft tissue and bone from the scan itself.

    Raises
    ------
    PlannerError
        If the scan holds one grey value only, or no two tissues can be told apart.
    """
    thinned = _thinned(volume.stored)
    low, high = float(thinned.min()), float(thinned.max())
    if high <= low:
        raise PlannerError("Every voxel of the scan has the same grey value.", "Choose another series.")
    means, ranges = _blocks(thinned)
    inside = ~_on_spike(thinned, means)
    if inside.sum() < 1000:
        inside = np.ones(len(means), dtype=bool)
    means, ranges = means[inside], ranges[inside]
    flat = means[ranges <= np.quantile(ranges, FLAT_SHARE)]
    air, soft, air_seen = _air_and_soft(flat, means)
    bone = _bone(flat, means, air, soft)
    noise = _noise(thinned, soft, 0.25 * (soft - air))
    scale, offset = volume.scale, volume.offset
    return GreyLevels(
        air=scale * air + offset,
        soft_tissue=scale * soft + offset,
        bone=scale * bone + offset,
        noise_sd=abs(scale) * noise,
        lowest=scale * low + offset,
        highest=scale * high + offset,
        saturated=_is_plateau(thinned, high),
        air_seen=air_seen,
    )


def _thinned(stored: NDArray[np.int16]) -> NDArray[np.int16]:
    """Whole slices at even steps, so that neighbours within a slice stay neighbours."""
    step = max(1, int(np.ceil(stored.size / SAMPLE_VOXELS)))
    return stored[step // 2 :: step] if stored.shape[0] > step else stored[::1, :: max(1, step // 2)]


def _blocks(stored: NDArray[np.int16]) -> tuple[FloatArray, FloatArray]:
    """Mean and range of 2 x 2 blocks within each slice: less noise, and a measure of flatness."""
    rows, columns = stored.shape[1] // 2 * 2, stored.shape[2] // 2 * 2
    if rows < 2 or columns < 2:
        flat = stored.ravel().astype(np.float64)
        return flat, np.zeros_like(flat)
    quads = [stored[:, i:rows:2, j:columns:2] for i in (0, 1) for j in (0, 1)]
    total = np.zeros(quads[0].shape, dtype=np.float32)
    for quad in quads:
        total += quad
    top = np.maximum(np.maximum(quads[0], quads[1]), np.maximum(quads[2], quads[3])).astype(np.float32)
    bottom = np.minimum(np.minimum(quads[0], quads[1]), np.minimum(quads[2], quads[3])).astype(np.float32)
    return (total.ravel() / 4.0).astype(np.float64), (top - bottom).ravel().astype(np.float64)


def _on_spike(stored: NDArray[np.int16], means: FloatArray) -> NDArray[np.bool_]:
    """Blocks that hold nothing but a lone value at the end of the scale (padding, clipping)."""
    on = np.zeros(len(means), dtype=bool)
    for value in (int(stored.min()), int(stored.max())):
        share = float(np.count_nonzero(stored == value)) / stored.size
        if share <= SPIKE_SHARE:
            continue
        close = (stored <= value + 2) & (stored >= value - 2) if abs(value) < 32000 else stored == value
        near = float(np.count_nonzero(close)) / stored.size
        # Noiseless padding stands alone; a noisy tissue has neighbours one and two values away.
        if near < 1.2 * share:
            on |= means == value
    return on


def _histogram(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    low, high = np.quantile(values, [0.001, 0.999])
    if high <= low:
        low, high = float(values.min()), float(values.max()) + 1.0
    margin = 0.05 * (high - low)
    counts, edges = np.histogram(values, bins=BINS, range=(low - margin, high + margin))
    smooth = np.asarray(gaussian_filter1d(counts.astype(np.float64), 3.0), dtype=np.float64)
    return smooth, np.asarray((edges[1:] + edges[:-1]) / 2.0, dtype=np.float64)


def _air_and_soft(flat: FloatArray, everything: FloatArray) -> tuple[float, float, bool]:
    """Centres of the air and soft-tissue peaks, and whether air was there at all."""
    # A scale that ends far above metal puts the top out of reach; then what most dense voxels reach counts.
    tops = [float(np.quantile(everything, share)) for share in TOP_SHARES]
    for values in (flat, everything):
        pair = _plausible_pair(_peaks(values), tops)
        if pair is not None:
            return pair[0], pair[1], True
    top = tops[0]
    peaks = _peaks(flat) or _peaks(everything)
    if not peaks:
        raise PlannerError("No tissue can be told apart in this scan.", "Choose another series.")
    # No air: the lowest peak that matters is soft tissue, and the next one, if there is one, is bone.
    soft = peaks[0][0]
    if len(peaks) > 1 and peaks[1][0] - soft > 0.2 * (top - soft):
        return soft - (peaks[1][0] - soft) / BONE_STEP_WITHOUT_AIR, soft, False
    return soft - max((top - soft) / REACH_ABOVE_SOFT, 1e-6), soft, False


def _peaks(values: FloatArray) -> list[tuple[float, float]]:
    """Peaks of the histogram as (grey value, height), lowest grey value first."""
    counts, centres = _histogram(values)
    found, _ = find_peaks(counts, prominence=PEAK_PROMINENCE * counts.max(), distance=BINS // 40)
    return [(float(centres[k]), float(counts[k])) for k in found]


def _plausible_pair(peaks: list[tuple[float, float]], tops: list[float]) -> tuple[float, float] | None:
    """Give the air and soft-tissue peaks whose distance fits what lies above them, or None."""
    best: tuple[float, float, float] | None = None
    for index, (air, _) in enumerate(peaks):
        for soft, height in peaks[index + 1 :]:
            fits = any(REACH_LEAST <= (top - soft) / (soft - air) <= REACH_MOST for top in tops)
            # The lowest pair counts more: air is the emptiest thing in a scan.
            score = height * (1.0 if index == 0 else 0.5)
            if fits and (best is None or score > best[2]):
                best = (air, soft, score)
    if best is None:
        return None
    air, soft, score = best
    # Fat and muscle make two peaks; soft tissue is the muscle one where both are there.
    for value, height in peaks:
        if soft < value < soft + MUSCLE_ABOVE_FAT * (soft - air) and height > 0.2 * score:
            soft = value
    return air, soft


def _bone(flat: FloatArray, everything: FloatArray, air: float, soft: float) -> float:
    """Median of the upper of two classes (Otsu 1979) among what is denser than soft tissue."""
    unit = soft - air
    for values in (flat, everything):
        dense = values[(values > soft + BONE_FROM_SOFT * unit) & (values < soft + BONE_UP_TO * unit)]
        if len(dense) >= 200:
            return float(np.median(dense[dense >= _otsu(dense)]))
    return soft + BONE_STEP_WITHOUT_AIR * unit


def _otsu(values: FloatArray) -> float:
    counts, edges = np.histogram(values, bins=128)
    centres = (edges[1:] + edges[:-1]) / 2.0
    below = np.cumsum(counts)
    above = below[-1] - below
    total = np.cumsum(counts * centres)
    with np.errstate(invalid="ignore", divide="ignore"):
        between = below * above * (total / below - (total[-1] - total) / above) ** 2
    if not np.isfinite(between[:-1]).any():  # one value only, as in a mask
        return float(values.min())
    return float(centres[int(np.nanargmax(between[:-1]))])


def _noise(stored: NDArray[np.int16], soft: float, half_width: float) -> float:
    """Robust spread of neighbour differences in soft tissue (median absolute deviation x 1.4826 / sqrt 2)."""
    first = stored[:, :, :-2:2].astype(np.float32)
    # Two voxels apart: reconstruction and interpolation tie direct neighbours together.
    second = stored[:, :, 2::2].astype(np.float32)[:, :, : first.shape[2]]
    middle = 0.5 * (first + second)
    near = np.abs(middle - soft) < max(half_width, 1.0)
    if int(near.sum()) < 100:
        return 0.0
    difference = (first - second)[near]
    return float(1.4826 * np.median(np.abs(difference)) / np.sqrt(2.0))


def _is_plateau(stored: NDArray[np.int16], top: float) -> bool:
    """Whether the highest value is where the scanner cut, not merely the brightest voxel."""
    span = float(top) - float(stored.min())
    at_top = int(np.count_nonzero(stored >= top))
    just_below = int(np.count_nonzero((stored >= top - 0.01 * span) & (stored < top)))
    return at_top >= 20 and at_top > just_below
