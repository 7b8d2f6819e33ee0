"""Can this scan be trusted, and where: dense restorations, the slices they spoil, and how much at each point.

The level is a chance, stated without knowing the truth: that the grey value at a place is off by more than 0.15 of
the bone-to-soft-tissue contrast because of a restoration. How well it does is measured on simulated mouths of known
truth: ``python -m tests.studies scatter``.
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.faults import find_faults
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.imaging.scatter_estimate import estimate_scatter, slice_scores
from planner_core.progress import Progress, part_of, silent

READABLE_BELOW = 0.35
"""A site is readable while four fifths of it lie below this chance (our choice; studied with phantoms)."""

SLICE_DEGRADED_FROM = 0.05
"""A slice counts as degraded from this share of ruined voxels of the jaw region on (our choice: one spoilt tooth's
surroundings)."""

LEAST_GAP_SLICES_MM = 1.0
"""Degraded ranges closer than this are one (our choice)."""


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
        Largest first; small ones that stand alone (markers) at the end.
    slice_scores : array of shape (slices,)
        Expected share (0..1) of ruined voxels of the jaw region (hard tissue grown by 4 mm, bodies left out).
    degraded_slices : tuple of (first, last)
        Ranges of slice indices, inclusive, counted from 0.
    level_map : Volume or None
        The level on a coarse grid, grey value 0..1; None when nothing is degraded.
    grey : GreyLevels
        The scan's own grey levels.
    findings : tuple of Finding
    added_map : Volume or None
        What the bodies added to the grey values, on the same coarse grid; see `planner_core.imaging.reduction`.
    """

    restorations: tuple[Restoration, ...]
    slice_scores: FloatArray = field(converter=readonly)
    degraded_slices: tuple[tuple[int, int], ...]
    level_map: Volume | None
    grey: GreyLevels
    scan_shape: tuple[int, int, int]
    scan_lps_from_index: FloatArray = field(converter=readonly)
    findings: tuple[Finding, ...] = ()
    added_map: Volume | None = None

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
        # Read before scaling: the whole map is not turned into numbers for a few points.
        read = ndimage.map_coordinates(self.level_map.stored, index.T, np.float64, order=1, mode="nearest")
        return np.asarray(read * self.level_map.scale + self.level_map.offset, dtype=np.float64)

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
    """Find dense restorations and estimate how degraded the scan is around them; tell other faults apart.

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
    estimate = estimate_scatter(volume, grey, part_of(progress, 0.05, 0.9))
    progress(0.9, "Looking for other faults")
    scores = slice_scores(volume, estimate)
    ranges = _ranges(scores >= SLICE_DEGRADED_FROM, max(1, round(LEAST_GAP_SLICES_MM / volume.spacing_mm[0])))
    findings = _findings(volume, estimate.restorations, ranges, grey)
    findings += _small_findings(len(estimate.small))
    findings += find_faults(volume, grey, estimate, part_of(progress, 0.9, 1.0))
    level_map = added_map = None
    if estimate.chance is not None and estimate.added is not None:
        level_map = _as_volume(estimate.chance, estimate.cells.lps_from_cell, 1000.0)
        added_map = _as_volume(estimate.added * np.float32(grey.contrast), estimate.cells.lps_from_cell, None)
    progress(1.0, "Scan checked")
    return ScanCheck(
        (*estimate.restorations, *estimate.small),
        scores,
        ranges,
        level_map,
        grey,
        volume.shape,
        volume.lps_from_index,
        findings,
        added_map,
    )


def _ranges(flags: AnyArray, gap: int = 1) -> tuple[tuple[int, int], ...]:
    """Give runs of true values as (first, last), inclusive; runs closer than `gap` are one."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    runs: list[tuple[int, int]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if runs and a - runs[-1][1] <= gap:
            runs[-1] = (runs[-1][0], int(b) - 1)
        else:
            runs.append((int(a), int(b) - 1))
    return tuple(runs)


def _as_volume(values: NDArray[np.float32], lps_from_index: FloatArray, steps: float | None) -> Volume:
    """Keep values as int16, `steps` to one, or as fine as their range allows."""
    if steps is None:
        steps = 32000.0 / max(float(np.abs(values).max()), 1e-6)
    return Volume(np.rint(values * np.float32(steps)).astype(np.int16), lps_from_index, scale=1.0 / steps)


def _small_findings(count: int) -> tuple[Finding, ...]:
    if not count:
        return ()
    text = "One small dense body stands" if count == 1 else f"{count} small dense bodies stand"
    return (Finding(Severity.NOTE, "small-dense-bodies", f"{text} alone, as markers do."),)


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
        which = "One of them reaches" if saturated == 1 else f"{saturated} of them reach"
        if len(restorations) == 1:
            which = "It reaches"
        sizes = "its true size is" if saturated == 1 else "their true sizes are"
        text = f"{which} the highest grey value {grey.highest:.0f}: {sizes} smaller than what shows."
        findings.append(Finding(Severity.NOTE, "saturated-bodies", text))
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
