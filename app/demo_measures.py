"""How near the demo comes to the sample's known truth."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve

from app.demo_clicks import Truth
from planner_core.case.derived import ledger_of
from planner_core.case.plan import Plan
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.polyline import lengths_mm
from planner_core.planning.ledger import LedgerRow
from planner_core.planning.obstacles import ObstacleKind

CANAL_MEAN_LIMIT_MM = 0.5
"""Largest mean distance of a traced canal from the true one that the demo accepts, mm (our goal)."""

CLEARANCE_LIMIT_MM = 0.3
"""Largest error of a clearance that the demo accepts, mm (our goal)."""


def measure(plan: Plan, truth: Truth) -> dict[str, Any]:
    """Give the errors of match, canals and clearances, and whether all stay within their limits."""
    match_error, match_p95 = _match_errors(plan, truth)
    canals = {side: _canal_error(plan, truth, side) for side in plan.canals}
    clearances = _clearance_errors(plan, truth)
    canal_mean = max(mean for mean, _ in canals.values())
    clearance_max = max(abs(row["error_mm"]) for row in clearances)
    within = (
        all(match_error[site] <= match_p95[site] for site in match_error)
        and canal_mean <= CANAL_MEAN_LIMIT_MM
        and clearance_max <= CLEARANCE_LIMIT_MM
    )
    return {
        "match_error_mm": _rounded(match_error),
        "match_expected_p95_mm": _rounded(match_p95),
        "canal_error_mean_mm": round(canal_mean, 3),
        "canal_error_max_mm": round(max(worst for _, worst in canals.values()), 3),
        "clearance_error_max_mm": round(clearance_max, 3),
        "clearances": clearances,
        "within_limits": bool(within),
    }


def _rounded(values: dict[str, float]) -> dict[str, float]:
    return {key: round(value, 3) for key, value in values.items()}


def _match_errors(plan: Plan, truth: Truth) -> tuple[dict[str, float], dict[str, float]]:
    """Distance between where the match and where the truth puts the same spot of the surface scan, at each site."""
    assert plan.match is not None
    match = plan.match.match
    surface_from_lps = np.linalg.inv(truth.lps_from_surface)
    errors, expected = {}, {}
    for site, fixture in plan.fixtures.items():
        place = fixture.pose.platform_lps_mm
        on_surface = surface_from_lps[:3, :3] @ place + surface_from_lps[:3, 3]
        errors[site] = float(np.linalg.norm(match.lps_from_surface.apply(on_surface) - place))
        expected[site] = match.expected_p95_mm(place)
    return errors, expected


def _canal_error(plan: Plan, truth: Truth, side: str) -> tuple[float, float]:
    """Mean and largest distance of the traced centre line from the true one, mm."""
    away = distances_to_polyline(plan.canals[side].path_lps_mm, truth.canal(side))
    weight = np.gradient(lengths_mm(plan.canals[side].path_lps_mm))
    return float(np.average(away, weights=np.maximum(weight, 1e-9))), float(away.max())


def distances_to_polyline(points_mm: FloatArray, line_mm: FloatArray) -> FloatArray:
    """Give the distance of each point, shape (n, 3), from a polyline."""
    start, step = line_mm[:-1], np.diff(line_mm, axis=0)
    offset = points_mm[:, None, :] - start[None]
    share = np.clip(np.einsum("nkj,kj->nk", offset, step) / np.einsum("kj,kj->k", step, step), 0.0, 1.0)
    return np.asarray(np.linalg.norm(offset - share[..., None] * step, axis=2).min(axis=1))


def _clearance_errors(plan: Plan, truth: Truth) -> list[dict[str, Any]]:
    """Distances of fixture and drill to the canal of their side, as measured and by the true canal."""
    true_canals = {}
    for side, canal in plan.canals.items():
        course = truth.canal(side)
        full = np.full(len(course), truth.canal_diameter_mm(side))
        true_canals[side] = evolve(
            canal, path_lps_mm=course, diameter_mm=full, sigma_mm=0 * full, certain=np.ones(len(course), bool)
        )
    true_plan = evolve(plan, canals=true_canals)
    true_rows = {_key(row): row for row in ledger_of(true_plan).rows}
    found = []
    for row in ledger_of(plan).rows:
        same_side = row.kind is ObstacleKind.CANAL and (row.site[0] in "14") == ("right" in row.obstacle)
        if same_side:
            true_mm = true_rows[_key(row)].distance_mm
            found.append(
                {
                    "site": row.site,
                    "body": row.body,
                    "obstacle": row.obstacle,
                    "distance_mm": round(row.distance_mm, 3),
                    "true_mm": round(true_mm, 3),
                    "error_mm": round(row.distance_mm - true_mm, 3),
                }
            )
    return found


def _key(row: LedgerRow) -> tuple[str, str, str]:
    return row.site, row.body, row.obstacle
