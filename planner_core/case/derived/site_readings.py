"""What can be read at each planned site: bone, canal, neighbouring roots, surfaces of the teeth; and why not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from attrs import frozen

from planner_core.anatomy.structures import Jaw
from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.scan_check import ScanCheck
from planner_core.planning.fixture import PlacedFixture

PARTS = ("bone", "canal", "roots beside", "tooth surfaces")

BESIDE_MM = 8.0
"""Neighbouring teeth stand this far from a site along the arch, mm (common practice, no source: about a tooth)."""

CROWN_MM = 5.0
"""Tooth surfaces are judged this far above the platform, mm (our choice: mid-crown)."""

CANAL_WITHIN_MM = 25.0
"""A canal farther from the fixture than this is not of this site, mm (our choice)."""

ROOT_WITHIN_MM = 14.0
"""A marked tooth whose root is farther than this is no neighbour, mm (our choice)."""

SMALL_MM = 2.0
"""Canal and tooth surface are judged within this distance, mm (our choice: their own size)."""


@frozen(eq=False)
class PartReading:
    """Whether one thing can be read at a site.

    Parameters
    ----------
    part : str
        One of `PARTS`.
    readable : bool or None
        None where there is nothing to judge.
    level : float
        Degradation there, 0..1.
    why : str
        A sentence where it cannot be read, or why there is no verdict.
    place_lps_mm : array of shape (3,), or None
        Where it is worst.
    """

    part: str
    readable: bool | None
    level: float
    why: str
    place_lps_mm: FloatArray | None = None


_known: Memory[Mapping[str, tuple[PartReading, ...]]] = Memory(4)


def site_readings(plan: Plan, check: ScanCheck) -> Mapping[str, tuple[PartReading, ...]]:
    """Judge every planned site part by part; some milliseconds for each."""
    return _known.get(
        lambda: {site: _readings(plan, check, fixture) for site, fixture in plan.fixtures.items()},
        *_inputs(plan, check),
    )


def unreadable(parts: Sequence[PartReading]) -> tuple[PartReading, ...]:
    """Give the parts of a site that cannot be read; what there is no verdict about is not among them."""
    return tuple(part for part in parts if part.readable is False)


def site_word(parts: Sequence[PartReading]) -> str:
    """Answer for one site in a word, with what cannot be read: "yes", "no (bone and canal)"."""
    names = [part.part for part in unreadable(parts)]
    if not names:
        return "yes"
    return f"no ({' and '.join(filter(None, (', '.join(names[:-1]), names[-1])))})"


def needed_places(readings: Mapping[str, tuple[PartReading, ...]]) -> Mapping[str, FloatArray]:
    """Give the places that must be read and cannot, by what they are: "36, tooth surfaces"."""
    return {
        f"{site}, {part.part}": part.place_lps_mm
        for site, parts in readings.items()
        for part in unreadable(parts)
        if part.place_lps_mm is not None
    }


def known_site_readings(plan: Plan) -> Mapping[str, tuple[PartReading, ...]] | None:
    """Give the verdicts if they have been worked out."""
    check = known_scan_check(plan)
    return None if check is None else _known.known(*_inputs(plan, check))


def _inputs(plan: Plan, check: ScanCheck) -> tuple[object, ...]:
    return plan.fixtures, plan.canals, plan.teeth, plan.arch, check


def _readings(plan: Plan, check: ScanCheck, fixture: PlacedFixture) -> tuple[PartReading, ...]:
    length = fixture.shape.length_mm
    along = [fixture.pose.at_depth(share * length) for share in (0.15, 0.5, 0.85)]
    return (
        _worst(check, "bone", along),
        _canal(plan, check, fixture),
        _roots(plan, check, fixture),
        _tooth_surfaces(plan, check, fixture),
    )


def _worst(check: ScanCheck, part: str, points: Sequence[FloatArray], radius_mm: float = 3.0) -> PartReading:
    verdicts = [check.readable_at(point, radius_mm) for point in points]
    k = int(np.argmax([verdict.level for verdict in verdicts]))
    return PartReading(part, all(v.readable for v in verdicts), verdicts[k].level, verdicts[k].why, points[k])


def _canal(plan: Plan, check: ScanCheck, fixture: PlacedFixture) -> PartReading:
    best: tuple[float, FloatArray] | None = None
    for canal in plan.canals.values():
        away = np.linalg.norm(canal.path_lps_mm - fixture.apex_lps_mm, axis=1)
        k = int(np.argmin(away))
        if away[k] <= CANAL_WITHIN_MM and (best is None or away[k] < best[0]):
            best = (float(away[k]), canal.path_lps_mm[k])
    if best is None:
        if plan.jaw is Jaw.UPPER:
            return PartReading("canal", None, 0.0, "There is no mandibular canal in the upper jaw.")
        return PartReading("canal", None, 0.0, "No canal is marked near this site.")
    return _worst(check, "canal", [best[1]], SMALL_MM)


def _roots(plan: Plan, check: ScanCheck, fixture: PlacedFixture) -> PartReading:
    middle = fixture.pose.at_depth(fixture.shape.length_mm / 2.0)
    near = []
    for tooth in plan.teeth.values():
        root = 0.5 * (tooth.neck_lps_mm + tooth.apex_lps_mm)
        if float(np.linalg.norm(root - middle)) <= ROOT_WITHIN_MM:
            near.append(root)
    if not near:
        near = _beside(plan, fixture, fixture.shape.length_mm / 2.0)
    if not near:
        return PartReading("roots beside", None, 0.0, "Draw the arch to have the neighbours judged.")
    return _worst(check, "roots beside", near)


def _tooth_surfaces(plan: Plan, check: ScanCheck, fixture: PlacedFixture) -> PartReading:
    near = _beside(plan, fixture, -CROWN_MM)
    if not near:
        return PartReading("tooth surfaces", None, 0.0, "Draw the arch to have the neighbours judged.")
    return _worst(check, "tooth surfaces", near, SMALL_MM)


def _beside(plan: Plan, fixture: PlacedFixture, depth_mm: float) -> list[FloatArray]:
    """Give the places on both sides of a fixture along the arch, at a depth below its platform."""
    if plan.arch is None:
        return []
    station = plan.arch.station_of(fixture.pose.platform_lps_mm)
    here = plan.arch.point_at(station)
    down = -plan.arch.up_lps if plan.jaw is Jaw.LOWER else plan.arch.up_lps
    low, high = float(plan.arch.stations_mm[0]), float(plan.arch.stations_mm[-1])
    places = []
    for other in (station - BESIDE_MM, station + BESIDE_MM):
        if low <= other <= high:
            shift = plan.arch.point_at(other) - here
            places.append(np.asarray(fixture.pose.platform_lps_mm + shift + depth_mm * down))
    return places
