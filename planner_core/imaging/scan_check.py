"""Can this scan be trusted, and where: dense restorations, the slices they spoil, and how much at each point.

The level is an estimate without truth: 0 is a place like the undisturbed rest of the scan, 1 a place where neither
a border nor a grey value can be believed. It is calibrated on the scan itself (its own grey levels and noise) and
says nothing about positioning of the patient or movement.
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

GRID_MM = 0.8
"""Spacing of the level map (our choice: streaks are wider than this, and the map stays below 5 MB)."""

DENSE_ABOVE_SOFT = 3.2
"""A restoration is denser than any enamel: from this many air-to-soft distances above soft tissue (enamel reaches
2 to 3; linear attenuation at 60 keV, NIST XCOM; M)."""

LEAST_BODY_MM3 = 2.0
"""Smallest dense body that counts as a restoration (our choice: a marker of 1.6 mm diameter has 2.1 mm^3)."""

LEAST_CUT_BODY_MM3 = 8.0
"""The same where the scanner cuts its scale within reach of enamel, so that tips of cusps saturate too (our choice,
tested on a head CT without metal whose enamel saturates)."""

REACH_MM = 12.0
"""Distance in the slice over which the effect of a body falls to 1/e, for a body of `REFERENCE_MM` (our choice,
seen on the dental metal slices: soft-tissue spread is doubled up to 15-25 mm away)."""

REFERENCE_MM = 8.0
"""In-plane size of a body with exactly that reach; larger bodies reach further, by the square root (our choice)."""

LONGEST_REACH_MM = 24.0
"""Longest reach of any body (our choice: a jaw is 60 mm wide)."""

READABLE_BELOW = 0.35
"""A site is readable while its level is below this (our choice; studied with phantoms of known truth)."""

SLICE_DEGRADED_FROM = 0.2
"""A slice counts as degraded from this score on (our choice)."""


@frozen(eq=False)
class Restoration:
    """One dense body that throws streaks.

    `kind` is a guess from size, shape and density, with the confidence given beside it (0 to 1).
    """

    centre_lps_mm: FloatArray = field(converter=readonly)
    volume_mm3: float
    extent_mm: FloatArray = field(converter=readonly)
    saturated: bool
    kind: str
    kind_confidence: float


@frozen
class SiteVerdict:
    """Whether one place can be read, how degraded it is (0..1), and why in words."""

    readable: bool
    level: float
    why: str


@frozen(eq=False)
class ScanCheck:
    """What the check found; immutable.

    Parameters
    ----------
    restorations : tuple of Restoration
        Largest first.
    slice_scores : array of shape (slices,)
        Degradation of each slice, 0..1: mean level where there is tissue.
    degraded_slices : tuple of (first, last)
        Ranges of slice indices, inclusive, counted from 0.
    level_map : Volume or None
        The level on a coarse grid, grey value 0..1; None when nothing is degraded.
    grey : GreyLevels
        The scan's own grey levels.
    findings : tuple of Finding
    """

    restorations: tuple[Restoration, ...]
    slice_scores: FloatArray = field(converter=readonly)
    degraded_slices: tuple[tuple[int, int], ...]
    level_map: Volume | None
    grey: GreyLevels
    scan_shape: tuple[int, int, int]
    scan_lps_from_index: FloatArray = field(converter=readonly)
    findings: tuple[Finding, ...] = ()

    @property
    def degradation(self) -> NDArray[np.float16] | None:
        """The level at every voxel of the scan, 0..1; made anew at each call, two bytes a voxel."""
        if self.level_map is None:
            return None
        full = np.empty(self.scan_shape, dtype=np.float16)
        to_map = self.level_map.index_from_lps @ self.scan_lps_from_index
        coarse = self.level_map.grey(self.level_map.stored)
        for k in range(self.scan_shape[0]):
            matrix = to_map[:3, :3]
            full[k] = ndimage.affine_transform(
                coarse,
                np.column_stack([np.zeros(3), matrix[:, 1], matrix[:, 2]]),
                offset=to_map[:3, 3] + k * matrix[:, 0],
                output_shape=(1, *self.scan_shape[1:]),
                order=1,
                mode="nearest",
            )[0]
        return full

    def level_at(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Give the level (0..1) at points of shape (n, 3); the nearest edge's outside the scan."""
        points = np.atleast_2d(np.asarray(points_lps_mm, dtype=np.float64))
        if self.level_map is None:
            return np.zeros(len(points))
        index = self.level_map.to_index(points)
        coarse = self.level_map.grey(self.level_map.stored)
        return np.asarray(ndimage.map_coordinates(coarse, index.T, order=1, mode="nearest"), dtype=np.float64)

    def readable_at(self, point_lps_mm: ArrayLike, radius_mm: float = 3.0) -> SiteVerdict:
        """Judge the place within `radius_mm` of a point of shape (3,)."""
        centre = np.asarray(point_lps_mm, dtype=np.float64)
        level = float(np.quantile(self.level_at(centre + radius_mm * _BALL), 0.8))
        nearest = self._nearest(centre)
        if level < READABLE_BELOW:
            beside = f", {nearest}" if nearest else ""
            return SiteVerdict(True, level, f"Degradation {level:.2f} of 1{beside}.")
        why = nearest or "streaks from outside the field of view"
        return SiteVerdict(False, level, f"Degradation {level:.2f} of 1: {why}.")

    def _nearest(self, centre: FloatArray) -> str:
        if not self.restorations:
            return ""
        away = [
            float(np.linalg.norm(np.maximum(np.abs(centre - body.centre_lps_mm) - body.extent_mm / 2.0, 0.0)))
            for body in self.restorations
        ]
        index = int(np.argmin(away))
        place = f"{away[index]:.0f} mm away" if away[index] >= 0.5 else "right here"
        return f"the nearest dense body ({self.restorations[index].volume_mm3:.0f} mm³) is {place}"


def check_scan(volume: Volume, progress: Progress = silent) -> ScanCheck:
    """Find dense restorations and estimate how degraded the scan is around them.

    Parameters
    ----------
    volume : Volume
    progress : Progress
        Reported to, and the place where the work can be stopped.

    Returns
    -------
    ScanCheck
    """
    progress(0.0, "Reading the scan's own grey scale")
    grey = calibrate_grey(volume)
    progress(0.15, "Looking for dense restorations")
    coarse, peak = _coarse(volume)
    bodies, restorations = _restorations(volume, coarse, peak, grey)
    progress(0.5, "Estimating the degradation")
    level = _level(volume, coarse, peak, bodies, grey, progress)
    scores = _slice_scores(volume, coarse, peak, level, grey)
    ranges = _ranges(scores >= SLICE_DEGRADED_FROM)
    progress(1.0, "Scan checked")
    level_map = None if level is None else _as_volume(coarse, level)
    findings = _findings(volume, restorations, ranges, grey)
    return ScanCheck(restorations, scores, ranges, level_map, grey, volume.shape, volume.lps_from_index, findings)


@frozen(eq=False)
class _Coarse:
    """The scan in blocks of about GRID_MM: their mean grey value and their place."""

    mean: NDArray[np.float32]
    factors: tuple[int, int, int]
    lps_from_index: FloatArray

    @property
    def spacing_mm(self) -> FloatArray:
        return np.asarray(np.linalg.norm(self.lps_from_index[:3, :3], axis=0))


def _coarse(volume: Volume) -> tuple[_Coarse, NDArray[np.float32]]:
    """Block means and block maxima of the scan (grey values)."""
    factors = tuple(
        max(1, min(n, round(GRID_MM / s))) for n, s in zip(volume.shape, volume.spacing_mm, strict=True)
    )
    cut = tuple(n // f for n, f in zip(volume.shape, factors, strict=True))
    fa, fb, fc = factors
    mean = np.empty(cut, dtype=np.float32)
    peak = np.empty(cut, dtype=np.float32)
    for k in range(cut[0]):
        block = volume.stored[k * fa : (k + 1) * fa, : cut[1] * fb, : cut[2] * fc]
        parts = block.reshape(fa, cut[1], fb, cut[2], fc)
        mean[k] = parts.mean(axis=(0, 2, 4), dtype=np.float32)
        peak[k] = parts.max(axis=(0, 2, 4)) if volume.scale > 0 else parts.min(axis=(0, 2, 4))
    shift = np.eye(4)
    shift[:3, :3] = np.diag(factors)
    shift[:3, 3] = (np.array(factors) - 1) / 2.0
    place = volume.lps_from_index @ shift
    return _Coarse(volume.grey(mean), (fa, fb, fc), place), volume.grey(peak)


def _dense_from(grey: GreyLevels) -> float:
    """Grey value from which a voxel is denser than tissue can be, or where the scanner cut."""
    dense = grey.soft_tissue + DENSE_ABOVE_SOFT * grey.contrast
    if grey.saturated and grey.highest > grey.soft_tissue + 1.8 * grey.contrast:
        dense = min(dense, grey.highest - 0.005 * (grey.highest - grey.lowest))
    return dense


def _restorations(
    volume: Volume, coarse: _Coarse, peak: NDArray[np.float32], grey: GreyLevels
) -> tuple[NDArray[np.bool_], tuple[Restoration, ...]]:
    """Connected dense bodies: where any voxel of a block is dense, measured on the full grid."""
    dense = _dense_from(grey)
    blocks, count = ndimage.label(peak >= dense, structure=np.ones((3, 3, 3)))
    keep = np.zeros(blocks.shape, dtype=bool)
    found: list[Restoration] = []
    for number, box in enumerate(ndimage.find_objects(blocks, count), start=1):
        body = _measure(volume, coarse, blocks[box] == number, box, dense, grey)
        if body is not None:
            keep[box] |= blocks[box] == number
            found.append(body)
    return keep, tuple(sorted(found, key=lambda body: -body.volume_mm3))


def _measure(
    volume: Volume,
    coarse: _Coarse,
    member: NDArray[np.bool_],
    box: tuple[slice, ...],
    dense: float,
    grey: GreyLevels,
) -> Restoration | None:
    """Measure one body on the full grid; None if it is too small."""
    factors = coarse.factors
    start = np.array([part.start * f for part, f in zip(box, factors, strict=True)])
    stop = np.array([part.stop * f for part, f in zip(box, factors, strict=True)])
    part = volume.grey(volume.stored[tuple(slice(a, b) for a, b in zip(start, stop, strict=True))])
    mask = part >= dense
    for axis, factor in enumerate(factors):
        member = np.repeat(member, factor, axis=axis)
    index = np.argwhere(mask & member)
    size = len(index) * volume.voxel_volume_mm3
    within_tissue = dense < grey.soft_tissue + DENSE_ABOVE_SOFT * grey.contrast
    if size < (LEAST_CUT_BODY_MM3 if within_tissue else LEAST_BODY_MM3):
        return None
    saturated = grey.saturated and float(part.max()) >= grey.highest - 0.005 * (grey.highest - grey.lowest)
    extent_mm = (np.ptp(index, axis=0) + 1) * np.array(volume.spacing_mm)
    centre = volume.to_lps(start + index.mean(axis=0))
    kind, confidence = _kind(size, extent_mm)
    lps_extent = np.abs(volume.lps_from_index[:3, :3] / np.array(volume.spacing_mm)) @ extent_mm
    return Restoration(centre, size, lps_extent, saturated, kind, confidence)


def _kind(volume_mm3: float, extent_mm: FloatArray) -> tuple[str, float]:
    """Guess what a body is from size and shape alone; a weak guess, said as such."""
    shortest, longest = float(extent_mm.min()), float(extent_mm.max())
    if longest < 3.0 and volume_mm3 > 0.4 * float(np.prod(extent_mm)):
        return "marker", 0.5
    if longest > 14.0:
        return "bridge", 0.5
    if longest > 2.5 * shortest and shortest < 4.5:
        return "post or fixture", 0.4
    return "crown or filling", 0.4


def _level(
    volume: Volume,
    coarse: _Coarse,
    peak: NDArray[np.float32],
    bodies: NDArray[np.bool_],
    grey: GreyLevels,
    progress: Progress,
) -> NDArray[np.float32] | None:
    """Level on the coarse grid: decay with the distance in the slice, weighed by how rough the place looks."""
    if not bodies.any():
        return None
    spacing = coarse.spacing_mm
    reach = _decay(bodies, spacing, progress)
    relative = np.clip(grey.relative(coarse.mean), -0.5, 2.2)
    rough = _roughness(relative, bodies, reach, spacing, grey, coarse)
    level = reach * (0.45 + 0.55 * rough)
    level[bodies] = 1.0
    # A cone beam mixes neighbouring slices: the effect fades over about two millimetres above and below.
    level = np.maximum(level, 0.9 * ndimage.gaussian_filter1d(level, 1.5 / spacing[0], axis=0))
    return np.clip(level, 0.0, 1.0).astype(np.float32)


def _decay(bodies: NDArray[np.bool_], spacing: FloatArray, progress: Progress) -> NDArray[np.float32]:
    """1 at a body, falling with the distance in each slice over a reach that grows with what is in the slice."""
    decay = np.zeros(bodies.shape, dtype=np.float32)
    pixel_mm2 = float(spacing[1] * spacing[2])
    for k in np.flatnonzero(bodies.any(axis=(1, 2))):
        progress(0.5 + 0.3 * float(k) / len(bodies), "Estimating the degradation")
        size_mm = np.sqrt(4.0 / np.pi * float(bodies[k].sum()) * pixel_mm2)
        reach_mm = min(REACH_MM * np.sqrt(size_mm / REFERENCE_MM), LONGEST_REACH_MM)
        away = ndimage.distance_transform_edt(~bodies[k], sampling=spacing[1:])
        decay[k] = np.exp(-away / reach_mm)
    return decay


def _roughness(
    relative: NDArray[np.float32],
    bodies: NDArray[np.bool_],
    reach: NDArray[np.float32],
    spacing: FloatArray,
    grey: GreyLevels,
    coarse: _Coarse,
) -> NDArray[np.float32]:
    """How much grey values scatter within one tissue, 0 (as in slices without bodies) to 1 (four times as much).

    Only places that are soft tissue on average count; borders between tissues scatter by themselves.
    """
    tissue = (np.abs(relative - 1.0) < 0.45) & ~ndimage.binary_dilation(bodies)
    sigma = [0.0, 2.5 / spacing[1], 2.5 / spacing[2]]
    weight = ndimage.gaussian_filter(tissue.astype(np.float32), sigma) + 1e-6
    inside = np.where(tissue, relative, 0.0).astype(np.float32)
    mean = ndimage.gaussian_filter(inside, sigma) / weight
    spread = (
        ndimage.gaussian_filter(np.where(tissue, (relative - mean) ** 2, 0.0).astype(np.float32), sigma) / weight
    )
    spread = np.sqrt(np.maximum(spread, 0.0))
    quiet = spread[tissue & (reach == 0.0)]
    if len(quiet) < 200:
        quiet = spread[tissue & (reach < np.quantile(reach, 0.25))]
    usual = float(np.median(quiet)) if len(quiet) >= 50 else 0.0
    blocks = float(np.prod(coarse.factors))
    usual = max(usual, grey.noise_sd / grey.contrast / np.sqrt(blocks), 0.01)
    rough = np.clip((spread / usual - 1.0) / 3.0, 0.0, 1.0)
    # Where there is no soft tissue to look at, the neighbourhood speaks.
    known = np.clip(weight * 4.0, 0.0, 1.0)
    return np.asarray(known * rough + (1.0 - known) * 0.5, dtype=np.float32)


def _slice_scores(
    volume: Volume, coarse: _Coarse, peak: NDArray[np.float32], level: NDArray[np.float32] | None, grey: GreyLevels
) -> FloatArray:
    """Level of what is jaw in each slice (mean and worst tenth), spread over the slices of the full grid."""
    if level is None:
        return np.zeros(volume.shape[0])
    # What is read in a slice is the jaw: bone, teeth and three millimetres around them.
    around = [max(1, round(3.0 / step)) for step in coarse.spacing_mm]
    hard = (coarse.mean > grey.bone_threshold).astype(np.uint8)
    for axis in (1, 2):
        hard = ndimage.maximum_filter1d(hard, 2 * around[axis] + 1, axis=axis)
    tissue = hard.astype(bool) & (coarse.mean > grey.air_threshold)
    total = tissue.sum(axis=(1, 2))
    sums = np.where(tissue, level, 0.0).sum(axis=(1, 2))
    scores = np.divide(sums, total, out=np.zeros(len(level)), where=total > 0)
    # The worst tenth counts as much as the mean: one spoilt quadrant is enough to call the slice degraded.
    worst = np.array([
        float(np.quantile(part[inside], 0.9)) if inside.any() else 0.0
        for part, inside in zip(level, tissue, strict=True)
    ])  # fmt: skip
    combined = 0.5 * (scores + worst)
    centres = (np.arange(len(level)) + 0.5) * coarse.factors[0] - 0.5
    return np.asarray(np.interp(np.arange(volume.shape[0]), centres, combined), dtype=np.float64)


def _ranges(flags: AnyArray) -> tuple[tuple[int, int], ...]:
    """Give runs of true values as (first, last), inclusive."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return tuple((int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True))


def _as_volume(coarse: _Coarse, level: NDArray[np.float32]) -> Volume:
    steps = 1000
    stored = np.rint(level * steps).astype(np.int16)
    return Volume(stored, coarse.lps_from_index, scale=1.0 / steps)


def _findings(
    volume: Volume,
    restorations: tuple[Restoration, ...],
    ranges: tuple[tuple[int, int], ...],
    grey: GreyLevels,
) -> tuple[Finding, ...]:
    """Say in words what was found; slices are counted from 1, as people do."""
    total = volume.shape[0]
    bodies = f"{len(restorations)} dense bod{'y' if len(restorations) == 1 else 'ies'}"
    findings: list[Finding] = []
    if not restorations:
        findings.append(Finding(Severity.NOTE, "no-dense-body", "No dense restoration was found in the scan."))
    elif not ranges:
        findings.append(
            Finding(Severity.NOTE, "dense-bodies", f"{bodies} found; no slice as a whole is degraded by them.")
        )
    for first, last in ranges:
        words = f"Slice {first + 1}" if first == last else f"Slices {first + 1} to {last + 1}"
        verb = "is" if first == last else "are"
        findings.append(
            Finding(
                Severity.WARNING,
                "degraded-slices",
                f"{words} of {total} {verb} degraded by {bodies}; "
                "borders and grey values there are not to be trusted.",
                f"slices {first + 1}-{last + 1}",
            )
        )
    saturated = sum(body.saturated for body in restorations)
    if saturated:
        findings.append(
            Finding(
                Severity.NOTE,
                "saturated-bodies",
                f"{saturated} of them reach the highest grey value {grey.highest:.0f}: "
                "their true size is smaller than it looks.",
            )
        )
    return tuple(findings)


def _ball(count: int = 200) -> FloatArray:
    """Points spread evenly in the unit ball (golden-angle spiral on shells), shape (count, 3)."""
    index = np.arange(count) + 0.5
    polar = np.arccos(1.0 - 2.0 * index / count)
    azimuth = np.pi * (1.0 + np.sqrt(5.0)) * index
    direction = np.stack([np.cos(azimuth) * np.sin(polar), np.sin(azimuth) * np.sin(polar), np.cos(polar)], axis=1)
    radius = (((index * 0.618034) % 1.0) ** (1.0 / 3.0))[:, np.newaxis]
    return np.asarray(direction * radius)


_BALL = readonly(_ball())
