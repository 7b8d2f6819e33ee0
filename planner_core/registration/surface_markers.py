"""Markers in a surface scan: round bumps and flat discs found by themselves, or clicked and snapped to."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.surface import Surface
from planner_core.progress import Progress, silent
from planner_core.registration.markers import LARGEST_MM, SMALLEST_MM, Marker
from planner_core.registration.sphere_fit import SphereFit, fit_sphere
from planner_core.registration.surface_discs import find_discs, measure_disc
from planner_core.registration.surface_sample import looks_inside_out

VOTE_CELL_MM = 0.35
"""Cell in which votes for a bump's centre are gathered, mm."""

VOTE_RADII_MM = (0.5, 0.65, 0.8, 0.95, 1.1, 1.3, 1.5)
"""Radii that vote, mm."""

LEAST_CAP = 0.22
"""Share of the whole ball that must stick out of the surface (our choice: a little under half a ball)."""

BUMP_RMS_MM = 0.06
"""Points of a bump lie within this root mean square distance of a sphere (scanner noise 0.02 to 0.03 mm,
PMC6981254, PMC7966190; S; cusps do not)."""

NORMAL_AGREES = 0.85
"""Cosine within which a point's normal must point away from the bump's centre."""

SURE_BALL, ENOUGH_BALLS = 0.5, 4
"""So many bumps of at least this quality are the markers of this mouth (our choice)."""

SNAP_MM = 2.5
"""A click is snapped to a bump whose surface passes within this distance, mm (our choice: a click's own
error)."""

SCAN_FLOOR_MM = 0.012
"""Error of a bump's centre per axis that stays however clean it looks, mm: the part of a scan's error (median
0.015, up to 0.024 mm along the surface's normal, PMC6981254, PMC7966190; S) that a bump does not average out."""

SCAN_PATCH_MM2 = 0.3
"""Area on which points of a surface scan count as one observation, mm^2 (scanner errors are smooth; our
choice)."""


class _Bumps:
    """A surface prepared for bump measurements."""

    def __init__(self, surface: Surface) -> None:
        self.points: FloatArray = surface.points_mm
        normals = surface.point_normals
        self.normals: FloatArray = -normals if looks_inside_out(surface) else normals
        areas = np.zeros(len(self.points))
        for k in range(3):
            areas += np.bincount(surface.triangles[:, k], surface.face_areas_mm2 / 3.0, len(areas))
        self.areas: FloatArray = areas
        self.tree = cKDTree(self.points)

    def measure(self, centre_mm: AnyArray, radius_mm: float) -> Marker | None:
        """Measure the bump about a centre; None when there is none."""
        centre, radius = np.array(centre_mm, dtype=np.float64), radius_mm
        fit: SphereFit | None = None
        near: NDArray[np.intp] = np.zeros(0, np.intp)
        for reject in (0.35, 0.2, 0.12):
            near = np.array(self.tree.query_ball_point(centre, radius + reject), dtype=np.intp)
            if len(near) < 12:
                return None
            away = self.points[near] - centre
            away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
            facing = (away * self.normals[near]).sum(axis=1) > NORMAL_AGREES
            near = near[facing]
            if len(near) < 12:
                return None
            fit = fit_sphere(self.points[near], centre, radius, self.areas[near], reject)
            if fit is None or np.linalg.norm(fit.centre_mm - centre_mm) > 1.2:
                return None
            centre, radius = np.array(fit.centre_mm), fit.radius_mm
        if fit is None or not SMALLEST_MM / 2 - 0.1 <= radius <= LARGEST_MM / 2:
            return None
        used_area = float((self.areas[near] * (fit.weight > 0.2 * self.areas[near])).sum())
        cap = used_area / (4.0 * np.pi * radius**2)
        if cap < LEAST_CAP or fit.rms_mm > BUMP_RMS_MM:
            return None
        repeat = max(1.0, len(near) / max(6.0, used_area / SCAN_PATCH_MM2))
        covariance = fit.covariance_mm2 * repeat + SCAN_FLOOR_MM**2 * np.eye(3)
        quality = min(1.0, 2.0 * cap) * (1.0 - 0.5 * fit.rms_mm / BUMP_RMS_MM)
        return Marker(centre, radius, covariance, cap, "ball", quality)


def find_surface_markers(surface: Surface, *, most: int = 40, progress: Progress = silent) -> tuple[Marker, ...]:
    """Find round bumps and flat discs of marker size on a surface, best first; cusps may be among them.

    Every point votes for the place a radius below it; balls gather the votes of all their points. Discs are looked
    for by their flat top and steep rim.
    """
    bumps = _Bumps(surface)
    candidates: list[tuple[float, FloatArray, float]] = []
    for number, radius in enumerate(VOTE_RADII_MM):
        progress(0.8 * number / len(VOTE_RADII_MM), "Looking for markers on the surface")
        candidates += _votes(bumps, radius)
    candidates.sort(key=lambda item: -item[0])
    found: list[Marker] = []
    for _, centre, radius in candidates[:600]:
        marker = bumps.measure(centre, radius)
        if marker is None:
            continue
        same = [k for k, other in enumerate(found) if np.linalg.norm(other.centre_mm - marker.centre_mm) < 0.8]
        if all(found[k].quality < marker.quality for k in same):
            found = [other for k, other in enumerate(found) if k not in same] + [marker]
    # Markers of one mouth are of one kind: where enough balls stand out nobody looks for discs.
    if sum(marker.quality >= SURE_BALL for marker in found) < ENOUGH_BALLS:
        progress(0.8, "Looking for discs on the surface")
        discs = find_discs(bumps.points, bumps.normals, bumps.tree)
        # A low cap through a disc's rim passes for a ball, but no ball has a flat top.
        found = [m for m in found if all(np.linalg.norm(d.centre_mm - m.centre_mm) > d.radius_mm for d in discs)]
        found += discs
    progress(1.0, "")
    return tuple(sorted(found, key=lambda marker: -marker.quality)[:most])


def _votes(bumps: _Bumps, radius: float) -> list[tuple[float, FloatArray, float]]:
    """Give (share of a whole ball, centre, radius) of the cells that gather enough votes."""
    low = bumps.points.min(axis=0) - 2.0 * radius
    cells = np.floor((bumps.points - radius * bumps.normals - low) / VOTE_CELL_MM).astype(np.int64)
    shape = cells.max(axis=0) + 2
    flat = np.ravel_multi_index(cells.T, shape)
    _, inverse = np.unique(flat, return_inverse=True)
    votes = np.bincount(inverse, bumps.areas)
    share = votes / (4.0 * np.pi * radius**2)
    # A centre near a cell's border splits its votes over up to eight cells.
    keep = np.flatnonzero(share > 0.25 * LEAST_CAP)
    centres = np.stack(
        [np.bincount(inverse, (bumps.points - radius * bumps.normals)[:, k] * bumps.areas) for k in range(3)]
    )
    return [(float(share[k]), centres[:, k] / votes[k], radius) for k in keep]


def snap_to_marker(surface: Surface, click_mm: AnyArray) -> Marker:
    """Measure the marker that was clicked on a surface.

    Parameters
    ----------
    click_mm : array of shape (3,)
        In the surface's frame, on or near the marker.

    Raises
    ------
    PlannerError
        If there is no round bump under the click; the click itself can then be used as a point.
    """
    click = readonly(click_mm)
    bumps = _Bumps(surface)
    near = bumps.tree.query_ball_point(click, SNAP_MM)
    if near:
        nearest = int(bumps.tree.query(click)[1])
        disc = measure_disc(bumps.points, bumps.normals, bumps.tree, bumps.points[nearest], bumps.normals[nearest])
        if disc is not None:
            return disc
    best: Marker | None = None
    some = np.random.default_rng(0).permutation(np.array(near, dtype=np.intp))[:60]
    for k in some:
        for radius in VOTE_RADII_MM[1::2]:
            marker = bumps.measure(bumps.points[k] - radius * bumps.normals[k], radius)
            if marker is None or np.linalg.norm(marker.centre_mm - click) > marker.radius_mm + SNAP_MM:
                continue
            if best is None or marker.quality > best.quality:
                best = marker
    if best is None:
        raise PlannerError(
            "There is no round marker under the click.",
            "Click the top of a marker, or use the click as a point pair.",
        )
    return best
