"""What the clinician marks besides arch and canal, as values that a case keeps.

Teeth, mental foramina, air spaces, drawn structures, the cut of a bone reduction; measurements are in `measure`.
Every position carries how well it is known.
"""

from __future__ import annotations

from enum import StrEnum

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.structures import Side
from planner_core.errors import PlannerError
from planner_core.findings import Finding
from planner_core.geometry.frames import AnyArray, FloatArray, readonly, readonly_bool, readonly_unit
from planner_core.geometry.surface import Surface

NO_POINTS = np.zeros((0, 3))


def _points(values: ArrayLike) -> AnyArray:
    """Give a read-only copy of points; none at all come back from the disk as an empty list."""
    array = np.asarray(values, dtype=np.float64)
    return readonly(array if array.size else NO_POINTS)


# ---------------------------------------------------------------- teeth


class ToothState(StrEnum):
    """What is to become of a tooth, which later steps obey (common practice, no source)."""

    SOUND = "sound"
    MOBILE = "mobile"
    """Carries no guide."""
    TO_EXTRACT = "to be extracted"
    """Carries no guide, leaves its socket, is no obstacle."""
    IMPACTED = "impacted"
    """Carries no guide, stays an obstacle."""
    RETAINED_ROOT = "retained root"
    """Carries no guide, stays an obstacle."""

    @property
    def carries_guide(self) -> bool:
        """Whether a guide may rest on it."""
        return self is ToothState.SOUND

    @property
    def stays(self) -> bool:
        """Whether it is still there when the fixtures are placed."""
        return self is not ToothState.TO_EXTRACT


ROUND_FROM = 0.8
"""Roundness from which a root counts as nearly cylindrical (our choice; the rule is common practice, no source)."""

STRAIGHT_TO_DEG = 10.0
"""Bend up to which a root counts as straight (our choice; the rule is common practice, no source)."""


@frozen
class RootForm:
    """The form of a root, which bears on taking the tooth out.

    Parameters
    ----------
    roundness : float
        Small over large diameter at mid-length, 0 to 1; 1 is round, nan where the root was not seen.
    bend_deg : float
        Angle between the upper and the lower half of the root.
    roots : int
        Separate roots at three quarters of the root's length.
    """

    roundness: float = float("nan")
    bend_deg: float = float("nan")
    roots: int = 1

    @property
    def nearly_cylindrical(self) -> bool:
        """Whether it is a single, nearly round and straight root."""
        return self.roots == 1 and self.roundness >= ROUND_FROM and self.bend_deg <= STRAIGHT_TO_DEG

    @property
    def note(self) -> str:
        """How the form bears on taking the tooth out (common practice, no source)."""
        if not (np.isfinite(self.roundness) and np.isfinite(self.bend_deg)):
            return "The root's form was not seen."
        if self.nearly_cylindrical:
            return "Single, nearly round and straight root: may be turned out (common practice, no source)."
        if self.roots > 1:
            return "More than one root: sectioning is likely (common practice, no source)."
        return "Flat or bent root: lifting or sectioning rather than turning (common practice, no source)."


@frozen(eq=False)
class MarkedTooth:
    """A tooth in the scan, crown and root.

    Parameters
    ----------
    site : str
        ISO 3950 two-digit number.
    surface : Surface
        Crown and root, LPS, triangles outwards.
    axis_lps : array of shape (3,)
        Long axis, unit, from the crown to the root's tip.
    neck_lps_mm, tip_lps_mm, apex_lps_mm : arrays of shape (3,)
        Middle of the neck, the crown's and the root's end on the axis.
    sigma_mm : float
        Standard deviation of the root's surface along its normal.
    sigma_crown_mm : float
    plus_lps_mm, minus_lps_mm : arrays of shape (n, 3)
        The clicks, kept so that one more click corrects the tooth.
    form : RootForm
    state : ToothState
    findings : tuple of Finding
    """

    site: str
    surface: Surface
    axis_lps: FloatArray = field(converter=readonly_unit)
    neck_lps_mm: FloatArray = field(converter=readonly)
    tip_lps_mm: FloatArray = field(converter=readonly)
    apex_lps_mm: FloatArray = field(converter=readonly)
    sigma_mm: float
    sigma_crown_mm: float
    plus_lps_mm: FloatArray = field(converter=_points)
    minus_lps_mm: FloatArray = field(converter=_points, factory=lambda: NO_POINTS)
    form: RootForm = RootForm()
    state: ToothState = ToothState.SOUND
    findings: tuple[Finding, ...] = ()

    @property
    def root_length_mm(self) -> float:
        """From the neck to the apex along the axis."""
        return float((self.apex_lps_mm - self.neck_lps_mm) @ self.axis_lps)


# ---------------------------------------------------------------- mental foramen


@frozen
class AnteriorLoop:
    """How far the canal runs in front of its foramen.

    Parameters
    ----------
    length_mm : float
        Along the arch, mm.
    sigma_mm : float
    traced : bool
        False: not seen, the published mean is given instead.
    keep_away_mm : float
        Distance in front of the foramen that stays free: length and margin.
    note : str
    """

    length_mm: float
    sigma_mm: float
    traced: bool
    keep_away_mm: float
    note: str


@frozen(eq=False)
class Foramen:
    """The opening of the canal on the outer side of the jaw.

    Parameters
    ----------
    point_lps_mm : array of shape (3,)
        Middle of the opening on the bone's surface.
    sigma_mm : float
        Standard deviation per axis.
    way_lps_mm : array of shape (n, 3)
        From the canal's front end to the opening.
    seen : bool
        False where bone closes the way: the opening is only a guess.
    loop : AnteriorLoop or None
        How far the canal runs in front of it.
    """

    point_lps_mm: FloatArray = field(converter=readonly)
    sigma_mm: float
    way_lps_mm: FloatArray = field(converter=_points)
    seen: bool
    loop: AnteriorLoop | None = None


# ---------------------------------------------------------------- air spaces


class CavityKind(StrEnum):
    """Which air space it is."""

    SINUS = "sinus"
    NASAL = "nasal"
    AIRWAY = "airway"


FLOOR_NAMES = {
    CavityKind.SINUS: "sinus floor",
    CavityKind.NASAL: "nasal floor",
    CavityKind.AIRWAY: "airway",
}


FLOOR_SEARCH_MM = 45.0
"""How far over a point a floor is looked for, mm (our choice: higher than a jaw)."""

FLOOR_ASIDE_MM = 1.2
"""Corners of the wall count as over a point this close to its plumb line, mm (our choice: two corners)."""


@frozen(eq=False)
class Cavity:
    """An air-filled space with its wall.

    Parameters
    ----------
    kind : CavityKind
    surface : Surface
        LPS; triangles turn out of the air, into mucosa or bone.
    volume_mm3 : float
    sigma_mm : float
        Standard deviation of the wall along its normal.
    septa_lps_mm : array of shape (n, 3)
        Tops of ridges that stand up from the floor.
    click_lps_mm : array of shape (3,)
    side : Side or None
        Of a sinus.
    findings : tuple of Finding
    """

    kind: CavityKind
    surface: Surface
    volume_mm3: float
    sigma_mm: float
    septa_lps_mm: FloatArray = field(converter=_points)
    click_lps_mm: FloatArray = field(converter=readonly)
    side: Side | None = None
    findings: tuple[Finding, ...] = ()

    @property
    def key(self) -> str:
        """Where it is kept in a plan: ``"sinus left"``, ``"nasal"``, ``"airway"``."""
        return self.kind.value if self.side is None else f"{self.kind.value} {self.side.value}"

    @property
    def name(self) -> str:
        """What the user reads, for example ``"sinus floor, left"``."""
        floor = FLOOR_NAMES[self.kind]
        return floor if self.side is None else f"{floor}, {self.side.value}"

    def floor_over(self, point_lps_mm: ArrayLike, up_lps: ArrayLike) -> tuple[float, float] | None:
        """Give the height (mm along `up_lps`) from a point to the space over it and its sigma, or None."""
        up = np.asarray(up_lps, dtype=np.float64)
        offset = self.surface.points_mm - np.asarray(point_lps_mm, dtype=np.float64)
        height = offset @ up
        aside = np.linalg.norm(offset - height[:, None] * up, axis=1)
        near = (aside < FLOOR_ASIDE_MM) & (height > 0.0) & (height < FLOOR_SEARCH_MM)
        if not near.any():
            return None
        return float(np.quantile(height[near], 0.02)), self.sigma_mm


# ---------------------------------------------------------------- drawn structures


class DrawnKind(StrEnum):
    """What a drawn structure is."""

    INCISIVE_CANAL = "incisive canal"
    FLOOR_VESSEL = "vessel of the floor of the mouth"
    LINGUAL_CONCAVITY = "lingual concavity"
    SINUS_ARTERY = "artery of the sinus wall"
    LESION = "lesion"
    IMPACTED_TOOTH = "impacted tooth"
    EXISTING_FIXTURE = "existing fixture"
    OTHER = "other"


TUBES = frozenset(
    {DrawnKind.INCISIVE_CANAL, DrawnKind.FLOOR_VESSEL, DrawnKind.SINUS_ARTERY, DrawnKind.EXISTING_FIXTURE}
)
"""Kinds that are drawn as a course with a diameter; the others have a wall."""


def _columns(values: ArrayLike) -> AnyArray:
    return readonly(np.atleast_1d(np.asarray(values, dtype=np.float64)))


def _outlines(values: tuple[ArrayLike, ...]) -> tuple[FloatArray, ...]:
    return tuple(readonly(np.asarray(value, dtype=np.float64).reshape(-1, 3)) for value in values)


@frozen(eq=False)
class DrawnStructure:
    """A structure that was traced or drawn by hand: a tube, or a wall with the outlines that it was drawn from.

    Parameters
    ----------
    name : str
        Unique in the case, for example ``"incisive canal, left"``.
    kind : DrawnKind
    points_lps_mm : array of shape (n, 3)
        Course of a tube; platform and apex of an existing fixture; empty for a wall.
    diameter_mm, sigma_mm : arrays of shape (n,)
        Along a tube: diameter, and standard deviation of the centre line across its course, per axis.
    certain : bool array of shape (n,)
        False where the course was not seen and is only joined up.
    surface : Surface or None
        The wall of what is no tube, LPS, triangles outwards.
    wall_sigma_mm : float
        Standard deviation of the wall along its normal.
    outlines_lps_mm : tuple of arrays of shape (k, 3)
        Closed outlines drawn in sections, one after the other through the structure.
    control_lps_mm : array of shape (k, 3)
        What the user clicked.
    note : str
    """

    name: str
    kind: DrawnKind
    points_lps_mm: FloatArray = field(converter=_points, factory=lambda: NO_POINTS)
    diameter_mm: FloatArray = field(converter=_columns, factory=lambda: np.zeros(0))
    sigma_mm: FloatArray = field(converter=_columns, factory=lambda: np.zeros(0))
    certain: AnyArray = field(converter=readonly_bool, factory=lambda: np.zeros(0, bool))
    surface: Surface | None = None
    wall_sigma_mm: float = 0.5
    outlines_lps_mm: tuple[FloatArray, ...] = field(converter=_outlines, default=())
    control_lps_mm: FloatArray = field(converter=_points, factory=lambda: NO_POINTS)
    note: str = ""

    def __attrs_post_init__(self) -> None:
        count = len(self.points_lps_mm)
        lengths = {len(self.diameter_mm), len(self.sigma_mm), len(self.certain)}
        if self.points_lps_mm.shape != (count, 3) or not np.isfinite(self.points_lps_mm).all():
            raise PlannerError(f"The course of {self.name!r} needs finite points.", "Draw it again.")
        if lengths != {count}:
            raise PlannerError(
                f"{self.name!r} needs one diameter, error and state for each point of its course.", "Draw it again."
            )
        if count and not ((self.diameter_mm > 0).all() and (self.sigma_mm >= 0).all()):
            raise PlannerError(f"The diameters of {self.name!r} must be above zero.", "Give another diameter.")
        if self.is_tube and count < 2:
            raise PlannerError(f"{self.name!r} needs two points at least.", "Click another point on it.")
        if not self.is_tube and (self.surface is None or not len(self.surface.triangles)):
            raise PlannerError(f"{self.name!r} has no wall.", "Draw its outline in two sections or more.")

    @property
    def is_tube(self) -> bool:
        """Whether it is a course with a diameter."""
        return len(self.points_lps_mm) > 0 or self.kind in TUBES


# ---------------------------------------------------------------- bone reduction


@frozen(eq=False)
class BoneCut:
    """The plane of a bone reduction: what lies on the normal's side is taken away.

    Parameters
    ----------
    point_lps_mm, normal_lps : arrays of shape (3,)
        The normal points out of the jaw that stays.
    """

    point_lps_mm: FloatArray = field(converter=readonly)
    normal_lps: FloatArray = field(converter=readonly_unit)

    @property
    def crest_cut(self) -> tuple[FloatArray, FloatArray]:
        """The cut as `planner_core.anatomy.ridge.ridge_at` takes it."""
        return self.point_lps_mm, self.normal_lps

    def over_mm(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Give how far points (n, 3) lie on the side that is taken away (mm, negative: stays)."""
        return np.asarray((np.asarray(points_lps_mm, dtype=np.float64) - self.point_lps_mm) @ self.normal_lps)
