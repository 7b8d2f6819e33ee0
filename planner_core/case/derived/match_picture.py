"""What the adopted match looks like: the distance map on the surface, the error field, air under a prosthesis."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen

from planner_core.case.derived.match_inputs import levels_of
from planner_core.case.derived.memory import Memory
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance, distance_p95_mm
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.progress import Progress, silent
from planner_core.registration.air_gap import AirGap, air_gap
from planner_core.registration.edges import GreyField
from planner_core.registration.match import Road
from planner_core.registration.point_error import rms_field_mm
from planner_core.registration.surface_match import distance_map_mm
from planner_core.registration.surface_sample import even_share

P95_EVERY_MM = 6.0
"""The 95 % error is worked out at places this far apart; between them it goes with the root mean square error,
which changes in the same way (our choice: the two differ by less than 2 % at this distance)."""


@frozen(eq=False)
class MatchPicture:
    """What the match looks like on the surface that it places.

    Parameters
    ----------
    distance_mm : array of shape (surface points,)
        Signed distance from the surface to the scan's own edge, outwards; nan where there is none to compare with.
    error_p95_mm : array of shape (surface points,)
        Error of the match to be expected there in 95 of 100 cases.
    gap : AirGap or None
        Air between prosthesis and mucosa, for a dual scan.
    """

    distance_mm: FloatArray = field(converter=readonly)
    error_p95_mm: FloatArray = field(converter=readonly)
    gap: AirGap | None = None

    @property
    def compared_share(self) -> float:
        """Share of the surface's points that found an edge of the scan to compare with."""
        return float(np.isfinite(self.distance_mm).mean()) if len(self.distance_mm) else 0.0


_pictures: Memory[MatchPicture] = Memory(4)


def known_match_picture(plan: Plan) -> MatchPicture | None:
    """Give the picture of the adopted match if it has been made."""
    inputs = _inputs(plan)
    return None if inputs is None else _pictures.known(*inputs)


def match_picture_of(plan: Plan, progress: Progress = silent) -> MatchPicture:
    """Work out the picture of the adopted match; about a second.

    Raises
    ------
    PlannerError
        Without a match, its surface or the scan.
    """
    inputs = _inputs(plan)
    if inputs is None:
        raise PlannerError("There is no match to look at.", "Match the scans first.")
    return _pictures.get(lambda: _made(plan, progress), *inputs)


def _inputs(plan: Plan) -> tuple[object, ...] | None:
    if plan.scan is None or plan.match is None or plan.match.surface_id not in plan.surfaces:
        return None
    return plan.match, plan.scan.volume, plan.surfaces[plan.match.surface_id].surface


def _made(plan: Plan, progress: Progress) -> MatchPicture:
    assert plan.scan is not None
    assert plan.match is not None
    match, surface = plan.match.match, plan.surfaces[plan.match.surface_id].surface
    progress(0.0, "Comparing the surface with the scan")
    grey = GreyField.of(plan.scan.volume, levels_of(plan))
    distance = distance_map_mm(grey, surface, match.lps_from_surface)
    progress(0.6, "Working out the error over the arch")
    placed = surface.moved(match.lps_from_surface)
    error = error_p95_field_mm(match.covariance, placed.points_mm)
    gap = air_gap(grey, placed) if match.road is Road.DUAL_SCAN else None
    progress(1.0, "")
    return MatchPicture(distance, error, gap)


def error_p95_field_mm(covariance: PoseCovariance, points_lps_mm: FloatArray) -> FloatArray:
    """Give the 95 % error (mm) of a match at many points, shape (n, 3)."""
    from scipy.spatial import cKDTree

    rms = rms_field_mm(covariance, points_lps_mm)
    some = even_share(points_lps_mm, P95_EVERY_MM)
    exact = [distance_p95_mm(covariance.covariance_at(p), covariance.mean_at(p)) for p in points_lps_mm[some]]
    ratio = np.array(exact) / np.maximum(rms[some], 1e-9)
    nearest = cKDTree(points_lps_mm[some]).query(points_lps_mm)[1]
    return np.asarray(rms * ratio[nearest])
