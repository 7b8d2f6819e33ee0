"""Planned teeth: editable crowns of our own making, placed along arch and occlusal plane."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from functools import cache
from importlib import resources

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import (
    FloatArray,
    angle_between_deg,
    readonly,
    readonly_unit,
    rotation_about,
    unit,
)
from planner_core.geometry.surface import Surface
from planner_core.planning.fixture import PlacedFixture
from planner_core.planning.rays import first_hit_mm

CERVICAL_SHARE = 0.78
"""Width at the gingiva over the greatest (from the same tables: 7.0 of 8.5, 8.0 of 10.0, 5.0 of 7.0; S2)."""

CONTACT_HEIGHT_SHARE = 0.65
"""Height of the contacts over that of the crown (junction of the occlusal and middle thirds; M)."""

GINGIVA_MM = 3.0
"""Soft tissue over the crest, from which a crown rises while no surface scan says otherwise (our choice)."""

EXIT_SHARE = 0.25
"""Screw exits within this share of the crown's diameters from its middle count as inside the occlusal table
(our choice)."""

ARTICULATION_GAP_MM = 0.05
"""Room left to the opposing teeth, mm (our choice: a foil)."""


@frozen
class CrownSize:
    """Average crown of a tooth, mm, with its mark."""

    height_mm: float
    mesiodistal_mm: float
    faciolingual_mm: float
    mark: str


CROWN_SOURCE = "tables of Wheeler's Dental Anatomy, Physiology and Occlusion (Ash, Nelson)"


@cache
def _sizes() -> Mapping[str, Mapping[str, CrownSize]]:
    text = resources.files("planner_core.planning").joinpath("data", "crowns.toml").read_text(encoding="utf-8")
    return {jaw: {k: CrownSize(**row) for k, row in rows.items()} for jaw, rows in tomllib.loads(text).items()}


def _checked(site: str) -> tuple[int, int]:
    if len(site) != 2 or not site.isdigit() or site[0] not in "1234" or site[1] not in "12345678":
        raise PlannerError(f"{site!r} is not a site of a permanent tooth.", "Use ISO 3950 numbers from 11 to 48.")
    return int(site[0]), int(site[1])


def crown_size(site: str) -> CrownSize:
    """Give the average crown of a tooth by its ISO 3950 number."""
    quadrant, tooth = _checked(site)
    return _sizes()["upper" if quadrant <= 2 else "lower"][str(tooth)]


def is_left(site: str) -> bool:
    """Tell whether a site lies on the patient's left."""
    return _checked(site)[0] in (2, 3)


def average_station_mm(site: str) -> float:
    """Give the station at which a tooth of average neighbours stands, mm from the midline, + to the left."""
    quadrant, tooth = _checked(site)
    before = sum(crown_size(f"{quadrant}{k}").mesiodistal_mm for k in range(1, tooth))
    middle = before + crown_size(site).mesiodistal_mm / 2.0
    return middle if is_left(site) else -middle


@frozen(eq=False)
class PlannedTooth:
    """One planned crown.

    Parameters
    ----------
    cervical_lps_mm : array of shape (3,)
        Middle of the crown at the planned gingival margin.
    along_lps, facial_lps, occlusal_lps : arrays of shape (3,)
        Unit vectors along the arch (growing station), to cheek or lip, and towards the opposing teeth.
    shape : Surface or None
        The crown's own surface, where it came from a wax-up or prosthesis; else it is made from the sizes.
    """

    site: str
    cervical_lps_mm: FloatArray = field(converter=readonly)
    along_lps: FloatArray = field(converter=readonly_unit)
    facial_lps: FloatArray = field(converter=readonly_unit)
    occlusal_lps: FloatArray = field(converter=readonly_unit)
    mesiodistal_mm: float
    faciolingual_mm: float
    height_mm: float
    source: str = CROWN_SOURCE
    mark: str = "M"
    shape: Surface | None = None

    def __attrs_post_init__(self) -> None:
        _checked(self.site)
        if min(self.mesiodistal_mm, self.faciolingual_mm, self.height_mm) <= 0.5:
            raise PlannerError(f"The crown {self.site} has no size left.", "Make it wider or higher.")

    @property
    def anterior(self) -> bool:
        """Whether it is an incisor or canine."""
        return self.site[1] in "123"

    @property
    def middle_lps_mm(self) -> FloatArray:
        """Middle of the occlusal table or incisal edge."""
        return self.cervical_lps_mm + self.height_mm * self.occlusal_lps

    @property
    def exit_lps_mm(self) -> FloatArray:
        """Where a screw should leave: middle of the table; behind the edge (cingulum) of front teeth."""
        back = -0.25 * self.faciolingual_mm if self.anterior else 0.0
        return self.middle_lps_mm + back * self.facial_lps

    def contacts_lps_mm(self) -> tuple[FloatArray, FloatArray]:
        """Give the contact points towards growing and falling station."""
        height = self.cervical_lps_mm + CONTACT_HEIGHT_SHARE * self.height_mm * self.occlusal_lps
        half = self.mesiodistal_mm / 2.0 * self.along_lps
        return height + half, height - half

    def moved(self, by_mm: ArrayLike) -> PlannedTooth:
        """Give the crown moved by a vector in LPS."""
        shift = np.asarray(by_mm, dtype=np.float64)
        shape = None
        if self.shape is not None:
            shape = Surface(self.shape.points_mm + shift, self.shape.triangles, self.shape.frame)
        return evolve(self, cervical_lps_mm=self.cervical_lps_mm + shift, shape=shape)

    def turned(self, about_lps: ArrayLike, angle_deg: float) -> PlannedTooth:
        """Give the crown turned about an axis through its cervical middle."""
        turn = rotation_about(about_lps, np.radians(angle_deg))
        shape = None
        if self.shape is not None:
            points = (self.shape.points_mm - self.cervical_lps_mm) @ turn.T + self.cervical_lps_mm
            shape = Surface(points, self.shape.triangles, self.shape.frame)
        return evolve(
            self,
            along_lps=turn @ self.along_lps,
            facial_lps=turn @ self.facial_lps,
            occlusal_lps=turn @ self.occlusal_lps,
            shape=shape,
        )

    def surface(self, rings: int = 16, around: int = 48) -> Surface:
        """Give the crown's closed surface in LPS."""
        if self.shape is not None:
            return self.shape
        local, triangles = _crown_mesh(self, rings, around)
        axes = np.array([self.along_lps, self.facial_lps, self.occlusal_lps])
        points = self.cervical_lps_mm + local @ axes
        if np.linalg.det(axes) < 0:
            triangles = triangles[:, ::-1]
        return Surface(points, triangles)


def _crown_mesh(tooth: PlannedTooth, rings: int, around: int) -> tuple[FloatArray, np.ndarray]:
    """Give local points (along, facial, occlusal) and triangles: side rings, a table with cusps, a flat floor."""
    turn = np.linspace(0.0, 2.0 * np.pi, around, endpoint=False)
    power = 2.0 if tooth.anterior else 2.6
    c, s = np.cos(turn), np.sin(turn)
    outline = np.stack([np.sign(c) * np.abs(c) ** (2 / power), np.sign(s) * np.abs(s) ** (2 / power)], axis=1)
    half = np.array([tooth.mesiodistal_mm, tooth.faciolingual_mm]) / 2.0
    points = []
    for v in np.linspace(0.0, 1.0, rings):
        wide = _bulge(v, CERVICAL_SHARE, 0.86)
        thick = _bulge(v, CERVICAL_SHARE, 0.16 if tooth.anterior else 0.72)
        ring = outline * half * [wide, thick]
        points.append(np.column_stack([ring, np.full(around, v * tooth.height_mm)]))
    edge = points[-1]
    cusps = {"1": 0, "2": 0, "3": 1, "4": 2, "5": 2}.get(tooth.site[1], 4)
    for shrink in np.linspace(0.85, 0.15, 5):
        flat = edge[:, :2] * shrink
        relief = 0.06 * tooth.height_mm * np.cos(cusps * turn + np.pi / 4 * (cusps == 4)) if cusps else 0 * turn
        dip = 0.0 if tooth.anterior else 0.12 * tooth.height_mm * (1.0 - shrink)
        lift = tooth.height_mm - dip + relief * shrink * (1.0 - shrink) * 4.0
        points.append(np.column_stack([flat, lift]))
    grid = np.array(points)
    levels = len(grid)
    top = grid[-1].mean(axis=0)
    bottom = grid[0].mean(axis=0)
    stacked = np.vstack([grid.reshape(-1, 3), top, bottom])
    i, j = np.meshgrid(np.arange(levels - 1), np.arange(around), indexing="ij")
    a, b = i * around + j, i * around + (j + 1) % around
    d, e = a + around, b + around
    sides = np.concatenate([np.stack([a, b, e], -1).reshape(-1, 3), np.stack([a, e, d], -1).reshape(-1, 3)])
    k = np.arange(around)
    last = (levels - 1) * around
    roof = np.stack([last + k, last + (k + 1) % around, np.full(around, levels * around)], -1)
    floor = np.stack([(k + 1) % around, k, np.full(around, levels * around + 1)], -1)
    return stacked, np.concatenate([sides, roof, floor])


def _bulge(v: float, low: float, high: float) -> float:
    """Give the width share at height v: `low` at the gingiva, one at the contacts, `high` at the top."""
    if v <= CONTACT_HEIGHT_SHARE:
        return low + (1.0 - low) * float(np.sin(0.5 * np.pi * v / CONTACT_HEIGHT_SHARE))
    t = (v - CONTACT_HEIGHT_SHARE) / (1.0 - CONTACT_HEIGHT_SHARE)
    return 1.0 + (high - 1.0) * t**2


def tooth_at(arch: ArchCurve, site: str, station_mm: float, width_mm: float | None = None) -> PlannedTooth:
    """Give an average crown at a station of the arch, rising over the curve by `GINGIVA_MM`."""
    size = crown_size(site)
    occlusal = arch.up_lps if arch.jaw == Jaw.LOWER else -arch.up_lps
    along, facial = arch.tangent_at(station_mm), arch.outward_at(station_mm)
    return PlannedTooth(
        site,
        arch.point_at(station_mm) + GINGIVA_MM * occlusal,
        along,
        facial,
        occlusal,
        size.mesiodistal_mm if width_mm is None else width_mm,
        size.faciolingual_mm,
        size.height_mm,
        CROWN_SOURCE,
        size.mark,
    )


def set_up_teeth(
    arch: ArchCurve, sites: Sequence[str], gap_mm: tuple[float, float] | None = None
) -> tuple[PlannedTooth, ...]:
    """Set up missing teeth side by side.

    Parameters
    ----------
    sites : sequence of str
        Neighbouring sites of this jaw, in any order.
    gap_mm : (from, to) stations between the contacts of the neighbours that stand, or None
        The gap is shared in proportion to the average widths. None: average stations from the midline.

    Raises
    ------
    PlannerError
        If a site belongs to the other jaw, or the gap is too narrow for its teeth.
    """
    upper = arch.jaw == Jaw.UPPER
    for site in sites:
        if (_checked(site)[0] <= 2) != upper:
            raise PlannerError(f"Site {site} is not in the {arch.jaw.value} jaw.", "Choose sites of this jaw.")
    ordered = sorted(sites, key=average_station_mm)
    if gap_mm is None:
        return tuple(tooth_at(arch, site, average_station_mm(site)) for site in ordered)
    start, stop = min(gap_mm), max(gap_mm)
    widths = np.array([crown_size(site).mesiodistal_mm for site in ordered])
    share = (stop - start) / float(widths.sum())
    if share < 0.6:
        raise PlannerError(
            f"A gap of {stop - start:.1f} mm is too narrow for {len(ordered)} teeth of {widths.sum():.1f} mm.",
            "Plan fewer teeth.",
        )
    edges = start + np.concatenate([[0.0], np.cumsum(widths * share)])
    return tuple(
        tooth_at(arch, site, float(edges[k] + edges[k + 1]) / 2.0, float(widths[k] * share))
        for k, site in enumerate(ordered)
    )


def fit_to_opposing(tooth: PlannedTooth, opposing: Surface) -> PlannedTooth:
    """Give the crown with its height set to meet the opposing teeth, `ARTICULATION_GAP_MM` apart.

    Raises
    ------
    PlannerError
        If nothing of the opposing surface lies over the crown, or it leaves no height.
    """
    reach = []
    for a in (-0.3, 0.0, 0.3):
        for f in (-0.3, 0.0, 0.3):
            start = tooth.cervical_lps_mm + (
                a * tooth.mesiodistal_mm * tooth.along_lps + f * tooth.faciolingual_mm * tooth.facial_lps
            )
            hit = first_hit_mm(opposing, start, tooth.occlusal_lps)
            if hit is not None:
                reach.append(hit)
    if not reach:
        raise PlannerError(f"No opposing tooth lies over {tooth.site}.", "Set its height by hand.")
    height = min(reach) - ARTICULATION_GAP_MM
    if height <= 1.0:
        raise PlannerError(
            f"The opposing teeth leave {height:.1f} mm over the gingiva at {tooth.site}.",
            "Check the match of the jaws.",
        )
    return evolve(tooth, height_mm=height)


def tooth_from_surface(arch: ArchCurve, site: str, station_mm: float, surface: Surface) -> PlannedTooth:
    """Take a planned tooth out of an imported wax-up or prosthesis (in LPS) at a station.

    Raises
    ------
    PlannerError
        If the surface has nothing there.
    """
    rough = tooth_at(arch, site, station_mm)
    axes = np.array([rough.along_lps, rough.facial_lps, rough.occlusal_lps])
    local = (surface.points_mm - rough.cervical_lps_mm) @ axes.T
    half = crown_size(site).mesiodistal_mm / 2.0 + 0.5
    deep = crown_size(site).faciolingual_mm
    near = (np.abs(local[:, 0]) <= half) & (np.abs(local[:, 1]) <= deep) & (np.abs(local[:, 2]) <= 20.0)
    kept = near[surface.triangles].all(axis=1)
    if kept.sum() < 20:
        raise PlannerError(f"The surface has no tooth at station {station_mm:.1f} mm.", "Choose another station.")
    used = np.unique(surface.triangles[kept])
    index = np.full(len(surface.points_mm), -1)
    index[used] = np.arange(len(used))
    part = Surface(surface.points_mm[used], index[surface.triangles[kept]])
    low, high = local[used].min(axis=0), local[used].max(axis=0)
    middle = np.array([(low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0, low[2]])
    size = high - low
    return evolve(
        rough,
        cervical_lps_mm=rough.cervical_lps_mm + middle @ axes,
        mesiodistal_mm=float(min(size[0], 2.0 * half)),
        faciolingual_mm=float(size[1]),
        height_mm=float(size[2]),
        shape=part,
        source="imported surface",
        mark="",
    )


@frozen(eq=False)
class ScrewExit:
    """Where the fixture's axis leaves the crown.

    `facial_mm` and `along_mm` are measured from the middle of the table; `inside` tells whether a straight screw
    channel stays within it; `angle_deg` is between the fixture's axis and the crown's.
    """

    point_lps_mm: FloatArray
    along_mm: float
    facial_mm: float
    inside: bool
    angle_deg: float
    text: str


def screw_exit(fixture: PlacedFixture, tooth: PlannedTooth) -> ScrewExit:
    """Give where the straight screw channel of a fixture leaves a planned crown.

    Raises
    ------
    PlannerError
        If the fixture lies across the crown's axis.
    """
    up = -fixture.pose.axis_lps
    rise = float(up @ tooth.occlusal_lps)
    if rise < 0.2:
        raise PlannerError(f"The fixture {fixture.site} lies across its crown.", "Turn it upright.")
    platform = fixture.pose.platform_lps_mm
    point = platform + float((tooth.middle_lps_mm - platform) @ tooth.occlusal_lps) / rise * up
    offset = point - tooth.exit_lps_mm
    along, facial = float(offset @ tooth.along_lps), float(offset @ tooth.facial_lps)
    inside = abs(along) <= EXIT_SHARE * tooth.mesiodistal_mm and abs(facial) <= EXIT_SHARE * tooth.faciolingual_mm
    angle = angle_between_deg(up, tooth.occlusal_lps)
    place = "within the occlusal table" if not tooth.anterior else "behind the incisal edge"
    if not inside:
        sideways = "facially" if facial > 0 else "lingually"
        place = f"{abs(facial):.1f} mm {sideways} and {abs(along):.1f} mm along the arch off its place"
    return ScrewExit(point, along, facial, inside, angle, f"Screw exit {place}, {angle:.0f} degrees off the crown.")


def emergence_deg(fixture: PlacedFixture, tooth: PlannedTooth) -> float:
    """Give the steepest emergence: from the platform rim to the neck of the crown, against the fixture axis."""
    pose = fixture.pose
    rise = float((tooth.cervical_lps_mm - pose.platform_lps_mm) @ -pose.axis_lps)
    radius = fixture.shape.platform_diameter_mm / 2.0
    worst = 0.0
    for direction, size in (
        (tooth.along_lps, tooth.mesiodistal_mm),
        (-tooth.along_lps, tooth.mesiodistal_mm),
        (tooth.facial_lps, tooth.faciolingual_mm),
        (-tooth.facial_lps, tooth.faciolingual_mm),
    ):
        neck = tooth.cervical_lps_mm + CERVICAL_SHARE * size / 2.0 * direction
        across = unit(direction - float(direction @ pose.axis_lps) * pose.axis_lps)
        out = float((neck - pose.platform_lps_mm) @ across) - radius
        worst = max(worst, float(np.degrees(np.arctan2(max(out, 0.0), max(rise, 1e-6)))))
    return worst
