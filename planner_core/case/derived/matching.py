"""What the adopted match says."""

from __future__ import annotations

import numpy as np

from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan, SurfaceRole
from planner_core.case.staleness import match_changes
from planner_core.geometry.covariance import PoseCovariance
from planner_core.imaging.scan_check import READABLE_BELOW, ScanCheck
from planner_core.planning.defaults import DEFAULTS
from planner_core.planning.drilling import Support
from planner_core.registration.match import PointPair, Road
from planner_core.registration.point_error import point_covariance

_widened: Memory[PoseCovariance] = Memory(4)

HAND_SET_FROM_MM = 0.3
"""Pairs known less well than this were set by hand, not measured (our choice; by hand it is 0.35 to 0.5 mm, Tomasi
2011, S)."""


def match_state(plan: Plan) -> str:
    """Give the state of the match in a word: "none", "stale", "not trusted" or "in use"."""
    if plan.match is None:
        return "none"
    if match_changes(plan):
        return "stale"
    return "in use" if plan.match.match.trusted else "not trusted"


def match_in_use(plan: Plan) -> PoseCovariance | None:
    """Give the error of the adopted match; None where there is none or it is stale.

    It is worse where it stands on pairs set by hand in places that the scan check calls unreadable.
    """
    if plan.match is None or match_changes(plan):
        return None
    found = plan.match.match.covariance
    check = known_scan_check(plan)
    if check is None or plan.match.match.road is not Road.POINTS or len(plan.pairs) < 3:
        return found
    return _widened.get(lambda: _in_streaks(found, plan.pairs, check), found, plan.pairs, check)


def match_for(plan: Plan, support: Support) -> PoseCovariance | None:
    """Give the match that a guide on this support would stand on, or None.

    A match of the teeth places no guide on mucosa; only a dual scan or a matched prosthesis does, and neither of
    these places one on teeth.
    """
    if plan.match is None or support not in (Support.TEETH, Support.MUCOSA):
        return None
    surface = plan.surfaces.get(plan.match.surface_id)
    of_prosthesis = plan.match.match.road is Road.DUAL_SCAN or (
        surface is not None and surface.role is SurfaceRole.PROSTHESIS
    )
    return match_in_use(plan) if of_prosthesis == (support is Support.MUCOSA) else None


def _in_streaks(found: PoseCovariance, pairs: tuple[PointPair, ...], check: ScanCheck) -> PoseCovariance:
    """Give the match's error with pairs in unreadable places localised as badly as the scatter makes them.

    In readable places, and where a pair was measured, its own error has the noise in it.
    """
    places = np.array([pair.lps_mm for pair in pairs])
    level = np.nan_to_num(np.asarray(check.level_at(places)))
    clear = np.array([pair.localisation_mm for pair in pairs])
    level = np.where((level >= READABLE_BELOW) & (clear >= HAND_SET_FROM_MM), level, 0.0)
    if not level.any():
        return found
    # The model's number is per axis, a pair's error is that in space.
    blur = np.sqrt(3.0) * DEFAULTS["streak_sigma_mm"].value * level
    worse = point_covariance(places, np.hypot(clear, blur)).moved_to(found.about_lps_mm)
    before = point_covariance(places, clear).moved_to(found.about_lps_mm)
    values, vectors = np.linalg.eigh(worse.covariance - before.covariance)
    added = vectors * np.clip(values, 0.0, None) @ vectors.T
    return PoseCovariance(found.covariance + added, found.about_lps_mm, found.mean)
