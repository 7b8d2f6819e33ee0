"""Commands that bring a surface scan into the volume's frame."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np

from app.cli_shared import (
    Arguments,
    Commands,
    add_command,
    findings_json,
    findings_lines,
    open_case,
    tell,
)
from app.edit_script import read_json
from planner_core.case import edits
from planner_core.case.codec import from_plain
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.registration.fiducials import match_points
from planner_core.registration.match import Match, PointPair

PAIRS_HELP = """PAIRS.json: {"pairs": [{"name": "m1", "surface_mm": [x, y, z], "lps_mm": [x, y, z],
"localisation_mm": 0.3}, ...], "surface_id": "lower", "at_lps_mm": [[x, y, z], ...]}
"localisation_mm" (expected error of a pair, both ends), "surface_id" and "at_lps_mm" may be left out."""


def register(commands: Commands) -> None:
    """Add the commands."""
    points = add_command(commands, "match-points", "match by three or more pairs of points", _points, PAIRS_HELP)
    points.add_argument("pairs", type=Path, help="JSON file, see below")
    points.add_argument("--into", type=Path, metavar="CASE", help="adopt the match in this case")
    add_at(points)


def add_at(parser: argparse.ArgumentParser) -> None:
    """Add the points at which the error matters."""
    parser.add_argument(
        "--at",
        type=_point,
        action="append",
        default=[],
        metavar="X,Y,Z",
        help="LPS point (mm) at which the error matters, may be repeated; write --at=-1,2,3 with a sign",
    )


def _point(text: str) -> tuple[float, float, float]:
    parts = [float(part) for part in text.split(",")]
    if len(parts) != 3 or not all(np.isfinite(parts)):
        raise ValueError(text)
    return parts[0], parts[1], parts[2]


def _points(arguments: Arguments) -> None:
    data = read_json(arguments.pairs)
    pairs = pairs_of(data, arguments.pairs)
    at = _places_of(data, arguments)
    surface_id = str(data.get("surface_id") or "")
    if arguments.into is None:
        match = match_points(pairs, f"surface:{surface_id or 'scan'}")
    else:
        match, at = _adopt(arguments.into, pairs, surface_id, at)
    tell(arguments, match_json(match, pairs, at), match_lines(match, pairs, at))


def _places_of(data: Any, arguments: Arguments) -> FloatArray:
    given = data.get("at_lps_mm") or []
    try:
        at = np.array([*given, *arguments.at], dtype=np.float64).reshape(-1, 3)
    except (TypeError, ValueError):
        at = np.full((1, 3), np.nan)
    if not np.isfinite(at).all():
        raise PlannerError('"at_lps_mm" needs three numbers for each point.', f"Correct {arguments.pairs.name}.")
    return at


def pairs_of(data: Any, path: Path) -> tuple[PointPair, ...]:
    """Give the pairs of a pairs file."""
    if not isinstance(data, dict) or not isinstance(data.get("pairs"), list):
        raise PlannerError(f'{path.name} holds no list called "pairs".', "See `match-points --help`.")
    rows = [
        {"name": f"pair {k + 1}", **row} if isinstance(row, dict) else row for k, row in enumerate(data["pairs"])
    ]
    pairs: tuple[PointPair, ...] = from_plain(rows, tuple[PointPair, ...])
    for pair in pairs:
        if pair.surface_mm.shape != (3,) or pair.lps_mm.shape != (3,):
            raise PlannerError(f"The pair {pair.name!r} needs three numbers at both ends.", "Correct the file.")
    return pairs


def _adopt(case: Path, pairs: tuple[PointPair, ...], surface_id: str, at: FloatArray) -> tuple[Match, FloatArray]:
    with open_case(case) as store:
        session = Session(store=store)
        surface_id = surface_id or next(iter(session.plan.surfaces), "")
        if surface_id not in session.plan.surfaces:
            raise PlannerError("The case has no such surface scan.", "Import the surface scan first.")
        match = match_points(pairs, session.plan.surfaces[surface_id].surface.frame)

        def both(plan: Plan) -> Plan:
            return edits.adopt_match(edits.set_pairs(plan, pairs), match, surface_id)

        session.apply("Match by points", both)
        sites = [f.pose.platform_lps_mm for f in session.plan.fixtures.values()]
    return match, np.vstack([at, *sites]) if sites else at


def match_json(match: Match, pairs: tuple[PointPair, ...], at: FloatArray) -> dict[str, Any]:
    """Give a match for the JSON output."""
    return {
        "road": match.road.value,
        "trusted": match.trusted,
        "reasons": match.reasons,
        "volume_from_surface": match.lps_from_surface.matrix,
        "residual_rms_mm": match.residual_rms_mm,
        "residuals_mm": {p.name: float(r) for p, r in zip(pairs, match.residuals_mm, strict=False)},
        "used_share": match.used_share,
        "expected_error_mm": [
            {"at_lps_mm": point, "rms_mm": match.expected_rms_mm(point), "p95_mm": match.expected_p95_mm(point)}
            for point in at
        ],
        "findings": findings_json(match.findings),
    }


def match_lines(match: Match, pairs: tuple[PointPair, ...], at: FloatArray) -> list[str]:
    """Give a match as lines."""
    verdict = "The match may carry a plan." if match.trusted else "The match must not carry a plan."
    lines = [f"{verdict} Matched by {match.road.value}; residual {match.residual_rms_mm:.2f} mm rms (says nothing"]
    lines[0] += " about the error elsewhere)."
    for point in at:
        place = ", ".join(f"{v:.1f}" for v in point)
        lines.append(f"Expected error at ({place}): 95 of 100 stay below {match.expected_p95_mm(point):.2f} mm.")
    return [*lines, *match.reasons, *findings_lines(match.findings)]
