"""Bone to be taken off for a prosthesis: volume, mm per station, a height map, and what remains below."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.marked import Cavity
from planner_core.anatomy.structures import ArchCurve, Canal, Jaw
from planner_core.geometry.frames import FloatArray, readonly, readonly_unit, unit
from planner_core.geometry.surface import Surface
from planner_core.planning.plane_cut import above_volume_mm3, below_capped
from planner_core.planning.rays import hits_mm
from planner_core.progress import Progress, silent

STATION_WINDOW_MM = 1.0
"""A canal is looked for within this of a station, mm (our choice: its points stand closer)."""


@frozen(eq=False)
class Reduction:
    """Bone taken off down to a plane.

    Parameters
    ----------
    point_lps_mm, normal_lps : arrays of shape (3,)
        The plane; its normal points towards what is taken off.
    volume_mm3 : float
    stations_mm, taken_mm : arrays of shape (k,)
        Greatest height taken off at each station of the arch.
    height_map_mm : array of shape (k, m)
        Height taken off by station and by place across the ridge (nan beside the bone).
    across_mm : array of shape (m,)
        Places across the ridge, + outwards.
    new_crest_lps_mm : array of shape (k, 3)
        Middle of the cut at each station (nan where nothing is taken).
    bone : Surface
        The bone that remains, cut and capped.
    """

    point_lps_mm: FloatArray = field(converter=readonly)
    normal_lps: FloatArray = field(converter=readonly_unit)
    volume_mm3: float
    stations_mm: FloatArray
    taken_mm: FloatArray
    height_map_mm: FloatArray
    across_mm: FloatArray
    new_crest_lps_mm: FloatArray
    bone: Surface


def reduce_bone(
    bone: Surface,
    arch: ArchCurve,
    point_lps_mm: ArrayLike,
    normal_lps: ArrayLike | None = None,
    *,
    step_mm: float = 1.0,
    reach_mm: float = 12.0,
    between_mm: tuple[float, float] | None = None,
    progress: Progress = silent,
) -> Reduction:
    """Take the bone off down to a plane, and measure what that is.

    The volume is that of the closed surface over the plane, by the divergence theorem, cap included.

    Parameters
    ----------
    normal_lps : array of shape (3,) or None
        Towards what is taken off; None = away from the jaw along the arch's vertical.
    between_mm : (from, to) stations or None
        Only there is bone taken off; None = along the whole arch.
    """
    away = arch.up_lps if arch.jaw == Jaw.LOWER else -arch.up_lps
    normal = unit(away if normal_lps is None else normal_lps)
    point = np.asarray(point_lps_mm, dtype=np.float64)
    first, last = float(arch.stations_mm[0]), float(arch.stations_mm[-1])
    if between_mm is not None:
        first, last = max(first, between_mm[0]), min(last, between_mm[1])
    stations = np.arange(np.ceil(first), last, step_mm)
    across = np.arange(-reach_mm, reach_mm + 0.5 * step_mm, step_mm)
    heights = np.full((len(stations), len(across)), np.nan)
    crest = np.full((len(stations), 3), np.nan)
    near = _over(bone, point, normal)
    for k, station in enumerate(stations):
        progress(k / len(stations), "Measuring the bone to be taken off")
        centre, outward = arch.point_at(float(station)), arch.outward_at(float(station))
        outward = unit(outward - float(outward @ normal) * normal)
        base = centre - float((centre - point) @ normal) * normal
        cut = []
        for m, offset in enumerate(across):
            spot = base + offset * outward
            met = hits_mm(near, spot, normal) if len(near.triangles) else np.zeros(0)
            met = met[met > 0.0]
            if len(met):
                heights[k, m] = float(met[-1])
                cut.append(spot)
        if cut:
            crest[k] = np.mean(cut, axis=0)
    taken = np.where(np.isnan(heights).all(axis=1), 0.0, np.nanmax(np.nan_to_num(heights), axis=1))
    piece = bone
    if between_mm is not None:
        for station, sign in ((first, -1.0), (last, 1.0)):
            piece = below_capped(piece, arch.point_at(station), sign * arch.tangent_at(station))
    volume = above_volume_mm3(piece, point, normal)
    below = below_capped(bone, point, normal)
    return Reduction(point, normal, volume, stations, taken, heights, across, crest, below)


def _over(bone: Surface, point: FloatArray, normal: FloatArray) -> Surface:
    height = (bone.points_mm - point) @ normal
    keep = (height[bone.triangles] > 0.0).any(axis=1)
    return Surface(bone.points_mm, bone.triangles[keep], bone.frame)


@frozen(eq=False)
class Remaining:
    """What remains at a station after the cut.

    Parameters
    ----------
    limit : str
        "canal" or "sinus floor".
    height_mm : float
        From the new crest to the canal's outer wall or the floor; negative where the cut goes past it.
    """

    station_mm: float
    limit: str
    height_mm: float


def remaining(
    taken: Reduction, arch: ArchCurve, canals: Iterable[Canal] = (), cavities: Iterable[Cavity] = ()
) -> tuple[Remaining, ...]:
    """Give the height that remains above the canal and below the sinus at each station of the cut."""
    found = []
    courses = [
        (
            np.array([arch.station_of(p) for p in canal.path_lps_mm]),
            (canal.path_lps_mm - taken.point_lps_mm) @ -taken.normal_lps - canal.radius_mm,
        )
        for canal in canals
    ]
    for k, station in enumerate(taken.stations_mm.tolist()):
        if not np.isfinite(taken.new_crest_lps_mm[k]).all():
            continue
        for stations, below in courses:
            near = np.abs(stations - station) <= STATION_WINDOW_MM
            if near.any():
                found.append(Remaining(station, "canal", float(below[near].min())))
        for cavity in cavities:
            over = cavity.floor_over(taken.new_crest_lps_mm[k], -taken.normal_lps)
            if over is not None:
                found.append(Remaining(station, "sinus floor", over[0]))
    return tuple(found)
