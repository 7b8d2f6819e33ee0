"""What a match of this plan is made from, put together for the roads; none of it is stored."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from planner_core.anatomy.structures import Jaw
from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.plan import Plan, SurfaceInput, SurfaceRole
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent
from planner_core.registration.kept import SECOND_FRAME
from planner_core.registration.markers import Marker, find_markers

_levels: Memory[GreyLevels] = Memory(4)
_candidates: Memory[tuple[Marker, ...]] = Memory(4)


def levels_of(plan: Plan) -> GreyLevels:
    """Give the scan's own grey levels; from its check where that has been made."""
    assert plan.scan is not None
    volume, check = plan.scan.volume, known_scan_check(plan)
    return check.grey if check is not None else _levels.get(lambda: calibrate_grey(volume), volume)


def marker_candidates(plan: Plan, progress: Progress = silent) -> tuple[Marker, ...]:
    """Give everything in the scan that may be a marker, best first; takes seconds the first time."""
    assert plan.scan is not None
    volume: Volume = plan.scan.volume
    check = known_scan_check(plan)
    level = None if check is None else check.level_at
    return _candidates.get(
        lambda: find_markers(volume, levels=levels_of(plan), degradation=level, progress=progress), volume, check
    )


def jaw_up(plan: Plan) -> float:
    """Give the side of the jaw on which its teeth stand: +1 towards the head."""
    return 1.0 if plan.jaw is Jaw.LOWER else -1.0


def apexes_of(plan: Plan) -> Mapping[str, FloatArray]:
    """Give the planned apexes by site, where an error of the match matters most."""
    return {site: fixture.apex_lps_mm for site, fixture in plan.fixtures.items()}


def sites_of(plan: Plan) -> FloatArray | None:
    """Give entry and apex of every fixture, shape (n, 3); None without any."""
    places = [p for f in plan.fixtures.values() for p in (f.pose.platform_lps_mm, f.apex_lps_mm)]
    return np.array(places) if places else None


def surface_of_teeth(plan: Plan) -> SurfaceInput | None:
    """Give the surface scan that is matched, or the first one of teeth and gingiva."""
    adopted = None if plan.match is None else plan.surfaces.get(plan.match.surface_id)
    if adopted is not None and adopted.role is SurfaceRole.TEETH:
        return adopted
    return next((s for s in plan.surfaces.values() if s.role is SurfaceRole.TEETH), None)


def prosthesis_of(plan: Plan) -> SurfaceInput | None:
    """Give the surface of the prosthesis: from its own scan, or scanned optically."""
    second = plan.second_scan
    if second is not None and second.surface_id in plan.surfaces:
        return plan.surfaces[second.surface_id]
    return next((s for s in plan.surfaces.values() if s.role is SurfaceRole.PROSTHESIS), None)


def frame_name(surface: SurfaceInput | None) -> str:
    """Give the name under which the markers of a surface are kept."""
    return SECOND_FRAME if surface is None else surface.surface.frame
