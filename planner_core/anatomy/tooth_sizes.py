"""Usual sizes of teeth: they only bound where a tooth is looked for."""

from __future__ import annotations

from collections.abc import Collection

from attrs import frozen

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray

MOLAR_DEPTH_MM = 9.5
"""Teeth deeper than this across the arch are molars, mm (M: premolars 9.1 at most, molars 9.7 at least)."""


@frozen
class ToothSize:
    """Usual size of a tooth, mm: along the arch, across it, height of the crown, length of the root."""

    width_mm: float
    depth_mm: float
    crown_mm: float
    root_mm: float

    @property
    def is_molar(self) -> bool:
        """Tell whether its roots part near the neck, as a molar's do."""
        return self.depth_mm > MOLAR_DEPTH_MM


# Round averages of dental anatomy teaching (M); used as bounds with wide margins, never as results.
_LOWER = {
    1: ToothSize(5.3, 6.0, 9.0, 13.0), 2: ToothSize(5.8, 6.4, 9.5, 14.0), 3: ToothSize(7.0, 7.8, 11.0, 16.0),
    4: ToothSize(7.1, 7.7, 8.8, 14.5), 5: ToothSize(7.2, 8.2, 8.3, 14.8), 6: ToothSize(11.2, 10.4, 7.8, 14.5),
    7: ToothSize(10.6, 10.1, 7.3, 13.5), 8: ToothSize(10.2, 9.7, 7.2, 12.0),
}  # fmt: skip
_UPPER = {
    1: ToothSize(8.6, 7.1, 10.6, 13.5), 2: ToothSize(6.7, 6.3, 9.4, 13.5), 3: ToothSize(7.6, 8.1, 10.4, 17.5),
    4: ToothSize(7.1, 9.1, 8.8, 14.5), 5: ToothSize(6.8, 9.0, 8.6, 14.5), 6: ToothSize(10.3, 11.2, 7.8, 13.5),
    7: ToothSize(9.6, 11.0, 7.3, 12.8), 8: ToothSize(8.9, 10.2, 6.9, 11.8),
}  # fmt: skip


def tooth_size(site: str) -> ToothSize:
    """Give the usual size of a permanent tooth by its ISO 3950 number.

    Raises
    ------
    PlannerError
        If the number is none of 11-18, 21-28, 31-38, 41-48.
    """
    if len(site) == 2 and site[0] in "1234" and site[1] in "12345678":
        return (_UPPER if site[0] in "12" else _LOWER)[int(site[1])]
    raise PlannerError(f"{site!r} is no permanent tooth.", "Give an ISO 3950 number such as 36.")


MOST_OFF_MM = 12.0
"""A tooth is told from its station when its usual place is nearer than this, mm (our choice: a molar and a gap)."""


def usual_stations(jaw: Jaw) -> dict[str, float]:
    """Give where the middle of each tooth of a full row usually stands along the arch (mm, + to the left)."""
    table, quadrants = (_UPPER, "12") if jaw is Jaw.UPPER else (_LOWER, "43")
    out, edge = {}, 0.0
    for number, size in table.items():
        middle = edge + size.width_mm / 2.0
        out[f"{quadrants[0]}{number}"], out[f"{quadrants[1]}{number}"] = -middle, middle
        edge += size.width_mm
    return out


def likely_site(arch: ArchCurve, point_lps_mm: FloatArray, taken: Collection[str] = ()) -> str:
    """Give the ISO 3950 number that a tooth at a point most likely has, by its station and the numbers taken.

    Gaps and crowding shift it: it is to be checked by whoever looks.

    Raises
    ------
    PlannerError
        If every number near this station is taken.
    """
    station = arch.station_of(point_lps_mm)
    off = {site: abs(usual - station) for site, usual in usual_stations(arch.jaw).items() if site not in taken}
    site = min(off, key=lambda name: off[name], default="")
    far_back = abs(station) > max(usual_stations(arch.jaw).values())
    if not site or (off[site] > MOST_OFF_MM and not far_back):
        raise PlannerError("The teeth near this place are marked already.", "Choose the tooth's number first.")
    return site
