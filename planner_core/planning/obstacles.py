"""What a fixture and its drill must keep away from, as geometry with its uncertainty."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from enum import StrEnum

import numpy as np
from attrs import evolve, field, frozen

from planner_core.anatomy.marked import (
    Cavity,
    CavityKind,
    DrawnKind,
    DrawnStructure,
    Foramen,
    MarkedTooth,
    ToothState,
)
from planner_core.anatomy.structures import BoneSurface, Canal
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly, readonly_or_none, readonly_unit
from planner_core.geometry.surface import Surface

UNCERTAIN_COURSE_SIGMA_MM = 1.0
"""Least standard deviation (mm, per axis) of a canal where its course is only joined up and not seen.

Our choice: about half a canal's width; a manual landmark in a clear scan has 0.35 to 0.5 mm (Tomasi 2011, S).
"""

LANDMARK_SIGMA_MM = 0.4
"""Standard deviation (mm, per axis) of a structure marked by hand whose own uncertainty is not given.

Tomasi et al. 2011, Dentomaxillofac Radiol 40:244: repeatability 0.36 to 0.48 mm (S).
"""

FORAMEN_RADIUS_MM = 1.55
"""Half the height of the mental foramen, 3.1 mm (Int J Dent 2018:4571895, S)."""


class ObstacleKind(StrEnum):
    """What kind of thing is in the way."""

    CANAL = "canal"
    FORAMEN = "foramen"
    """Mental foramen with the anterior loop."""
    ROOT = "root"
    FIXTURE = "fixture"
    BONE_SURFACE = "bone surface"
    SINUS_FLOOR = "sinus floor"
    NASAL_FLOOR = "nasal floor"
    INCISIVE_CANAL = "incisive canal"
    FLOOR_VESSEL = "vessel of the floor of the mouth"
    """Ranks with the nerve: bleeding there can close the airway (common practice, no source)."""
    LINGUAL_CONCAVITY = "lingual concavity"
    """Wall of the undercut over those vessels; ranks with the nerve."""
    SINUS_ARTERY = "artery of the sinus wall"
    LESION = "lesion"
    IMPACTED_TOOTH = "impacted tooth"
    DRAWN = "drawn"
    """Anything else that the user drew."""


def _radii(values: object) -> FloatArray:
    return readonly(np.atleast_1d(np.asarray(values, dtype=np.float64)))


@frozen(eq=False)
class Tube:
    """A tube along a polyline: the union of balls whose radius changes linearly from point to point.

    Parameters
    ----------
    path_lps_mm : array of shape (n, 3), n >= 1
        Centre line; a single point is a ball.
    radius_mm : array of shape (n,) or one number
        Outer wall.
    sigma_mm : array of shape (n,) or None
        Standard deviation of the centre line per axis, where it differs along the tube.
    """

    path_lps_mm: FloatArray = field(converter=readonly)
    radius_mm: FloatArray = field(converter=_radii)
    sigma_mm: FloatArray | None = field(converter=readonly_or_none, default=None)

    def __attrs_post_init__(self) -> None:
        path = self.path_lps_mm
        if path.ndim != 2 or path.shape[1] != 3 or len(path) < 1 or not np.isfinite(path).all():
            raise PlannerError("A tube needs a path of finite points.", "Mark its course again.")
        if len(self.radius_mm) == 1 and len(path) != 1:
            object.__setattr__(self, "radius_mm", readonly(np.full(len(path), self.radius_mm[0])))
        if len(self.radius_mm) != len(path) or np.any(self.radius_mm < 0):
            raise PlannerError("A tube needs one radius of zero or more for each point of its path.", "")
        if self.sigma_mm is not None and len(self.sigma_mm) != len(path):
            raise PlannerError("A tube's uncertainty needs one value for each point of its path.", "")


@frozen(eq=False)
class Revolution:
    """A solid of revolution standing somewhere, for example a fixture that is already in the jaw.

    Parameters
    ----------
    profile_mm : array of shape (k, 2)
        (depth below `origin_lps_mm` along the axis, radius), depths ascending.
    """

    profile_mm: FloatArray = field(converter=readonly)
    origin_lps_mm: FloatArray = field(converter=readonly)
    axis_lps: FloatArray = field(converter=readonly_unit)


Geometry = Tube | Surface | Revolution


@frozen(eq=False)
class Obstacle:
    """One thing in the way.

    Parameters
    ----------
    kind : ObstacleKind
    name : str
        What the user reads, for example "canal, left" or "root 35".
    geometry : Tube, Surface or Revolution
        In LPS mm.
    sigma_mm : float
        Standard deviation of its position across its wall (mm): how well this scan shows it. Kept apart from what
        moves the drill.
    inside : bool
        True where the fixture belongs inside (bone surface): the distance is then what is left around it.
    """

    kind: ObstacleKind
    name: str
    geometry: Geometry
    sigma_mm: float = LANDMARK_SIGMA_MM
    inside: bool = False

    def __attrs_post_init__(self) -> None:
        if not np.isfinite(self.sigma_mm) or self.sigma_mm < 0:
            raise PlannerError(f"The uncertainty of {self.name!r} must be zero or more.", "Correct it.")
        if isinstance(self.geometry, Surface) and len(self.geometry.triangles) == 0:
            raise PlannerError(f"The surface of {self.name!r} is empty.", "Mark it again.")

    def sigma_at(self, point_lps_mm: FloatArray) -> float:
        """Give the standard deviation (mm, per axis) of the obstacle near a point, shape (3,)."""
        geometry = self.geometry
        if isinstance(geometry, Tube) and geometry.sigma_mm is not None:
            offsets = geometry.path_lps_mm - np.asarray(point_lps_mm, dtype=np.float64)
            return float(geometry.sigma_mm[int(np.argmin(np.einsum("ij,ij->i", offsets, offsets)))])
        return self.sigma_mm

    def with_sigma(self, sigma_mm: float) -> Obstacle:
        """Give the obstacle with another overall uncertainty (mm)."""
        return evolve(self, sigma_mm=sigma_mm)


def canal_obstacle(canal: Canal) -> Obstacle:
    """Give a canal as an obstacle by its outer wall; where it was not seen, its place is taken as less certain."""
    sigma = np.where(canal.certain, canal.sigma_mm, np.maximum(canal.sigma_mm, UNCERTAIN_COURSE_SIGMA_MM))
    return Obstacle(
        ObstacleKind.CANAL,
        f"canal, {canal.side.value}",
        Tube(canal.path_lps_mm, canal.radius_mm, sigma),
        sigma_mm=float(np.mean(sigma)),
    )


def foramen_obstacle(name: str, point_lps_mm: FloatArray, sigma_mm: float = LANDMARK_SIGMA_MM) -> Obstacle:
    """Give a mental foramen marked by a point as a ball of its published size."""
    return Obstacle(
        ObstacleKind.FORAMEN, name, Tube(np.asarray(point_lps_mm).reshape(1, 3), FORAMEN_RADIUS_MM), sigma_mm
    )


def marked_foramen_obstacle(side: str, foramen: Foramen) -> Obstacle:
    """Give a mental foramen as an obstacle.

    With its loop traced it counts as an end of the canal; else its margin holds room for the published loop.
    """
    traced = foramen.loop is not None and foramen.loop.traced
    sigma = foramen.sigma_mm if foramen.seen else max(foramen.sigma_mm, UNCERTAIN_COURSE_SIGMA_MM)
    found = foramen_obstacle(f"mental foramen, {side}", foramen.point_lps_mm, sigma)
    return evolve(found, kind=ObstacleKind.CANAL) if traced else found


def tooth_obstacle(tooth: MarkedTooth) -> Obstacle:
    """Give a tooth that stays as an obstacle: crown and root, as well known as its root."""
    if tooth.state is ToothState.IMPACTED:
        return Obstacle(ObstacleKind.IMPACTED_TOOTH, f"impacted tooth {tooth.site}", tooth.surface, tooth.sigma_mm)
    return Obstacle(ObstacleKind.ROOT, f"root {tooth.site}", tooth.surface, tooth.sigma_mm)


_CAVITY_KINDS = {CavityKind.SINUS: ObstacleKind.SINUS_FLOOR, CavityKind.NASAL: ObstacleKind.NASAL_FLOOR}
"""An airway is shown and measured; no fixture comes near it."""


def cavity_obstacle(cavity: Cavity) -> Obstacle:
    """Give a sinus or the nasal space as an obstacle.

    Raises
    ------
    KeyError
        For an airway.
    """
    return Obstacle(_CAVITY_KINDS[cavity.kind], cavity.name, cavity.surface, cavity.sigma_mm)


_DRAWN_KINDS = {
    DrawnKind.INCISIVE_CANAL: ObstacleKind.INCISIVE_CANAL,
    DrawnKind.FLOOR_VESSEL: ObstacleKind.FLOOR_VESSEL,
    DrawnKind.LINGUAL_CONCAVITY: ObstacleKind.LINGUAL_CONCAVITY,
    DrawnKind.SINUS_ARTERY: ObstacleKind.SINUS_ARTERY,
    DrawnKind.LESION: ObstacleKind.LESION,
    DrawnKind.IMPACTED_TOOTH: ObstacleKind.IMPACTED_TOOTH,
    DrawnKind.EXISTING_FIXTURE: ObstacleKind.FIXTURE,
    DrawnKind.OTHER: ObstacleKind.DRAWN,
}


def drawn_obstacle(drawn: DrawnStructure) -> Obstacle:
    """Give a drawn structure as an obstacle: a tube by its wall, a fixture as a cylinder, else its surface."""
    kind = _DRAWN_KINDS[drawn.kind]
    if not drawn.is_tube:
        assert drawn.surface is not None  # the structure sees to it
        return Obstacle(kind, drawn.name, drawn.surface, drawn.wall_sigma_mm)
    points, radius = drawn.points_lps_mm, drawn.diameter_mm / 2.0
    sigma = np.where(drawn.certain, drawn.sigma_mm, np.maximum(drawn.sigma_mm, UNCERTAIN_COURSE_SIGMA_MM))
    if drawn.kind is DrawnKind.EXISTING_FIXTURE:
        axis = points[-1] - points[0]
        depth = np.linalg.norm(points - points[0], axis=1)
        body = Revolution(np.column_stack([depth, radius]), points[0], axis)
        return Obstacle(kind, drawn.name, body, float(np.mean(sigma)))
    return Obstacle(kind, drawn.name, Tube(points, radius, sigma), float(np.mean(sigma)))


def obstacles_of(
    canals: Mapping[str, Canal] | Iterable[Canal] = (),
    bone: BoneSurface | None = None,
    others: Iterable[Obstacle] = (),
    *,
    foramina: Mapping[str, Foramen] | None = None,
    teeth: Mapping[str, MarkedTooth] | None = None,
    cavities: Mapping[str, Cavity] | None = None,
    drawn: Mapping[str, DrawnStructure] | None = None,
) -> tuple[Obstacle, ...]:
    """Give canals, bone surface and whatever else was marked as obstacles.

    Parameters
    ----------
    canals : mapping or iterable of Canal
    bone : BoneSurface or None
        The fixture belongs inside it.
    others : iterable of Obstacle
    foramina : mapping of side to Foramen, optional
    teeth : mapping of site to MarkedTooth, optional
        One that is to be extracted is no obstacle.
    cavities : mapping of Cavity, optional
        An airway is no obstacle.
    drawn : mapping of DrawnStructure, optional
    """
    members = canals.values() if isinstance(canals, Mapping) else canals
    found = [canal_obstacle(canal) for canal in members]
    found += [marked_foramen_obstacle(side, foramen) for side, foramen in (foramina or {}).items()]
    found += [tooth_obstacle(tooth) for tooth in (teeth or {}).values() if tooth.state.stays]
    found += [cavity_obstacle(c) for c in (cavities or {}).values() if c.kind in _CAVITY_KINDS]
    found += [drawn_obstacle(structure) for structure in (drawn or {}).values()]
    if bone is not None and len(bone.surface.triangles):
        found.append(
            Obstacle(ObstacleKind.BONE_SURFACE, "bone surface", bone.surface, float(bone.sigma_mm), inside=True)
        )
    return (*found, *others)
