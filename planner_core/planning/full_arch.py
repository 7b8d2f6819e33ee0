"""Full arch: spread and cantilever, divergence and angled abutments, space, bone to be taken off."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, angle_between_deg, readonly, readonly_unit, unit
from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import Abutment
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.plane_cut import above_volume_mm3, below_capped
from planner_core.planning.rays import hits_mm

CANTILEVER_FACTOR = 1.5
"""Cantilever over spread (English 1990, concept; teaching page, S2; quoted from 1.5 to 2.5)."""

CANTILEVER_CAP_MM = 20.0
"""Longest cantilever, mm, and at most two units (European consensus page, S)."""

CANTILEVER_CAUTION = (
    "The rule of the spread was never validated prospectively and the relation is not linear "
    "(Walter and Greenstein 2020, J Am Dent Assoc 151:790)."
)

ABUTMENT_LIMIT_DEG = 3.0
"""Angle between abutments that a common path of insertion still bears (our choice)."""

SPACE_NEEDED_MM: Mapping[str, tuple[float, float]] = {
    "single crown, screw-retained on the fixture": (4.0, 5.0),
    "screw-retained on abutments": (7.5, 7.5),
    "cemented": (7.0, 8.0),
    "overdenture on single attachments": (7.0, 7.0),
    "overdenture on a bar": (11.0, 11.0),
    "hybrid of acrylic and metal": (15.0, 15.0),
    "monolithic zirconia": (10.0, 14.0),
}
"""Space from platform to occlusal plane, mm, least and usual (Carpentieri, Greenstein, Cavallaro 2019, J Am Dent
Assoc, S; monolithic zirconia from teaching pages, S2). Bands, not constants."""


@frozen
class Spread:
    """Front-to-rear spread of the fixtures and the cantilever that the rule of thumb allows."""

    spread_mm: float
    cantilever_mm: float
    capped: bool
    caution: str = CANTILEVER_CAUTION


def spread_of(fixtures: Sequence[PlacedFixture], forward_lps: ArrayLike) -> Spread:
    """Give the spread from the line through the front fixture's centre to that through the rear ones' distal edges.

    Parameters
    ----------
    forward_lps : array of shape (3,)
        Towards the front of the arch (LPS: about -y).

    Raises
    ------
    PlannerError
        With fewer than three fixtures.
    """
    if len(fixtures) < 3:
        raise PlannerError("A spread needs at least three fixtures.", "Place more fixtures.")
    forward = unit(forward_lps)
    along = np.array([float(f.pose.platform_lps_mm @ forward) for f in fixtures])
    radius = np.array([f.shape.platform_diameter_mm / 2.0 for f in fixtures])
    across = np.array([float(f.pose.platform_lps_mm @ np.cross(forward, [0.0, 0.0, 1.0])) for f in fixtures])
    middle = float(np.median(across))
    rear = []
    for side in (across < middle, across >= middle):
        if side.any():
            k = np.flatnonzero(side)[int(np.argmin(along[side]))]
            rear.append(along[k] - radius[k])
    spread = float(along.max() - np.mean(rear))
    allowed = CANTILEVER_FACTOR * max(spread, 0.0)
    return Spread(spread, min(allowed, CANTILEVER_CAP_MM), allowed > CANTILEVER_CAP_MM)


@frozen
class Correction:
    """The abutment chosen for a fixture and what angle remains to the common path."""

    site: str
    divergence_deg: float
    abutment: Abutment
    residual_deg: float


def divergences_deg(fixtures: Mapping[str, PlacedFixture]) -> Mapping[tuple[str, str], float]:
    """Give the angle between every two fixtures."""
    sites = list(fixtures)
    return {
        (a, b): angle_between_deg(fixtures[a].pose.axis_lps, fixtures[b].pose.axis_lps)
        for i, a in enumerate(sites)
        for b in sites[i + 1 :]
    }


def correct(
    fixtures: Mapping[str, PlacedFixture], path_lps: ArrayLike, abutments: Sequence[Abutment]
) -> tuple[Correction, ...]:
    """Give the nearest abutment of each fixture for a common path of insertion.

    What remains is the best that its rotational positions can do: the abutment's angle turned half a step off at
    worst.

    Parameters
    ----------
    path_lps : array of shape (3,)
        Direction in which the framework is seated (towards the jaw).
    """
    if not abutments:
        raise PlannerError("There are no abutments to choose from.", "Read a list of abutments.")
    path = unit(path_lps)
    found = []
    for site, fixture in fixtures.items():
        away = angle_between_deg(fixture.pose.axis_lps, path)
        best = min(abutments, key=lambda a: (_residual_deg(away, a), a.angle_deg, a.height_mm))
        found.append(Correction(site, away, best, _residual_deg(away, best)))
    return tuple(found)


def _residual_deg(tilt_deg: float, abutment: Abutment) -> float:
    """Give the angle left between an abutment's axis and the path, turned half a rotational step off."""
    step = np.pi / abutment.rotational_positions if abutment.angle_deg > 0.0 else 0.0
    a, b = np.radians(tilt_deg), np.radians(abutment.angle_deg)
    cosine = np.cos(a) * np.cos(b) + np.sin(a) * np.sin(b) * np.cos(step)
    return float(np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))))


def common_path(fixtures: Mapping[str, PlacedFixture]) -> FloatArray:
    """Give the path of insertion whose largest angle to any fixture is least (unit vector towards the jaw)."""
    axes = np.array([f.pose.axis_lps for f in fixtures.values()])
    if not len(axes):
        raise PlannerError("There are no fixtures.", "Place fixtures first.")
    path = unit(axes.mean(axis=0))
    for k in range(400):
        worst = axes[int(np.argmin(axes @ path))]
        path = unit(path + (worst - path) / (k + 2.0))
    return path


@frozen
class Space:
    """Space over a platform against what a kind of prosthesis needs."""

    site: str
    available_mm: float
    needed_mm: float
    usual_mm: float

    @property
    def lacking_mm(self) -> float:
        """Bone to be taken off here, mm: what is needed less what there is, never below zero."""
        return max(0.0, self.needed_mm - self.available_mm)


def space_over(
    fixtures: Mapping[str, PlacedFixture],
    plane_point_lps_mm: ArrayLike,
    plane_normal_lps: ArrayLike,
    prosthesis: str,
) -> tuple[Space, ...]:
    """Give the space from every platform to the occlusal plane.

    Parameters
    ----------
    plane_normal_lps : array of shape (3,)
        Towards the opposing teeth.
    prosthesis : str
        A key of `SPACE_NEEDED_MM`.
    """
    if prosthesis not in SPACE_NEEDED_MM:
        raise PlannerError(f"No space is known for {prosthesis!r}.", f"Known: {', '.join(SPACE_NEEDED_MM)}.")
    least, usual = SPACE_NEEDED_MM[prosthesis]
    point, normal = np.asarray(plane_point_lps_mm, dtype=np.float64), unit(plane_normal_lps)
    return tuple(
        Space(site, float((point - f.pose.platform_lps_mm) @ normal), least, usual) for site, f in fixtures.items()
    )


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
) -> Reduction:
    """Take the bone off down to a plane, and measure what that is.

    The volume is that of the closed surface over the plane, by the divergence theorem, cap included.

    Parameters
    ----------
    normal_lps : array of shape (3,) or None
        Towards what is taken off; None = away from the jaw along the arch's vertical.
    """
    away = arch.up_lps if arch.jaw == Jaw.LOWER else -arch.up_lps
    normal = unit(away if normal_lps is None else normal_lps)
    point = np.asarray(point_lps_mm, dtype=np.float64)
    stations = np.arange(np.ceil(arch.stations_mm[0]), arch.stations_mm[-1], step_mm)
    across = np.arange(-reach_mm, reach_mm + 0.5 * step_mm, step_mm)
    heights = np.full((len(stations), len(across)), np.nan)
    crest = np.full((len(stations), 3), np.nan)
    near = _over(bone, point, normal)
    for k, station in enumerate(stations):
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
    volume = above_volume_mm3(bone, point, normal)
    below = below_capped(bone, point, normal)
    return Reduction(point, normal, volume, stations, taken, heights, across, crest, below)


def _over(bone: Surface, point: FloatArray, normal: FloatArray) -> Surface:
    height = (bone.points_mm - point) @ normal
    keep = (height[bone.triangles] > 0.0).any(axis=1)
    return Surface(bone.points_mm, bone.triangles[keep], bone.frame)


@frozen
class LipLimit:
    """The lip or transition line at full smile, typed or drawn: the cut must stay beyond it."""

    height_mm: float
    """Distance of the line from the plane along its normal, mm; + towards the opposing teeth."""

    def text(self) -> str:
        """Say whether the transition stays hidden."""
        if self.height_mm > 0.0:
            return f"The transition lies {self.height_mm:.1f} mm behind the lip line."
        return (
            f"The transition shows by {-self.height_mm:.1f} mm at full smile: take off more or change the design."
        )
