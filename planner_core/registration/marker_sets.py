"""Sets of markers as the user works on them: found, named by their partner, and the ways in which they fit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen

from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import AnyArray, FloatArray, RigidTransform
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.correspondence import RIVAL_SCORE, SAME_MOTION_MM, Correspondence, correspond
from planner_core.registration.edges import GreyField
from planner_core.registration.kept import KeptMarker
from planner_core.registration.marker_match import (
    STICKER_SHIFT_MM,
    SURE_QUALITY,
    MarkerMatch,
    match_marker_pairs,
    match_markers,
)
from planner_core.registration.markers import Marker, find_markers, measure_ball
from planner_core.registration.match import Road
from planner_core.registration.surface_fit import Degradation
from planner_core.registration.surface_markers import find_surface_markers, snap_to_marker

FIRST_RADIUS_MM = 0.9
"""Radius that measuring a clicked marker starts from, mm (balls are 1 to 3 mm wide; common practice, no source)."""

CLICK_ERROR_MM = 0.5
"""RMS 3-D error of a marker that is where it was clicked, since no ball was found there, mm (our choice)."""

MOST_WAYS = 8
"""Ways in which a symmetric set fits that are offered for choice (a flat square has eight).
"""


@frozen(eq=False)
class MarkerSets:
    """Markers of two scans with the match that they give, or why they give none.

    Parameters
    ----------
    fixed, moving : tuple of KeptMarker
        Of the patient's scan and of the other; partners have the same name.
    found : MarkerMatch or None
    ways : tuple of Correspondence
        Where the set fits in several ways: each of them, best first; else empty.
    refusal : str
        Why there is no match; empty when there is one.
    """

    fixed: tuple[KeptMarker, ...]
    moving: tuple[KeptMarker, ...]
    found: MarkerMatch | None
    ways: tuple[Correspondence, ...] = ()
    refusal: str = ""


def as_markers(kept: Sequence[KeptMarker]) -> tuple[Marker, ...]:
    """Give kept markers as the match takes them; those crossed out are left away."""
    return tuple(
        Marker(m.centre_mm, m.radius_mm, m.covariance_mm2, m.coverage, m.shape, m.quality)
        for m in kept
        if not m.crossed_out
    )


def as_kept(marker: Marker, name: str, clicked: bool = False) -> KeptMarker:
    """Give a found marker as a case keeps it."""
    return KeptMarker(
        name, marker.centre_mm, marker.radius_mm, marker.covariance_mm2, marker.coverage, marker.shape,
        1.0 if clicked else marker.quality, clicked,
    )  # fmt: skip


def find_sets(
    volume: Volume,
    other: Surface | Volume,
    *,
    frame: str,
    levels: GreyLevels | None = None,
    other_levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
    sites_lps_mm: AnyArray | None = None,
    sticker_shift_mm: float = STICKER_SHIFT_MM,
    road: Road = Road.MARKERS,
    candidates: Sequence[Marker] | None = None,
    progress: Progress = silent,
) -> MarkerSets:
    """Find the markers of both scans and match by them; unlikely candidates without a partner are dropped.

    Parameters
    ----------
    volume : Volume
        The patient's scan.
    other : Surface or Volume
        The surface scan, or the prosthesis scanned alone.
    frame : str
        Name of the other's frame.
    candidates : sequence of Marker, optional
        Those of the patient's scan, where they were looked for already.
    """
    if candidates is None:
        candidates = find_markers(
            volume, levels=levels, degradation=degradation, progress=part_of(progress, 0.0, 0.7)
        )
    ahead = part_of(progress, 0.7, 0.95)
    if isinstance(other, Surface):
        moving = find_surface_markers(other, progress=ahead)
    else:
        moving = find_markers(other, levels=other_levels, progress=ahead)
    found = _matched(candidates, moving, volume, other, frame, sites_lps_mm, sticker_shift_mm, degradation, road)
    progress(1.0, "")
    return found


def match_sets(
    fixed: Sequence[KeptMarker],
    moving: Sequence[KeptMarker],
    volume: Volume,
    other: Surface | Volume,
    *,
    frame: str,
    degradation: Degradation | None = None,
    sites_lps_mm: AnyArray | None = None,
    sticker_shift_mm: float = STICKER_SHIFT_MM,
    road: Road = Road.MARKERS,
) -> MarkerSets:
    """Match again by markers that the user has gone over; all of them are kept, crossed out or not."""
    found = _matched(
        as_markers(fixed),
        as_markers(moving),
        volume,
        other,
        frame,
        sites_lps_mm,
        sticker_shift_mm,
        degradation,
        road,
    )
    if found.found is None:
        return MarkerSets(tuple(fixed), tuple(moving), None, found.ways, found.refusal)
    return MarkerSets(*renamed(fixed, moving, found.found), found.found, found.ways)


def renamed(
    fixed: Sequence[KeptMarker], moving: Sequence[KeptMarker], found: MarkerMatch
) -> tuple[tuple[KeptMarker, ...], tuple[KeptMarker, ...]]:
    """Give partners one name, after a match by those of two sets that are not crossed out."""
    fixed_names, moving_names = (
        {k: marker.name for k, marker in zip(_used(kept), new, strict=True)}
        for kept, new in zip((fixed, moving), _named(found), strict=True)
    )
    return _renamed(fixed, fixed_names), _renamed(moving, moving_names)


def _used(kept: Sequence[KeptMarker]) -> list[int]:
    return [k for k, marker in enumerate(kept) if not marker.crossed_out]


def _renamed(kept: Sequence[KeptMarker], names: dict[int, str]) -> tuple[KeptMarker, ...]:
    """Give the markers their partners' names; a crossed-out one gives way to a name that is taken."""
    taken = set(names.values())
    out = []
    for k, marker in enumerate(kept):
        name = names.get(k, marker.name)
        if k not in names:
            spare = 1
            while name in taken:
                name, spare = f"crossed out {spare}", spare + 1
            taken.add(name)
        out.append(marker if name == marker.name else evolve(marker, name=name))
    return tuple(out)


def _matched(
    fixed: Sequence[Marker],
    moving: Sequence[Marker],
    volume: Volume,
    other: Surface | Volume,
    frame: str,
    sites: AnyArray | None,
    shift_mm: float,
    degradation: Degradation | None,
    road: Road,
) -> MarkerSets:
    try:
        result = match_markers(
            volume, other, sites_lps_mm=sites, sticker_shift_mm=shift_mm, degradation=degradation,
            moving=moving, fixed=fixed, frame=frame,
        )  # fmt: skip
    except PlannerError as refusal:
        kept = (_likely(fixed, "scan"), _likely(moving, "surface"))
        return MarkerSets(*kept, None, (), f"{refusal.message} {refusal.remedy}".strip())
    if road is not Road.MARKERS:
        result = evolve(result, match=evolve(result.match, road=road))
    ways = () if result.match.trusted else ways_of(moving, fixed, frame)
    return MarkerSets(*_named(result, drop=True), result, ways)


def _likely(markers: Sequence[Marker], where: str) -> tuple[KeptMarker, ...]:
    sure = [marker for marker in markers if marker.quality >= SURE_QUALITY]
    return tuple(as_kept(marker, f"{where} {k + 1}") for k, marker in enumerate(sure))


def _named(result: MarkerMatch, drop: bool = False) -> tuple[tuple[KeptMarker, ...], tuple[KeptMarker, ...]]:
    """Give both sets, partners under one name; `drop` leaves out unlikely ones that have no partner."""
    together = [*result.pairs, *result.left_out]
    order = sorted(together, key=lambda pair: float(result.fixed[pair[1]].centre_mm[0]))
    by_fixed = {j: f"M{k + 1}" for k, (_, j) in enumerate(order)}
    by_moving = {i: f"M{k + 1}" for k, (i, _) in enumerate(order)}
    return (
        _side(result.fixed, by_fixed, "scan", drop),
        _side(result.moving, by_moving, "surface", drop),
    )


def _side(markers: Sequence[Marker], names: dict[int, str], where: str, drop: bool) -> tuple[KeptMarker, ...]:
    out, alone = [], 0
    for k, marker in enumerate(markers):
        if k in names:
            out.append(as_kept(marker, names[k]))
        elif not drop or marker.quality >= SURE_QUALITY:
            alone += 1
            out.append(as_kept(marker, f"{where} {alone}"))
    return tuple(out)


def ways_of(moving: Sequence[Marker], fixed: Sequence[Marker], frame: str) -> tuple[Correspondence, ...]:
    """Give the ways to different places in which the markers fit about as well; empty when there is but one."""
    found = correspond(moving, fixed, source=frame)
    if not found.ambiguous:
        return ()
    places = np.array([m.centre_mm for m in moving])
    best = found.motions[0][2]
    ways: list[Correspondence] = []
    for pairs, motion, score in found.motions:
        if score <= RIVAL_SCORE * best or len(ways) == MOST_WAYS:
            break
        if all(_apart(motion, way.motion, places) > SAME_MOTION_MM for way in ways):
            ways.append(Correspondence(pairs, motion))
    return tuple(ways) if len(ways) > 1 else ()


def _apart(a: RigidTransform, b: RigidTransform | None, places: FloatArray) -> float:
    assert b is not None
    return float(np.linalg.norm(a.apply(places) - b.apply(places), axis=1).max())


def match_way(
    found: MarkerMatch, way: Correspondence, count: int, *, frame: str, sites_lps_mm: AnyArray | None = None,
    sticker_shift_mm: float = STICKER_SHIFT_MM,
) -> MarkerMatch:  # fmt: skip
    """Match by the way that the user chose among `count` in which the markers of a match fit, and say so."""
    result = match_marker_pairs(
        found.moving, found.fixed, way, sticker_shift_mm, frame, sites_lps_mm, found.match.road, confirmed=True
    )
    told = Finding(
        Severity.WARNING,
        "way-chosen",
        f"The markers fit in {count} different ways; this one was chosen by eye.",
    )
    return evolve(result, match=evolve(result.match, findings=(*result.match.findings, told)))


def marker_at(volume: Volume, click_lps_mm: AnyArray, name: str, levels: GreyLevels | None = None) -> KeptMarker:
    """Measure the marker that was clicked in a scan; what is no ball stays where it was clicked."""
    field = GreyField.of(volume, calibrate_grey(volume) if levels is None else levels)
    ball = measure_ball(field, click_lps_mm, FIRST_RADIUS_MM, volume)
    if ball is not None:
        ball = measure_ball(field, ball.centre_mm, ball.radius_mm, volume) or ball
        return as_kept(ball, name, clicked=True)
    return _where_clicked(click_lps_mm, name)


def bump_at(surface: Surface, click_mm: AnyArray, name: str) -> KeptMarker:
    """Measure the marker that was clicked on a surface scan; what is no bump stays where it was clicked."""
    try:
        return as_kept(snap_to_marker(surface, click_mm), name, clicked=True)
    except PlannerError:
        return _where_clicked(click_mm, name)


def _where_clicked(click_mm: AnyArray, name: str) -> KeptMarker:
    return KeptMarker(
        name, click_mm, FIRST_RADIUS_MM, CLICK_ERROR_MM**2 / 3.0 * np.eye(3), 0.0, "blob", 1.0, clicked=True
    )


@frozen
class MarkerRow:
    """One marker as a list shows it.

    Parameters
    ----------
    name : str
    state : str
        "used", "left out", "no partner", "crossed out".
    error_mm : float
        Expected localisation error, both ends where there are two (RMS, 3-D).
    residual_mm : float
        How far the match leaves the two ends apart; nan without a match or partner. Not an error at a site.
    frames : tuple of str
        Where it was seen.
    """

    name: str
    state: str
    error_mm: float
    residual_mm: float
    frames: tuple[str, ...]


def marker_rows(
    fixed: Sequence[KeptMarker],
    moving: Sequence[KeptMarker],
    frames: tuple[str, str],
    pose: RigidTransform | None,
    used: int | None = None,
) -> tuple[MarkerRow, ...]:
    """List the markers of both scans by name, with what the match makes of each.

    Parameters
    ----------
    fixed, moving : sequence of KeptMarker
    frames : (str, str)
        What their scans are called.
    pose : RigidTransform or None
        The match, if there is one of these markers.
    used : int, optional
        How many pairs the match stands on; those that it leaves farthest apart are the ones left out.
    """
    other = {marker.name: marker for marker in moving}
    rows = []
    for marker in fixed:
        partner = other.pop(marker.name, None)
        if partner is None:
            rows.append(_alone(marker, frames[0]))
            continue
        error = float(np.hypot(marker.localisation_mm, partner.localisation_mm))
        residual = float("nan")
        if pose is not None:
            residual = float(np.linalg.norm(pose.apply(partner.centre_mm) - marker.centre_mm))
        state = "crossed out" if marker.crossed_out or partner.crossed_out else "used"
        rows.append(MarkerRow(marker.name, state, error, residual, frames))
    rows += [_alone(marker, frames[1]) for marker in other.values()]
    if pose is not None and used is not None:
        paired = sorted((k for k, row in enumerate(rows) if row.state == "used"), key=lambda k: rows[k].residual_mm)
        left_out = set(paired[used:])
        rows = [evolve(row, state="left out") if k in left_out else row for k, row in enumerate(rows)]
    # Those seen in both scans first; a row stays where it is when it is crossed out.
    return tuple(sorted(rows, key=lambda row: (len(row.frames) == 1, len(row.name), row.name)))


def _alone(marker: KeptMarker, frame: str) -> MarkerRow:
    state = "crossed out" if marker.crossed_out else "no partner"
    return MarkerRow(marker.name, state, marker.localisation_mm, float("nan"), (frame,))
