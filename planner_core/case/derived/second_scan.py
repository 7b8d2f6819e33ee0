"""The scan of a prosthesis alone, as a case takes it: its surface, its markers, the match with all its checks."""

from __future__ import annotations

from collections.abc import Sequence

from attrs import evolve, frozen

from planner_core.case.derived.match_inputs import levels_of, marker_candidates, prosthesis_of, sites_of
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan, SurfaceInput, SurfaceRole
from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ImportedScan, ScanSource
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.dual_scan import (
    DualScan,
    KnownBody,
    levels_alone,
    match_dual_scan,
    prosthesis_surface,
)
from planner_core.registration.kept import PATIENT_FRAME, SECOND_FRAME, KeptMarker, KnownBall, SecondScan
from planner_core.registration.marker_sets import MarkerSets, as_markers, find_sets, renamed
from planner_core.registration.match import Match, Road

BALL_SLACK_MM = 1.0
"""Nothing else may lie this near to a ball of known size, mm (our choice: its blur)."""


@frozen(eq=False)
class DualResult:
    """A dual-scan match ready to be adopted.

    Parameters
    ----------
    match : Match
        With the findings of all checks.
    surface_id : str
    fixed, moving : tuple of KeptMarker
        Markers of the patient's scan and of the prosthesis.
    frame : str
        Frame of the prosthesis.
    dual : DualScan
    """

    match: Match
    surface_id: str
    fixed: tuple[KeptMarker, ...]
    moving: tuple[KeptMarker, ...]
    frame: str
    dual: DualScan


def taken_second_scan(
    scan: ImportedScan, label: str, ball: KnownBall | None = None, progress: Progress = silent
) -> tuple[SecondScan, SurfaceInput]:
    """Take the surface out of the scan of a prosthesis alone.

    Raises
    ------
    PlannerError
        If the scan shows nothing, or the ball does not fit.
    """
    progress(0.1, "Taking the surface of the prosthesis")
    return _taken(scan.volume, scan.source, label, ball)


def calibrated(second: SecondScan, label: str, ball: KnownBall | None) -> tuple[SecondScan, SurfaceInput]:
    """Take its surface again, at the grey value that gives a ball its known size."""
    return _taken(second.volume, second.source, label, ball)


def _taken(
    volume: Volume, source: ScanSource, label: str, ball: KnownBall | None
) -> tuple[SecondScan, SurfaceInput]:
    surface, iso = prosthesis_surface(volume, _known_body(ball), SECOND_FRAME)
    if not len(surface.triangles):
        raise PlannerError("No prosthesis was found in this scan.", "Choose another series.")
    second = SecondScan(volume, source, SECOND_FRAME, iso, ball)
    return second, SurfaceInput(SECOND_FRAME, label, SurfaceRole.PROSTHESIS, surface)


def _known_body(ball: KnownBall | None) -> KnownBody | None:
    if ball is None:
        return None
    return KnownBody(ball.centre_mm, ball.volume_mm3, ball.diameter_mm / 2.0 + BALL_SLACK_MM)


def match_prosthesis(plan: Plan, anew: bool = False, progress: Progress = silent) -> DualResult | MarkerSets:
    """Match the prosthesis by its markers; those that the plan keeps, or found now.

    Parameters
    ----------
    plan : Plan
        With a scan and a prosthesis: scanned alone, or optically.
    anew : bool
        Look for the markers again.

    Returns
    -------
    DualResult, or MarkerSets with its refusal or its several ways where the markers give no single match.

    Raises
    ------
    PlannerError
        Without scan or prosthesis.
    """
    taken, second, other = _prosthesis(plan)
    fixed, moving = plan.markers.get(PATIENT_FRAME, ()), plan.markers.get(taken.surface.frame, ())
    if anew or not fixed or not moving:
        sets = prosthesis_markers(plan, part_of(progress, 0.0, 0.6))
        if sets.found is None:
            return sets
        fixed, moving = sets.fixed, sets.moving
    return _matched(plan, other, taken, second, fixed, moving, part_of(progress, 0.6, 1.0))


def _prosthesis(plan: Plan) -> tuple[SurfaceInput, SecondScan | None, Volume | Surface]:
    taken = prosthesis_of(plan)
    if plan.scan is None or taken is None:
        raise PlannerError("A dual scan needs the patient's scan and the prosthesis.", "Open the second scan.")
    second = plan.second_scan if plan.second_scan and plan.second_scan.surface_id == taken.surface_id else None
    return taken, second, taken.surface if second is None else second.volume


def prosthesis_markers(plan: Plan, progress: Progress = silent) -> MarkerSets:
    """Find the markers of the prosthesis in both scans; about three seconds."""
    taken, _, other = _prosthesis(plan)
    assert plan.scan is not None
    frame, check = taken.surface.frame, known_scan_check(plan)
    return find_sets(
        plan.scan.volume,
        other,
        frame=frame,
        levels=levels_of(plan),
        other_levels=levels_alone(other) if isinstance(other, Volume) else None,
        degradation=None if check is None else check.level_at,
        sites_lps_mm=sites_of(plan),
        sticker_shift_mm=0.0,
        road=Road.DUAL_SCAN,
        candidates=marker_candidates(plan, part_of(progress, 0.0, 0.6)),
        progress=part_of(progress, 0.6, 1.0),
    )


def _matched(
    plan: Plan,
    other: Volume | Surface,
    taken: SurfaceInput,
    second: SecondScan | None,
    fixed: Sequence[KeptMarker],
    moving: Sequence[KeptMarker],
    progress: Progress,
) -> DualResult:
    assert plan.scan is not None
    check = known_scan_check(plan)
    dual = match_dual_scan(
        plan.scan.volume,
        other,
        known_body=None if second is None else _known_body(second.ball),
        sites_lps_mm=sites_of(plan),
        degradation=None if check is None else check.level_at,
        moving=as_markers(moving),
        fixed=as_markers(fixed),
        frame=taken.surface.frame,
        progress=progress,
    )
    match = evolve(dual.markers.match, findings=dual.findings)
    return DualResult(match, taken.surface_id, *renamed(fixed, moving, dual.markers), taken.surface.frame, dual)
