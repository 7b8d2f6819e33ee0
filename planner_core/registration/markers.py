"""Radiopaque markers of 1 to 3 mm found in a volume by themselves, each with the error of its centre.

Candidates come from radial voting: every strong grey-value slope votes for the point a radius away towards the
bright
side (Loy & Zelinsky 2003, IEEE PAMI 25:959, in three dimensions; M), so that a ball half sunk into a crown is
found as
well as a free one. Each is then measured by the edges along rays from its centre and a robust sphere through
them; small
bodies that are no balls (discs, pieces of sticker) are measured by their grey-weighted centroid.
"""

from __future__ import annotations

import numpy as np
from attrs import evolve, field, frozen
from scipy import ndimage

from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.edges import GreyField, edges_along
from planner_core.registration.marker_votes import vote_peaks
from planner_core.registration.sphere_fit import SphereFit, directions, fit_sphere
from planner_core.registration.surface_fit import Degradation

SMALLEST_MM, LARGEST_MM = 0.8, 3.4
"""Diameters looked for, mm (markers of 1 to 3 mm, with room for blur; laboratory practice, S2)."""

LEAST_COVERAGE = 0.45
"""Share of the rays that must end on the sphere (our choice: a ball half sunk into a crown shows about half)."""

LEAST_INSIDE = 1.4
"""Relative grey value that a marker reaches at least (0 = air, 1 = soft tissue)."""

LEAST_STEP = 0.7
"""Fall of grey values at a marker's border, relative units, at least (our choice)."""

BALL_RMS_MM = 0.16
"""Edges of a ball lie within this root mean square distance of a sphere (our choice: cusps and root tips do
not)."""

CENTRE_FLOOR = 0.03
"""Share of a voxel that stays as error of a centre per axis however clean it looks (balls of 1.5 to 2.1 mm off the
ceramic were 0.022 mm rms off, in three dimensions, at 0.3 mm voxels: tests/studies match, seeds 1000 to 1004)."""

STREAK_ERROR_MM, AROUND_MM, AROUND_PLACES = 0.45, 2.0, 60
"""RMS 3-D error that streaks add to a centre, mm, times the scan check's mean level at so many places this far, mm,
around it (0.155 mm rms off where that level was 0.42, 0.07 mm where it was 0.2; same study and seeds)."""

PATIENT_PEAKS, SURE_COVERAGE, OTHER_RADII_MM = 80, 0.95, (0.8, 1.2)
"""The likeliest candidates are measured from other radii too unless nearly all of the ball was seen at once: bright
balls bloom, and the votes may come from their rim (our choice; seen in tests/studies)."""

EDGE_PATCH_MM2 = 0.35
"""Area of a marker's surface on which edges count as one observation, mm^2 (blur of 0.25 to 0.3 mm; our
choice)."""

RIM_MM = 0.4
"""A ball whose centre lies this near to a small body's is that body, mm (our choice: about a voxel)."""

BLOB_ERROR_MM = 0.20
"""RMS error of the centroid of a small body that is no ball, besides the voxel's share, mm (our choice: its
borders to
neighbours are not the same on all sides)."""


@frozen(eq=False)
class Marker:
    """A marker candidate.

    Parameters
    ----------
    centre_mm : array of shape (3,)
        LPS in a volume; the surface's own frame in a surface scan.
    radius_mm : float
    covariance_mm2 : array of shape (3, 3)
        Of the centre.
    coverage : float
        Share of the whole sphere that was seen, 0..1.
    shape : str
        ``"ball"`` or ``"blob"``.
    quality : float
        0..1, higher is likelier a marker; only orders candidates.
    """

    centre_mm: FloatArray = field(converter=readonly)
    radius_mm: float
    covariance_mm2: FloatArray = field(converter=readonly)
    coverage: float = 1.0
    shape: str = "ball"
    quality: float = 1.0

    @property
    def localisation_mm(self) -> float:
        """Root mean square 3-D error of the centre, mm."""
        return float(np.sqrt(np.trace(self.covariance_mm2)))


def find_markers(
    volume: Volume,
    *,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
    most: int = 80,
    progress: Progress = silent,
) -> tuple[Marker, ...]:
    """Find marker candidates in a volume, best first; cusps or root tips may be among them.

    Parameters
    ----------
    degradation : callable, optional
        The scan check's level (0..1) at LPS points; widens the error of markers in streaks.
    most : int
        Give at most this many.
    """
    grey = calibrate_grey(volume) if levels is None else levels
    field_ = GreyField.of(volume, grey)
    progress(0.0, "Looking for markers")
    peaks = vote_peaks(volume, grey, progress=part_of(progress, 0.0, 0.6))
    found = [
        marker
        for rank, (place, radius) in enumerate(peaks)
        if (marker := _measured(field_, place, radius, volume, rank < PATIENT_PEAKS)) is not None
    ]
    progress(0.8, "Measuring markers")
    found = _distinct(_balls_or_blobs(found, _blobs(volume, grey)))
    if degradation is not None and found:
        extra = streak_covariances(np.array([m.centre_mm for m in found]), degradation)
        found = [
            evolve(marker, covariance_mm2=marker.covariance_mm2 + one)
            for marker, one in zip(found, extra, strict=True)
        ]
    progress(1.0, "")
    return tuple(sorted(found, key=lambda marker: -marker.quality)[:most])


def streak_covariances(places_lps_mm: AnyArray, degradation: Degradation) -> FloatArray:
    """Give what streaks add to the error covariance (mm^2) of a marker's centre at places, shape (n, 3, 3).

    A ball's own inside is saturated, so that the surroundings are asked: streaks that cross there pull its edges.
    """
    places = np.atleast_2d(np.asarray(places_lps_mm, dtype=np.float64))
    around = (places[:, None] + AROUND_MM * directions(AROUND_PLACES)[None]).reshape(-1, 3)
    level = np.clip(np.nan_to_num(degradation(around)), 0.0, 1.0).reshape(len(places), -1).mean(axis=1)
    return np.asarray((STREAK_ERROR_MM * level)[:, None, None] ** 2 / 3.0 * np.eye(3))


def _measured(
    field_: GreyField, place_lps_mm: AnyArray, radius_mm: float, volume: Volume, patient: bool
) -> Marker | None:
    """Measure a ball from the radius that was voted for, and from others where that may have been wrong."""
    first = measure_ball(field_, place_lps_mm, radius_mm, volume)
    if not patient or (first is not None and first.coverage > SURE_COVERAGE):
        return first
    tried = [first, *(measure_ball(field_, place_lps_mm, radius, volume) for radius in OTHER_RADII_MM)]
    return max((m for m in tried if m is not None), key=lambda marker: marker.quality, default=None)


def measure_ball(
    field_: GreyField,
    place_lps_mm: AnyArray,
    radius_mm: float,
    volume: Volume,
    least_coverage: float = LEAST_COVERAGE,
) -> Marker | None:
    """Measure a ball by the edges along rays from about its centre; None when there is none.

    `least_coverage` is the share of the ball that must be seen.
    """
    rays = directions()
    centre, radius = np.array(place_lps_mm, dtype=np.float64), radius_mm
    fit: SphereFit | None = None
    strength = None
    for reject in (0.6, 0.4, 0.3):
        half = min(0.8, radius + 0.1)
        edges = edges_along(field_, centre + radius * rays, rays, half, prefer_mm=0.5)
        good = edges.found & (edges.inside >= LEAST_INSIDE) & (edges.inside - edges.outside >= LEAST_STEP)
        if int(good.sum()) < min(0.3, least_coverage) * len(rays):
            return None
        strength = np.where(good, edges.inside - edges.outside, np.nan)
        points = centre + (radius + np.nan_to_num(edges.offset_mm))[:, None] * rays
        fit = fit_sphere(points, centre, radius, good.astype(float), reject)
        if fit is None or np.linalg.norm(fit.centre_mm - place_lps_mm) > 1.5:
            return None
        centre, radius = np.array(fit.centre_mm), fit.radius_mm
        if not SMALLEST_MM / 2 <= radius <= LARGEST_MM / 2:
            return None
    assert fit is not None
    assert strength is not None
    on = fit.weight > 0.25
    coverage = float(on.mean())
    if coverage < least_coverage or fit.rms_mm > BALL_RMS_MM:
        return None
    covariance = centre_covariance(fit, radius, coverage, len(rays), min(volume.spacing_mm))
    quality = coverage * (1.0 - fit.rms_mm / (2.0 * BALL_RMS_MM)) * min(1.0, float(np.nanmedian(strength)) / 2.0)
    return Marker(centre, radius, covariance, coverage, "ball", quality)


def centre_covariance(fit: SphereFit, radius_mm: float, coverage: float, rays: int, voxel_mm: float) -> FloatArray:
    """Give the covariance (mm^2) of a centre: scatter over the really independent edges, and a floor."""
    independent = max(6.0, coverage * 4.0 * np.pi * radius_mm**2 / EDGE_PATCH_MM2)
    repeat = max(1.0, coverage * rays / independent)
    return np.asarray(fit.covariance_mm2 * repeat + (CENTRE_FLOOR * voxel_mm) ** 2 * np.eye(3))


def _balls_or_blobs(balls: list[Marker], blobs: list[Marker]) -> list[Marker]:
    """Keep the ball where a small body is one, and the body where its rim only looks like several balls."""
    kept = list(balls)
    for blob in blobs:
        inside = [
            ball for ball in kept if np.linalg.norm(ball.centre_mm - blob.centre_mm) < blob.radius_mm + RIM_MM
        ]
        central = [ball for ball in inside if np.linalg.norm(ball.centre_mm - blob.centre_mm) < RIM_MM]
        if len(central) == 1:
            kept = [ball for ball in kept if ball is central[0] or ball not in inside]
        else:
            kept = [ball for ball in kept if ball not in inside] + [blob]
    return kept


def _blobs(volume: Volume, levels: GreyLevels) -> list[Marker]:
    """Find small dense bodies that touch nothing."""
    found: list[Marker] = []
    for level in (3.0, 2.2):
        stored = (levels.air + level * levels.contrast - volume.offset) / volume.scale
        labels, _ = ndimage.label(volume.stored >= stored)
        for number, place in enumerate(ndimage.find_objects(labels), start=1):
            marker = _blob(volume, levels, labels, number, place)
            if marker is not None and all(
                np.linalg.norm(marker.centre_mm - other.centre_mm) > 1.0 for other in found
            ):
                found.append(marker)
    return found


def _blob(
    volume: Volume,
    levels: GreyLevels,
    labels: AnyArray,
    number: int,
    place: tuple[slice, ...] | None,
) -> Marker | None:
    if place is None:
        return None
    spacing = np.array(volume.spacing_mm)
    extent = np.array([s.stop - s.start for s in place]) * spacing
    if extent.max() > LARGEST_MM or extent.max() < 0.6:
        return None
    margin = np.ceil(0.6 / spacing).astype(int)
    low = [max(0, s.start - int(m)) for s, m in zip(place, margin, strict=True)]
    box = tuple(
        slice(a, min(n, s.stop + int(m))) for a, s, m, n in zip(low, place, margin, volume.shape, strict=True)
    )
    values = levels.relative(volume.grey(volume.stored[box]))
    inside = labels[box] == number
    near = ndimage.binary_dilation(inside, iterations=int(margin.max()))
    shell = near & ~ndimage.binary_dilation(inside, iterations=max(1, int(margin.max()) - 1))
    volume_mm3 = float(inside.sum()) * volume.voxel_volume_mm3
    if volume_mm3 < 0.2 or not shell.any() or float(np.quantile(values[shell], 0.9)) > 1.8:
        return None
    weight = np.clip(values - float(np.median(values[shell])), 0.0, None) * near
    index = np.stack(np.meshgrid(*[np.arange(s.start, s.stop) for s in box], indexing="ij"), axis=-1)
    middle = (index * weight[..., None]).sum(axis=(0, 1, 2)) / weight.sum()
    centre = volume.to_lps(middle)
    radius = float((3.0 * volume_mm3 / (4.0 * np.pi)) ** (1 / 3))
    error = BLOB_ERROR_MM**2 / 3.0 + (CENTRE_FLOOR * float(spacing.min())) ** 2
    return Marker(centre, radius, error * np.eye(3), 1.0, "blob", 0.35)


def _distinct(markers: list[Marker]) -> list[Marker]:
    """Keep the better of markers that lie within a millimetre of each other."""
    kept: list[Marker] = []
    for marker in sorted(markers, key=lambda one: -one.quality):
        if all(np.linalg.norm(marker.centre_mm - other.centre_mm) > 1.0 for other in kept):
            kept.append(marker)
    return kept
