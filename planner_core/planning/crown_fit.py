"""Planned teeth fitted to what stands: side by side in a gap, to the opposing teeth, out of a wax-up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen
from numpy.typing import ArrayLike

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import unit
from planner_core.geometry.surface import Surface
from planner_core.planning.crowns import (
    CONTACT_HEIGHT_SHARE,
    GINGIVA_MM,
    PlannedTooth,
    average_station_mm,
    checked_site,
    crown_size,
    tooth_at,
)
from planner_core.planning.rays import crossing_part, first_hit_mm, near_part

ARTICULATION_GAP_MM = 0.05
"""Room left to the opposing teeth, mm (our choice: a foil)."""

NEIGHBOUR_REACH_MM = 14.0
"""How far beyond a missing tooth's average place a neighbour is looked for, mm (our choice: more than a molar)."""

_ACROSS = {1: 2, 2: 1, 3: 4, 4: 3}
"""Quadrant on the other side of the midline."""

LEAST_SHARE = 0.6
"""Least share of the average widths that a gap must leave (our choice)."""

CREST_REACH_MM = 16.0
"""A crest within this of the arch curve is taken as the ridge under a missing tooth, mm (our choice: a curve drawn
through the crowns of an upright jaw still finds it)."""

GINGIVA_REACH_MM = 4.0
"""A scanned surface within this of the expected margin is taken as the gingiva, mm (our choice: higher ones are
teeth or a bridge)."""


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
        if (checked_site(site)[0] <= 2) != upper:
            raise PlannerError(f"Site {site} is not in the {arch.jaw.value} jaw.", "Choose sites of this jaw.")
    ordered = sorted(sites, key=average_station_mm)
    if gap_mm is None:
        return tuple(tooth_at(arch, site, average_station_mm(site)) for site in ordered)
    start, stop = min(gap_mm), max(gap_mm)
    widths = np.array([crown_size(site).mesiodistal_mm for site in ordered])
    share = (stop - start) / float(widths.sum())
    if share < LEAST_SHARE:
        raise PlannerError(
            f"A gap of {stop - start:.1f} mm is too narrow for {len(ordered)} teeth of {widths.sum():.1f} mm.",
            "Plan fewer teeth.",
        )
    edges = start + np.concatenate([[0.0], np.cumsum(widths * share)])
    return tuple(
        tooth_at(arch, site, float(edges[k] + edges[k + 1]) / 2.0, float(widths[k] * share))
        for k, site in enumerate(ordered)
    )


@frozen(eq=False)
class SetUp:
    """Crowns that were set up, and what they were fitted to, in words."""

    crowns: tuple[PlannedTooth, ...]
    notes: tuple[str, ...]


def set_up_among(
    arch: ArchCurve,
    sites: Sequence[str],
    neighbours: Sequence[Surface] = (),
    *,
    bone: Surface | None = None,
    plane: tuple[ArrayLike, ArrayLike] | None = None,
    opposing: Surface | None = None,
) -> SetUp:
    """Set up missing teeth along the arch, between the neighbours that stand and under the opposing teeth.

    Parameters
    ----------
    neighbours : sequence of Surface
        Teeth, crowns and the scanned gingiva in LPS.
    bone : Surface or None
        The crowns rise `GINGIVA_MM` over its crest where no scanned gingiva lies there.
    plane : (point, normal) or None
        Occlusal plane; the crowns rise to it where there are no opposing teeth.
    opposing : Surface or None
        Opposing teeth in LPS.

    Raises
    ------
    PlannerError
        As `set_up_teeth`.
    """
    notes: list[str] = []
    crowns: list[PlannedTooth] = []
    for run in _runs(sites):
        crowns += _run_between(arch, run, neighbours, notes)
    found = []
    for crown in crowns:
        if bone is not None:
            crown = over_crest(crown, bone)
        crown = _seated(crown, neighbours, notes)
        found.append(_risen(crown, plane, opposing, notes))
    return SetUp(tuple(found), tuple(notes))


def _runs(sites: Sequence[str]) -> list[list[str]]:
    """Give the sites in runs without a standing tooth between."""
    ordered = sorted(sites, key=average_station_mm)
    runs: list[list[str]] = []
    for site in ordered:
        if runs and next_site(runs[-1][-1], 1) == site:
            runs[-1].append(site)
        else:
            runs.append([site])
    return runs


def next_site(site: str, step: int) -> str | None:
    """Give the neighbouring site towards the patient's left (step 1) or right (step -1); None behind the last."""
    quadrant, tooth = checked_site(site)
    away = 1 if quadrant in (2, 3) else -1
    number = tooth + step * away
    if number == 0:
        return f"{_ACROSS[quadrant]}1"
    return f"{quadrant}{number}" if 1 <= number <= 8 else None


def _run_between(
    arch: ArchCurve, run: list[str], neighbours: Sequence[Surface], notes: list[str]
) -> tuple[PlannedTooth, ...]:
    low, high = gap_beside(arch, run, neighbours)
    words = ", ".join(run)
    widths = float(sum(crown_size(site).mesiodistal_mm for site in run))
    if low is not None and high is not None and high - low >= LEAST_SHARE * widths:
        notes.append(f"{words}: between the neighbours, {high - low:.1f} mm.")
        return set_up_teeth(arch, run, (low, high))
    if low is not None and high is not None:
        notes.append(f"{words}: the gap found is only {high - low:.1f} mm; average places are used, check them.")
        return set_up_teeth(arch, run)
    if low is not None or high is not None:
        notes.append(f"{words}: from the one neighbour that stands, with average widths.")
        start = low if low is not None else float(high or 0.0) - widths
        return set_up_teeth(arch, run, (start, start + widths))
    notes.append(f"{words}: no neighbour found; average places along the arch.")
    return set_up_teeth(arch, run)


def gap_beside(
    arch: ArchCurve, run: Sequence[str], neighbours: Sequence[Surface]
) -> tuple[float | None, float | None]:
    """Give the stations at which the neighbours' sides meet a run of missing teeth; None where none is found."""
    first, last = (
        tooth_at(arch, run[0], average_station_mm(run[0])),
        tooth_at(arch, run[-1], average_station_mm(run[-1])),
    )
    return _side_station(arch, first, -1.0, neighbours), _side_station(arch, last, 1.0, neighbours)


def _side_station(arch: ArchCurve, tooth: PlannedTooth, sign: float, neighbours: Sequence[Surface]) -> float | None:
    reach = NEIGHBOUR_REACH_MM + tooth.mesiodistal_mm / 2.0
    found: list[tuple[float, float]] = []
    for surface in neighbours:
        part = near_part(surface, tooth.cervical_lps_mm, reach + 6.0)
        if not len(part.triangles):
            continue
        for height in (0.45, CONTACT_HEIGHT_SHARE):
            for face in (-0.2, 0.0, 0.2):
                start = (
                    tooth.cervical_lps_mm
                    + height * tooth.height_mm * tooth.occlusal_lps
                    + face * tooth.faciolingual_mm * tooth.facial_lps
                )
                hit = first_hit_mm(part, start, sign * tooth.along_lps)
                if hit is not None and hit <= reach:
                    found.append((hit, arch.station_of(start + hit * sign * tooth.along_lps)))
    return min(found)[1] if found else None


def over_crest(tooth: PlannedTooth, bone: Surface) -> PlannedTooth:
    """Give the crown moved along its axis so that its margin lies `GINGIVA_MM` over the crest under it."""
    part = near_part(bone, tooth.cervical_lps_mm, CREST_REACH_MM + 10.0)
    if not len(part.triangles):
        return tooth
    part = crossing_part(part, tooth.cervical_lps_mm, tooth.along_lps)
    heights = []
    for offset in np.arange(-6.0, 6.01, 0.5):
        start = tooth.cervical_lps_mm + offset * tooth.facial_lps + CREST_REACH_MM * tooth.occlusal_lps
        hit = first_hit_mm(part, start, -tooth.occlusal_lps)
        if hit is not None:
            heights.append(CREST_REACH_MM - hit)
    if not heights or abs(max(heights)) > CREST_REACH_MM:
        return tooth
    return tooth.moved((max(heights) + GINGIVA_MM) * tooth.occlusal_lps)


def _seated(tooth: PlannedTooth, scanned: Sequence[Surface], notes: list[str]) -> PlannedTooth:
    """Move a crown along its axis so that its margin lies on the scanned gingiva under it."""
    for surface in scanned:
        part = near_part(surface, tooth.cervical_lps_mm, 12.0)
        if not len(part.triangles):
            continue
        start = tooth.cervical_lps_mm + 8.0 * tooth.occlusal_lps
        hit = first_hit_mm(part, start, -tooth.occlusal_lps)
        if hit is not None and abs(8.0 - hit) <= GINGIVA_REACH_MM:
            notes.append(f"{tooth.site}: margin on the scanned gingiva.")
            return tooth.moved((8.0 - hit) * tooth.occlusal_lps)
    return tooth


def _risen(
    tooth: PlannedTooth,
    plane: tuple[ArrayLike, ArrayLike] | None,
    opposing: Surface | None,
    notes: list[str],
) -> PlannedTooth:
    if opposing is not None:
        try:
            fitted = fit_to_opposing(tooth, near_part(opposing, tooth.middle_lps_mm, 20.0))
        except PlannerError as fault:
            notes.append(f"{tooth.site}: {fault.message}")
        else:
            notes.append(f"{tooth.site}: meets the opposing teeth at {fitted.height_mm:.1f} mm.")
            return fitted
    return tooth if plane is None else risen_to_plane(tooth, *plane)


def risen_to_plane(tooth: PlannedTooth, point_lps_mm: ArrayLike, normal_lps: ArrayLike) -> PlannedTooth:
    """Give the crown with its table on the occlusal plane; unchanged where that leaves it less than 3 mm high."""
    normal = unit(normal_lps)
    rise = float(tooth.occlusal_lps @ normal)
    if abs(rise) < 0.3:
        return tooth
    height = float((np.asarray(point_lps_mm, dtype=np.float64) - tooth.cervical_lps_mm) @ normal) / rise
    if not 3.0 <= height <= 25.0:
        return tooth
    return tooth.resized(tooth.mesiodistal_mm, tooth.faciolingual_mm, height)


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
    return tooth.resized(tooth.mesiodistal_mm, tooth.faciolingual_mm, height)


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
