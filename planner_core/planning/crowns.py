"""Planned teeth: editable crowns of our own making, placed along arch and occlusal plane."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib import resources

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly, readonly_unit, rotation_about
from planner_core.geometry.surface import Surface

CERVICAL_SHARE = 0.78
"""Width at the gingiva over the greatest (from the same tables: 7.0 of 8.5, 8.0 of 10.0, 5.0 of 7.0; S2)."""

CONTACT_HEIGHT_SHARE = 0.65
"""Height of the contacts over that of the crown (junction of the occlusal and middle thirds; M)."""

GINGIVA_MM = 3.0
"""Soft tissue over the crest, from which a crown rises while no surface scan says otherwise (our choice)."""

EXIT_SHARE = 0.25
"""Screw exits within this share of the crown's diameters from its middle count as inside the occlusal table
(our choice)."""


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


def checked_site(site: str) -> tuple[int, int]:
    """Give quadrant and tooth of an ISO 3950 number of a permanent tooth, or refuse it."""
    if len(site) != 2 or not site.isdigit() or site[0] not in "1234" or site[1] not in "12345678":
        raise PlannerError(f"{site!r} is not a site of a permanent tooth.", "Use ISO 3950 numbers from 11 to 48.")
    return int(site[0]), int(site[1])


def crown_size(site: str) -> CrownSize:
    """Give the average crown of a tooth by its ISO 3950 number."""
    quadrant, tooth = checked_site(site)
    return _sizes()["upper" if quadrant <= 2 else "lower"][str(tooth)]


def is_left(site: str) -> bool:
    """Tell whether a site lies on the patient's left."""
    return checked_site(site)[0] in (2, 3)


def average_station_mm(site: str) -> float:
    """Give the station at which a tooth of average neighbours stands, mm from the midline, + to the left."""
    quadrant, tooth = checked_site(site)
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
        checked_site(self.site)
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

    def resized(self, mesiodistal_mm: float, faciolingual_mm: float, height_mm: float) -> PlannedTooth:
        """Give the crown with other sizes; the cervical middle stays. An imported shape is stretched with them."""
        shape = self.shape
        if shape is not None:
            axes = np.array([self.along_lps, self.facial_lps, self.occlusal_lps])
            wanted = np.array([mesiodistal_mm, faciolingual_mm, height_mm])
            share = wanted / np.array([self.mesiodistal_mm, self.faciolingual_mm, self.height_mm])
            local = (shape.points_mm - self.cervical_lps_mm) @ axes.T * share
            shape = Surface(self.cervical_lps_mm + local @ axes, shape.triangles, shape.frame)
        return evolve(
            self,
            mesiodistal_mm=float(mesiodistal_mm),
            faciolingual_mm=float(faciolingual_mm),
            height_mm=float(height_mm),
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
