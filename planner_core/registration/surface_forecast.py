"""What a match by the surface could reach in this mouth, from the volume alone, before any surface scan is there.

The tooth surfaces that a scanner would see are found as edges of the volume itself, on rays around the arch
curve; each
edge gets the error that it would have in a match. Sharp, clean edges count; places in streaks count little.
"""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import AnyArray, FloatArray, readonly, unit
from planner_core.geometry.polyline import at_lengths, lengths_mm, tangents
from planner_core.registration.edges import GreyField, edges_along
from planner_core.registration.surface_error import unseen_covariance
from planner_core.registration.surface_fit import (
    DENSE_FROM,
    OFFSET_PRIOR_MM,
    Degradation,
    edge_sigma_mm,
    normal_rows,
)
from planner_core.registration.surface_trust import LEAST_AREA_MM2

STATION_STEP_MM = 1.5
"""Rays start from the arch at this spacing, mm: about the length over which edges go together (seen in
tests/studies)."""

HEIGHTS_MM = (1.5, 3.0, 4.5, 6.0)
"""Heights over the necks of the teeth from which rays look sideways, mm."""

SEARCH_MM = 7.0
"""Rays look for the tooth's outer side within this distance of the arch curve, mm (half a molar with room)."""

SHARP_SLOPE = 0.6
"""Slope from which an edge counts as readable, relative units per mm."""

STREAKED_LEVEL = 0.8
"""Mean level of the scan check on the teeth of a mouth full of ceramic (seen in tests/studies: 0.7 to 0.9)."""


@frozen(eq=False)
class SurfaceForecast:
    """What the surface road stands on.

    Attributes
    ----------
    covariance : PoseCovariance or None
        None when the road is closed.
    why : str
    points_lps_mm : array of shape (n, 3)
        Edges that would carry the match.
    """

    covariance: PoseCovariance | None
    why: str
    points_lps_mm: FloatArray = field(converter=readonly, factory=lambda: np.zeros((0, 3)))


def forecast_surface(
    field_: GreyField, arch_lps_mm: AnyArray, up_lps: ArrayLike, degradation: Degradation | None = None
) -> SurfaceForecast:
    """Forecast the error of a surface match along an arch.

    Parameters
    ----------
    arch_lps_mm : array of shape (n, 3)
        At about the necks of the teeth.
    up_lps : array of shape (3,)
        From the jaw to its chewing surface.
    """
    points, normals = _rays(np.asarray(arch_lps_mm, dtype=np.float64), unit(up_lps))
    half = 0.5 * SEARCH_MM
    edges = edges_along(field_, points + half * normals, normals, half, prefer_mm=2.0 * half)
    good = edges.found & (edges.inside > DENSE_FROM) & (edges.slope > SHARP_SLOPE)
    places = points[good] + (half + edges.offset_mm[good])[:, None] * normals[good]
    level = None if degradation is None else np.asarray(degradation(places), dtype=np.float64)
    share = f"{100.0 * good.mean():.0f} % of the places along the arch show a tooth's edge"
    area = float(good.sum()) * STATION_STEP_MM * 1.5
    if area < LEAST_AREA_MM2 / 2.0:
        return SurfaceForecast(None, f"Too few tooth surfaces can be read: {share}.", places)
    kept = type(edges)(edges.offset_mm[good], edges.slope[good], edges.inside[good], edges.outside[good])
    sigma = edge_sigma_mm(kept, field_.noise, level)
    about = places.mean(axis=0)
    rows = np.hstack([normal_rows(places, normals[good], about), np.ones((len(places), 1))])
    matrix = (rows / sigma[:, None] ** 2).T @ rows
    matrix[6, 6] += 1.0 / OFFSET_PRIOR_MM[1] ** 2
    values = np.linalg.eigvalsh(matrix)
    if values[0] <= 0 or values[0] < 1e-9 * values[-1]:
        why = "The tooth surfaces that can be read do not hold the jaw in every direction."
        return SurfaceForecast(None, why, places)
    covariance = np.linalg.inv(matrix)[:6, :6]
    streak = 0.0 if level is None else float(np.clip(level.mean() / STREAKED_LEVEL, 0.0, 2.0))
    streaks = "" if level is None else f", mean streak level there {float(level.mean()):.2f}"
    pose = PoseCovariance((covariance + covariance.T) / 2.0 + unseen_covariance(streak), about)
    return SurfaceForecast(pose, f"{share}{streaks}.", places)


def _rays(arch: FloatArray, up: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give starts and directions of rays to both sides of the arch at several heights, and upwards."""
    length = float(lengths_mm(arch)[-1])
    along = at_lengths(arch, np.arange(0.0, length, STATION_STEP_MM))
    tangent = tangents(along)
    aside = np.cross(up, tangent)
    aside /= np.maximum(np.linalg.norm(aside, axis=1, keepdims=True), 1e-9)
    starts, directions = [], []
    for height in HEIGHTS_MM:
        for sign in (1.0, -1.0):
            starts.append(along + height * up)
            directions.append(sign * aside)
    for offset in (-1.5, 0.0, 1.5):
        starts.append(along + 2.0 * up + offset * aside)
        directions.append(np.tile(up, (len(along), 1)))
    return np.vstack(starts), np.vstack(directions)
