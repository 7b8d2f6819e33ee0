"""Which road can bring the scans of this plan together, with the error to be expected; before anyone works."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from attrs import field, frozen

from planner_core.anatomy.arch_proposal import propose_arch
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.case.derived.match_inputs import (
    apexes_of,
    jaw_up,
    levels_of,
    marker_candidates,
    prosthesis_of,
)
from planner_core.case.derived.memory import Memory
from planner_core.case.derived.scan import known_scan_check
from planner_core.case.derived.second_scan import prosthesis_markers
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.rescan import marker_places
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.kept import PATIENT_FRAME
from planner_core.registration.marker_match import SURE_QUALITY
from planner_core.registration.marker_sets import as_markers
from planner_core.registration.markers import Marker
from planner_core.registration.roads import RoadTable, road_table

STAND_IN_DEPTH_MM = 12.0
"""Stand-in places lie this far below the arch curve, mm (our choice: about the apex of a fixture of 10 mm)."""

STAND_IN_FROM_END_MM = 8.0
"""And this far from its ends, mm (our choice: about a second molar)."""


@frozen(eq=False)
class Roads:
    """The table of roads with what it was judged by.

    Parameters
    ----------
    table : RoadTable
    stand_ins : bool
        No fixture is placed yet: places on the arch stand in for the sites.
    arch_proposed : bool
        No arch is drawn yet: the program's own proposal was used.
    markers_seen : int
        Likely markers in the patient's scan.
    """

    table: RoadTable
    stand_ins: bool
    arch_proposed: bool
    markers_seen: int
    places_lps_mm: Mapping[str, FloatArray] = field(factory=dict)


_roads: Memory[Roads] = Memory(4)


def known_roads(plan: Plan) -> Roads | None:
    """Give the table if it has been worked out for what it depends on."""
    return None if plan.scan is None else _roads.known(*road_inputs(plan))


def roads_of(plan: Plan, progress: Progress = silent) -> Roads:
    """Judge the roads; takes seconds the first time.

    Raises
    ------
    PlannerError
        Without a scan.
    """
    if plan.scan is None:
        raise PlannerError("There is no scan to match to.", "Open a scan first.")
    return _roads.get(lambda: _judged(plan, progress), *road_inputs(plan))


def road_inputs(plan: Plan) -> tuple[object, ...]:
    """Give what the table depends on, by identity."""
    assert plan.scan is not None
    markers = plan.markers.get(PATIENT_FRAME)
    return (
        plan.scan.volume,
        known_scan_check(plan),
        plan.arch,
        plan.fixtures,
        markers,
        prosthesis_of(plan),
        plan.jaw,
    )


def _judged(plan: Plan, progress: Progress) -> Roads:
    assert plan.scan is not None
    volume, check = plan.scan.volume, known_scan_check(plan)
    arch = plan.arch
    if arch is None:
        arch = propose_arch(volume, plan.jaw, part_of(progress, 0.0, 0.3), levels_of(plan)).arch
    markers = _markers(plan, part_of(progress, 0.3, 0.95))
    sites = apexes_of(plan) or _stand_ins(arch)
    progress(0.95, "Comparing the roads")
    curve = arch.curve_lps_mm[::4]
    prosthesis = prosthesis_of(plan)
    # With a prosthesis that was scanned, another scan with markers on the teeth is not what is asked.
    places = None if check is None or prosthesis is not None else marker_places(check, curve, sites)
    table = road_table(
        volume,
        curve,
        sites,
        up_lps=jaw_up(plan) * arch.up_lps,
        markers=() if prosthesis is not None else markers,
        marker_places_lps_mm=None if places is None else np.array([p.place_lps_mm for p in places]),
        prosthesis_markers=markers if prosthesis is not None else None,
        levels=levels_of(plan),
        degradation=None if check is None else check.level_at,
    )
    progress(1.0, "")
    return Roads(table, not plan.fixtures, plan.arch is None, len(markers), sites)


def _markers(plan: Plan, progress: Progress) -> tuple[Marker, ...]:
    """Give the markers that the scan shows: gone over by the user, agreeing with the prosthesis, or likely."""
    kept = plan.markers.get(PATIENT_FRAME)
    if kept is not None:
        seen_in_both = {
            m.name for frame, markers in plan.markers.items() if frame != PATIENT_FRAME for m in markers
        }
        partners = [marker for marker in kept if marker.name in seen_in_both]
        return as_markers(partners if len(partners) >= 3 else kept)
    if prosthesis_of(plan) is not None:
        sets = prosthesis_markers(plan, progress)
        if sets.found is not None:
            return tuple(sets.found.fixed[j] for _, j in sets.found.pairs)
    return tuple(marker for marker in marker_candidates(plan, progress) if marker.quality >= SURE_QUALITY)


def _stand_ins(arch: ArchCurve) -> Mapping[str, FloatArray]:
    """Give three places along the arch, at about the depth of an apex."""
    down = STAND_IN_DEPTH_MM * (-arch.up_lps if arch.jaw is Jaw.LOWER else arch.up_lps)
    first, last = float(arch.stations_mm[0]), float(arch.stations_mm[-1])
    inset = min(STAND_IN_FROM_END_MM, 0.25 * (last - first))
    stations = {"right back": first + inset, "front": 0.0, "left back": last - inset}
    return {name: np.asarray(arch.point_at(station) + down) for name, station in stations.items()}
