"""What to do about a ruined scan: advice per restoration, and the order for another scan, as data."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.retention import Retention, held_if_not_noted
from planner_core.imaging.scan_check import READABLE_BELOW, ScanCheck

REACH_OF_RUIN_MM = 25.0
"""A restoration within this distance of an unreadable site counts as its cause (our choice: streaks of the sample
reach that far)."""

LEAST_MARKERS = 5
"""Markers asked for: three fix a pose, five leave two to be lost in streaks (our choice)."""

OFF_BODY_MM = 4.0
"""Markers keep this far from dense bodies, so that they show as balls (our choice: two marker diameters)."""

HEIGHTS_MM = (0.0, 6.0, -2.0, 4.0, 8.0, 2.0)
"""Heights over the arch that marker places alternate between, so that they do not lie in one plane (our choice)."""


@frozen
class Advice:
    """What helps with one restoration.

    Parameters
    ----------
    restoration : int
        Its place in the list of restorations, from 0.
    sites : tuple of str
        Unreadable sites that it lies near.
    text : str
    """

    restoration: int
    sites: tuple[str, ...]
    text: str


@frozen(eq=False)
class MarkerPlace:
    """Where a marker goes.

    Parameters
    ----------
    number : int
    place_lps_mm : array of shape (3,)
    words : str
        The place in words, with the patient's side.
    level : float
        Chance that the present scan is ruined there; a marker shows best where it is low.
    """

    number: int
    place_lps_mm: FloatArray = field(converter=readonly)
    words: str
    level: float


@frozen(eq=False)
class RescanOrder:
    """A one-page order for another scan.

    Parameters
    ----------
    reasons : tuple of str
        Why: one line per unreadable site.
    steps : tuple of str
        What to do, in order.
    markers : tuple of MarkerPlace
    field_of_view_mm : array of shape (3,)
        Width, depth and height asked for.
    advice : tuple of Advice
    cautions : tuple of str
    """

    reasons: tuple[str, ...]
    steps: tuple[str, ...]
    markers: tuple[MarkerPlace, ...]
    field_of_view_mm: FloatArray = field(converter=readonly)
    advice: tuple[Advice, ...] = ()
    cautions: tuple[str, ...] = (
        "Radiation: another scan needs its own justification by the person responsible; local rules come first.",
        "Markers are fixed so that none can come loose and be swallowed or inhaled.",
        "The whole volume must be read by a qualified person. Not a cleared medical device.",
    )


def advice_of(
    check: ScanCheck,
    sites_lps_mm: Mapping[str, ArrayLike],
    retention: Mapping[int, Retention] | None = None,
) -> tuple[Advice, ...]:
    """Say what helps for each restoration that lies near an unreadable site.

    Parameters
    ----------
    check : ScanCheck
    sites_lps_mm : mapping of site to array (3,)
        Places that must be read: the middles of planned fixtures.
    retention : mapping of int to Retention
        What the user noted, by place in the list of restorations.
    """
    noted = retention or {}
    unreadable = {
        site: np.asarray(point, float)
        for site, point in sites_lps_mm.items()
        if not check.readable_at(point).readable
    }
    found = []
    for number, body in enumerate(check.restorations):
        near = tuple(site for site, point in unreadable.items() if _away(body, point) <= REACH_OF_RUIN_MM)
        if near:
            text = _ADVICE[noted.get(number, held_if_not_noted(body.kind))]
            found.append(Advice(number, near, f"{body.kind.capitalize()} ({body.volume_mm3:.0f} mm³): {text}"))
    return tuple(found)


_ADVICE = {
    Retention.SCREW: (
        "take it out for the scan, or scan with a plastic duplicate in its place and match by a dual scan "
        "with markers in the duplicate."
    ),
    Retention.CEMENT: (
        "it stays in; put five or more markers around the sites, off the ceramic and not in one plane, and match "
        "by them, not by the ceramic's surface."
    ),
    Retention.TOOTH: (
        "match by the surfaces of the clean teeth only; where fewer than three are clean or all stand on one side, "
        "use markers as well."
    ),
    Retention.UNKNOWN: (
        "note whether it is screw-retained, cemented or a tooth: screw-retained can come out or be duplicated in "
        "plastic, the others need markers off the ceramic."
    ),
}


def _away(body: Restoration, point: FloatArray) -> float:
    return float(np.linalg.norm(np.maximum(np.abs(point - body.centre_lps_mm) - body.extent_mm / 2.0, 0.0)))


def marker_places(
    check: ScanCheck, arch_lps_mm: ArrayLike, sites_lps_mm: Mapping[str, ArrayLike], count: int = 6
) -> tuple[MarkerPlace, ...]:
    """Choose places for markers: around the sites, on both ends and in front, off the bodies, not in one plane.

    Parameters
    ----------
    check : ScanCheck
    arch_lps_mm : array of shape (n, 3)
        The tooth row from the patient's right to the left.
    sites_lps_mm : mapping of site to array (3,)
    count : int
        At least `LEAST_MARKERS`.
    """
    arch = np.asarray(arch_lps_mm, float)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(arch, axis=0), axis=1))])
    candidates = _candidates(arch, along)
    points = np.array([c[0] for c in candidates])
    free = np.ones(len(points), dtype=bool)
    for body in check.restorations:
        free &= np.array([_away(body, p) for p in points]) >= OFF_BODY_MM
    level = check.level_at(points)
    middle = np.array([_nearest_along(arch, along, np.asarray(p, float)) for p in sites_lps_mm.values()])
    reach = np.array([c[1] for c in candidates])
    near = np.min(np.abs(reach[:, None] - middle), axis=1) if len(middle) else np.zeros(len(points))
    chosen: list[int] = []
    while len(chosen) < max(count, LEAST_MARKERS) and len(chosen) < len(points):
        # Far from those chosen, near the sites, where the scan is clean, and off the bodies.
        apart = (
            np.min(np.linalg.norm(points[:, None] - points[chosen][None], axis=2), axis=1)
            if chosen
            else np.full(len(points), 30.0)
        )
        worth = np.minimum(apart, 30.0) - 0.4 * near - 25.0 * level - 100.0 * ~free
        worth[chosen] = -np.inf
        chosen.append(int(np.argmax(worth)))
    chosen.sort(key=lambda n: reach[n])
    half = along[-1] / 2.0
    return tuple(
        MarkerPlace(number, points[n], _words(reach[n] - half, half, candidates[n][2]), float(level[n]))
        for number, n in enumerate(chosen, start=1)
    )


def _candidates(arch: FloatArray, along: FloatArray) -> list[tuple[FloatArray, float, str]]:
    """Give (place, length along the arch, side) outside and inside the arch at alternating heights."""
    centre = arch.mean(axis=0)
    found = []
    for n, s in enumerate(np.linspace(2.0, along[-1] - 2.0, max(8, int(along[-1] / 5.0)))):
        point = np.array([np.interp(s, along, arch[:, k]) for k in range(3)])
        ahead = np.array(
            [np.interp(s + 1.0, along, arch[:, k]) - np.interp(s - 1.0, along, arch[:, k]) for k in range(3)]
        )
        outward = np.array([ahead[1], -ahead[0], 0.0]) / max(float(np.linalg.norm(ahead[:2])), 1e-6)
        outward *= np.sign(outward[:2] @ (point - centre)[:2]) or 1.0
        for m, (offset, side) in enumerate(((6.0, "cheek side"), (-6.0, "tongue side"))):
            height = HEIGHTS_MM[(n + 3 * m) % len(HEIGHTS_MM)]
            found.append((point + offset * outward + np.array([0.0, 0.0, height]), float(s), side))
    return found


def _nearest_along(arch: FloatArray, along: FloatArray, point: FloatArray) -> float:
    return float(along[int(np.argmin(np.linalg.norm(arch - point, axis=1)))])


def _words(station_mm: float, half_mm: float, side: str) -> str:
    where = "in front" if abs(station_mm) < 10.0 else ("left" if station_mm > 0 else "right")
    if abs(station_mm) > half_mm - 8.0:
        where += ", behind the last tooth"
    return f"{where}, {side}, {abs(station_mm):.0f} mm from the middle"


def rescan_order(
    check: ScanCheck,
    volume: Volume,
    sites_lps_mm: Mapping[str, ArrayLike],
    arch_lps_mm: ArrayLike | None = None,
    retention: Mapping[int, Retention] | None = None,
    codes: Sequence[str] = (),
) -> RescanOrder:
    """Put together the order for another scan.

    Parameters
    ----------
    check : ScanCheck
    volume : Volume
        The present scan: the new one takes its field of view and settings.
    sites_lps_mm : mapping of site to array (3,)
    arch_lps_mm : array of shape (n, 3), optional
        Without it no marker places are given.
    retention : mapping of int to Retention
    codes : sequence of str
        Codes of other findings of the scan, by default those of `check`.
    """
    seen = set(codes) or {finding.code for finding in check.findings}
    verdicts = {site: check.readable_at(point) for site, point in sites_lps_mm.items()}
    reasons = [f"{site}: {v.why}" for site, v in verdicts.items() if not v.readable]
    reasons += [f.text for f in check.findings if f.code in _FAULT_STEPS]
    steps = ["Teeth apart by at least 5 mm: cotton rolls between the back teeth on both sides, nothing metallic."]
    steps += ["Cheeks and tongue off the teeth: ask for a held breath, tongue down, or rolls in the vestibule."]
    steps += [text for code, text in _FAULT_STEPS.items() if code in seen]
    noted = set((retention or {}).values())
    if Retention.SCREW in noted:
        steps.append(
            "Take screw-retained work out, or replace it by its plastic duplicate with markers (dual scan)."
        )
    if arch_lps_mm is not None:
        steps.append("Fix the markers at the places of the map, at different heights; none on ceramic or metal.")
    size = np.array(volume.shape) * np.array(volume.spacing_mm)
    box = np.abs(volume.lps_from_index[:3, :3] / np.array(volume.spacing_mm)) @ size
    steps.append(
        f"Same settings and field of view: {box[0]:.0f} x {box[1]:.0f} x {box[2]:.0f} mm, both arches' ends inside."
    )
    steps.append("Surface scan of teeth, ridge and markers on the same day, markers untouched between the two.")
    markers = () if arch_lps_mm is None else marker_places(check, arch_lps_mm, sites_lps_mm)
    return RescanOrder(tuple(reasons), tuple(steps), markers, box, advice_of(check, sites_lps_mm, retention))


_FAULT_STEPS = {
    "movement": "Head rest and chin rest; practise keeping still without swallowing before the exposure.",
    "noise": "Ask for the exposure that the present scan lacked: the noise hides thin bone.",
    "truncation": "Centre the arch: it left the field of view.",
    "rings": "Have the detector calibrated first.",
}


def is_clean_place(check: ScanCheck, point_lps_mm: ArrayLike) -> bool:
    """Tell whether a place could carry a match: readable, with no body in it."""
    return bool(check.level_at(np.asarray(point_lps_mm, float))[0] < READABLE_BELOW)
