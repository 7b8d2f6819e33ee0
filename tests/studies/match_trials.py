"""One trial of the match study: a scan in a frame of its own, matched by the roads that its mouth asks for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from attrs import frozen

from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform, unit
from planner_core.geometry.volume import Volume
from planner_core.registration.combine import combine_matches, small_motion
from planner_core.registration.marker_match import SURE_QUALITY, MarkerMatch, match_markers
from planner_core.registration.markers import Marker, find_markers
from planner_core.registration.match import Match
from planner_core.registration.rigid_fit import moved_by
from planner_core.registration.roads import road_table
from planner_core.registration.surface_match import match_surface
from tests.studies.match_mouths import StudyMouth, StudyScan, make_scan, with_noise
from tests.studies.match_peer import peer_match, peer_target

START_MM, START_DEG = 1.5, 3.0
"""How far the start common to ours and to the peer is off: three clicks on teeth."""

MARKER_SCANS = ("whole", "moved", "missing", "partial")
"""What becomes of the scans that share one noisy volume of a mouth with markers."""

KNOWN_MM = 1.0
"""A found marker within this distance of a true one is that one, mm."""

Row = dict[str, Any]


@frozen(eq=False)
class Noisy:
    """A mouth's volume with fresh noise and the markers found in it; several scans share it."""

    volume: Volume
    markers: Sequence[Marker] | None


def noisy(mouth: StudyMouth, rng: np.random.Generator) -> Noisy:
    """Draw the noise of a volume and find its markers, where the mouth has any."""
    volume = with_noise(mouth.volume, rng)
    if mouth.kind != "ceramic":
        return Noisy(volume, None)
    return Noisy(volume, find_markers(volume, degradation=mouth.check.level_at))


def marker_trial(mouth: StudyMouth, drawn: Noisy, trial: int, rng: np.random.Generator) -> Row:
    """Match by markers; every fourth one also by the surface and by both together."""
    sites = mouth.sites_lps_mm()
    scan = make_scan(mouth, MARKER_SCANS[trial % len(MARKER_SCANS)], rng)
    found: list[MarkerMatch] = []
    matches: dict[str, Match] = {}
    roads: Row = {}

    def by_markers() -> Match:
        found.append(
            match_markers(
                drawn.volume,
                scan.surface,
                sites_lps_mm=sites,
                degradation=mouth.check.level_at,
                fixed=drawn.markers,
                look_again=True,
            )
        )
        matches["markers"] = found[0].match
        return found[0].match

    def by_surface() -> Match:
        matches["surface"] = match_surface(
            drawn.volume, scan.surface, jaw_up=1.0, sites_lps_mm=sites, degradation=mouth.check.level_at
        ).match
        return matches["surface"]

    roads["markers"] = outcome(by_markers, scan, sites)
    if found:
        roads["markers"]["centres"] = centres(mouth, scan, found[0])
    if trial % len(MARKER_SCANS) == 0:
        roads["surface"] = outcome(by_surface, scan, sites)
        if len(matches) == 2:
            roads["combined"] = outcome(
                lambda: combine_matches(matches["surface"], matches["markers"], sites), scan, sites
            )
    row: Row = {"what": scan.what, "roads": roads}
    if trial == 0:
        row["forecast"] = forecasts(mouth, drawn)
    return row


def surface_trial(mouth: StudyMouth, drawn: Noisy, trial: int, rng: np.random.Generator) -> Row:
    """Match one jaw by its surface: searched for anywhere, or from three clicks and then against the peer."""
    upper = trial % 2 == 1
    sites = mouth.sites_lps_mm(upper)
    scan = make_scan(mouth, "partial" if trial % 8 in (3, 4) else "whole", rng, upper)
    start = _start(scan, rng) if trial % 4 >= 2 else None
    found = outcome(
        lambda: (
            match_surface(
                drawn.volume, scan.surface, start=start, jaw_up=-1.0 if upper else 1.0, sites_lps_mm=sites,
                degradation=mouth.check.level_at,
            ).match
        ),
        scan,
        sites,
    )  # fmt: skip
    row: Row = {"what": scan.what, "upper": upper, "searched": start is None, "roads": {"surface": found}}
    if start is not None:
        target = peer_target(drawn.volume, scan.lps_from_surface.apply(scan.surface.points_mm))
        row["peer_mm"] = [_worst(pose, scan, sites) for pose in peer_match(target, scan.surface, start)]
    if trial < 2:
        row["forecast"] = forecasts(mouth, drawn, upper)
    return row


def forecasts(mouth: StudyMouth, drawn: Noisy, upper: bool = False) -> Row:
    """Give the 95 % error at the sites that the table of roads forecasts from the volume alone, by road."""
    sites = {str(k): site for k, site in enumerate(mouth.sites_lps_mm(upper))}
    table = road_table(
        drawn.volume, mouth.arch_lps_mm(upper), sites, up_lps=mouth.up_lps(upper),
        markers=[m for m in drawn.markers or () if m.quality >= SURE_QUALITY], degradation=mouth.check.level_at,
    )  # fmt: skip
    rows = {str(row.road.value): list(row.p95_mm.values()) for row in table.rows if row.covariance is not None}
    return {"advised": None if table.advised is None else table.advised.value, "p95_mm": rows}


def _start(scan: StudyScan, rng: np.random.Generator) -> RigidTransform:
    """Give the true pose, turned and moved as three clicks leave it."""
    middle = scan.lps_from_surface.apply(scan.surface.points_mm.mean(axis=0))
    turn = unit(rng.standard_normal(3)) * np.radians(START_DEG) * rng.uniform(0.3, 1.0)
    shift = unit(rng.standard_normal(3)) * START_MM * rng.uniform(0.3, 1.0)
    return moved_by(scan.lps_from_surface, np.concatenate([turn, shift]), middle)


def outcome(work: Callable[[], Match], scan: StudyScan, sites: np.ndarray) -> Row:
    """Run a match and compare it with the truth at the sites."""
    try:
        match = work()
    except PlannerError as refusal:
        return {"refused": refusal.message}
    away = _away(match.lps_from_surface, scan, sites)
    about = match.covariance.about_lps_mm
    return {
        "errors_mm": np.linalg.norm(away, axis=1).tolist(),
        "away_mm": away.tolist(),
        "stated_p95_mm": [match.expected_p95_mm(site) for site in sites],
        "trusted": match.trusted,
        "reasons": list(match.reasons),
        "used_share": match.used_share,
        "residual_rms_mm": match.residual_rms_mm,
        "motion": small_motion(scan.lps_from_surface, match.lps_from_surface, about).tolist(),
        "covariance": match.covariance.covariance.tolist(),
        "about_lps_mm": about.tolist(),
        "sites_lps_mm": sites.tolist(),
    }


def centres(mouth: StudyMouth, scan: StudyScan, found: MarkerMatch) -> Row:
    """Give how far the centres of found markers really are off, with what was stated of each."""
    known = mouth.scene.lps_from_scene.apply(np.array([m.centre_mm for m in mouth.scene.markers]))
    seen = np.array(list(scan.markers_surface_mm.values())).reshape(-1, 3)
    used = [set(k) for k in zip(*found.pairs, strict=True)]
    return {
        "fixed": _against(found.fixed, known, used[1]),
        "moving": _against(found.moving, seen, used[0]),
        "true_fixed": len(known),
        "true_moving": len(seen),
        "pairs": len(found.pairs),
        "left_out": len(found.left_out),
    }


def _against(markers: Sequence[Marker], known_mm: np.ndarray, used: set[int]) -> list[Row]:
    rows = []
    for number, marker in enumerate(markers):
        away = known_mm - marker.centre_mm
        near = int(np.argmin(np.linalg.norm(away, axis=1)))
        if np.linalg.norm(away[near]) < KNOWN_MM:
            square = float(away[near] @ np.linalg.solve(marker.covariance_mm2, away[near]))
            rows.append(
                {
                    "which": near,
                    "error_mm": float(np.linalg.norm(away[near])),
                    "away_mm": away[near].tolist(),
                    "stated_mm": marker.localisation_mm,
                    "squares": square,
                    "radius_mm": marker.radius_mm,
                    "coverage": marker.coverage,
                    "quality": marker.quality,
                    "shape": marker.shape,
                    "used": number in used,
                }
            )
    return rows


def _away(pose: RigidTransform, scan: StudyScan, sites: np.ndarray) -> np.ndarray:
    """Give where a pose carries the sites, less where they are."""
    return np.asarray(pose.apply(scan.lps_from_surface.inverse().apply(sites)) - sites)


def _worst(pose: RigidTransform, scan: StudyScan, sites: np.ndarray) -> float:
    return float(np.linalg.norm(_away(pose, scan, sites), axis=1).max())
