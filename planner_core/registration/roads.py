"""Which road can bring the scans together in this mouth, and with what error, before anyone works on it.

Every road is judged by the same closed forms that judge a finished match: the surface by the edges that the
volume shows
along the arch, each with its own expected error and as many independent ones as there really are; markers by
where they
lie (Fitzpatrick 1998); the combination by adding their information.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from enum import StrEnum

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike

from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance, distance_p95_mm
from planner_core.geometry.frames import AnyArray, FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.registration.edges import GreyField
from planner_core.registration.marker_match import STICKER_SHIFT_MM
from planner_core.registration.markers import Marker, streak_covariances
from planner_core.registration.match import Road
from planner_core.registration.point_error import point_covariance
from planner_core.registration.surface_fit import Degradation
from planner_core.registration.surface_forecast import SurfaceForecast, forecast_surface
from planner_core.registration.surface_trust import TRUST_P95_MM

CLEARLY_BETTER = 0.75
"""A road that asks for more work is advised only if its error is below this share of the simpler road's (our
choice)."""

GOOD_ENOUGH_MM = 0.25
"""A road that stays under this error (95 %) is not left for a more burdensome one, mm (our choice: half of
`TRUST_P95_MM`)."""

SCAN_ERROR_MM = 0.03
"""RMS error of a marker's centre in a surface scan, mm, for the forecast (0.02 to 0.035 mm in tests/studies)."""

PLANNED_CENTRE_MM = 0.04
"""RMS error of a marker's centre in the volume away from streaks, mm, for the forecast (0.022 mm at 0.3 mm voxels
in tests/studies; a coarser scan shows more)."""

MARKER_FORECAST_FACTOR = 1.4
"""Factor on the error forecast from markers: what comes is larger than the centres' errors let expect (by 1.1 to
2.1 in tests/studies match, seeds 1 and 51), since a marker can move, be missed or be seen in part only."""

BURDEN = {Road.SURFACE: 0, Road.MARKERS: 1, Road.COMBINED: 2, Road.DUAL_SCAN: 3}
"""Order of the burden on patient and staff, least first: nothing new; markers worn in a new scan; both; two
scans with a
prosthesis (our choice)."""


class RoadState(StrEnum):
    """Whether a road is open."""

    OPEN = "open"
    POOR = "open, but not good enough"
    CLOSED = "closed"


@frozen(eq=False)
class RoadRow:
    """One row of the table of roads.

    Attributes
    ----------
    road : Road
    state : RoadState
    p95_mm : mapping of site name to float
        Error to be expected at each site in 95 of 100 cases, mm; empty for a closed road.
    why : str
        A sentence: what it stands on, or why it is closed.
    covariance : PoseCovariance or None
    """

    road: Road
    state: RoadState
    p95_mm: Mapping[str, float]
    why: str
    covariance: PoseCovariance | None = None

    @property
    def worst_p95_mm(self) -> float:
        """Largest expected error over the sites; infinite for a closed road."""
        return max(self.p95_mm.values(), default=float("inf")) if self.covariance is not None else float("inf")


@frozen(eq=False)
class RoadTable:
    """The roads open to this mouth and the one that is advised."""

    rows: tuple[RoadRow, ...]
    advised: Road | None
    sentence: str
    surface: SurfaceForecast | None = field(default=None, repr=False)


def road_table(
    volume: Volume,
    arch_lps_mm: AnyArray,
    sites_lps_mm: Mapping[str, AnyArray],
    *,
    up_lps: ArrayLike = (0.0, 0.0, 1.0),
    markers: Sequence[Marker] = (),
    marker_places_lps_mm: AnyArray | None = None,
    prosthesis_markers: Sequence[Marker] | None = None,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
) -> RoadTable:
    """Judge the roads of a mouth from the scan and the geometry alone.

    Parameters
    ----------
    volume : Volume
    arch_lps_mm : array of shape (n, 3)
        Along the arch at about the necks of the teeth (or on the ridge).
    sites_lps_mm : mapping of site name to array of shape (3,)
        Where the error matters, for example the planned apexes.
    up_lps : array of shape (3,)
        From the jaw to its chewing surface.
    markers : sequence of Marker
        Markers seen in this scan.
    marker_places_lps_mm : array of shape (n, 3), optional
        Where markers could be put for a new scan; judged as the marker road when the scan shows none.
    prosthesis_markers : sequence of Marker, optional
        Markers of a prosthesis worn in this scan; None when there is none.
    degradation : callable, optional
        The scan check's level (0..1) at LPS points.

    Raises
    ------
    PlannerError
        Without a site.
    """
    if not sites_lps_mm:
        raise PlannerError(
            "The roads are compared by their error at the planned sites; there is none.", "Plan a site."
        )
    sites = {name: readonly(place) for name, place in sites_lps_mm.items()}
    grey = calibrate_grey(volume) if levels is None else levels
    forecast = forecast_surface(GreyField.of(volume, grey), arch_lps_mm, up_lps, degradation)
    surface = _surface_row(forecast, sites)
    marker = _marker_row(markers, marker_places_lps_mm, sites, degradation)
    rows = [surface, marker]
    if surface.covariance is not None and marker.covariance is not None:
        rows.append(
            _row(
                Road.COMBINED, _joint(surface.covariance, marker.covariance), sites, "Surface and markers together."
            )
        )
    else:
        rows.append(RoadRow(Road.COMBINED, RoadState.CLOSED, {}, "Needs both the surface and markers."))
    rows.append(_dual_row(prosthesis_markers, sites))
    advised, sentence = _advice(rows)
    return RoadTable(tuple(rows), advised, sentence, forecast)


def _row(road: Road, covariance: PoseCovariance, sites: Mapping[str, FloatArray], why: str) -> RoadRow:
    errors = {name: distance_p95_mm(covariance.covariance_at(place)) for name, place in sites.items()}
    state = RoadState.OPEN if max(errors.values()) <= TRUST_P95_MM else RoadState.POOR
    return RoadRow(road, state, errors, why, covariance)


def _surface_row(forecast: SurfaceForecast, sites: Mapping[str, FloatArray]) -> RoadRow:
    if forecast.covariance is None:
        return RoadRow(Road.SURFACE, RoadState.CLOSED, {}, forecast.why)
    return _row(Road.SURFACE, forecast.covariance, sites, forecast.why)


def _marker_row(
    markers: Sequence[Marker],
    places: AnyArray | None,
    sites: Mapping[str, FloatArray],
    degradation: Degradation | None,
) -> RoadRow:
    if len(markers) >= 3:
        points = np.array([m.centre_mm for m in markers])
        own = np.array([m.covariance_mm2 for m in markers])
        why = f"Stands on the {len(markers)} markers seen in this scan."
    elif places is not None and len(np.atleast_2d(places)) >= 3:
        points = np.atleast_2d(np.asarray(places, dtype=np.float64))
        own = np.tile(PLANNED_CENTRE_MM**2 / 3.0 * np.eye(3), (len(points), 1, 1))
        if degradation is not None:
            own = own + streak_covariances(points, degradation)
        why = f"Needs a new scan with markers at the {len(points)} places proposed."
    else:
        return RoadRow(
            Road.MARKERS, RoadState.CLOSED, {}, f"The scan shows {len(markers)} markers; three are needed."
        )
    extra = (SCAN_ERROR_MM**2 + STICKER_SHIFT_MM**2) / 3.0
    try:
        covariance = point_covariance(points, (own + extra * np.eye(3)) * MARKER_FORECAST_FACTOR**2)
    except PlannerError as refusal:
        return RoadRow(Road.MARKERS, RoadState.CLOSED, {}, refusal.message)
    return _row(Road.MARKERS, covariance, sites, why)


def _dual_row(markers: Sequence[Marker] | None, sites: Mapping[str, FloatArray]) -> RoadRow:
    if markers is None:
        return RoadRow(Road.DUAL_SCAN, RoadState.CLOSED, {}, "Needs a prosthesis with markers, worn in the scan.")
    if len(markers) < 3:
        return RoadRow(
            Road.DUAL_SCAN,
            RoadState.CLOSED,
            {},
            f"The prosthesis shows {len(markers)} markers; three are needed, six advised.",
        )
    points = np.array([m.centre_mm for m in markers])
    own = np.array([m.covariance_mm2 for m in markers])
    try:
        covariance = point_covariance(points, own * 2.0)
    except PlannerError as refusal:
        return RoadRow(Road.DUAL_SCAN, RoadState.CLOSED, {}, refusal.message)
    return _row(Road.DUAL_SCAN, covariance, sites, f"Stands on the {len(markers)} markers of the prosthesis.")


def _joint(a: PoseCovariance, b: PoseCovariance) -> PoseCovariance:
    other = b.moved_to(a.about_lps_mm)
    joint = np.linalg.inv(np.linalg.inv(a.covariance) + np.linalg.inv(other.covariance))
    return PoseCovariance((joint + joint.T) / 2.0, a.about_lps_mm)


def _advice(rows: Sequence[RoadRow]) -> tuple[Road | None, str]:
    """Give the road to advise and the reason in a sentence."""
    usable = sorted((row for row in rows if row.state is RoadState.OPEN), key=lambda row: BURDEN[row.road])
    if not usable:
        near = min(rows, key=lambda row: row.worst_p95_mm)
        if near.covariance is None:
            return (
                None,
                "No road is open: add markers around the sites, off the ceramic, five or more, and scan again.",
            )
        return None, (
            f"No road is good enough: the best, by {near.road}, leaves {near.worst_p95_mm:.1f} mm (95 %) at a "
            "site. Add "
            "markers around the sites, off the ceramic and not in one plane, and scan again."
        )
    best = usable[0]
    for row in usable[1:]:
        if best.worst_p95_mm > GOOD_ENOUGH_MM and row.worst_p95_mm < CLEARLY_BETTER * best.worst_p95_mm:
            best = row
    others = [row for row in rows if row is not best and row.covariance is not None]
    against = f"; by {others[0].road} it would be {others[0].worst_p95_mm:.2f} mm" if others else ""
    return best.road, (
        f"Match by {best.road}: {best.worst_p95_mm:.2f} mm (95 %) to be expected at the worst site{against}. "
        f"{best.why}"
    )
