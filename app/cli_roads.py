"""Commands that match without pairs by hand: by markers, by the surface, by a prosthesis scanned alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from attrs import define
from numpy.typing import NDArray

from app.cli_match import add_at, match_json, match_lines, pairs_of
from app.cli_scan import SURFACE_ENDINGS
from app.cli_shared import (
    Arguments,
    Commands,
    add_command,
    findings_json,
    findings_lines,
    open_case,
    progress_of,
    tell,
)
from app.edit_script import read_json
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.plan import Plan, SurfaceInput, SurfaceRole
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.open_scan import open_scan
from planner_core.imaging.scan import ScanSource
from planner_core.imaging.scan_check import check_scan
from planner_core.imaging.surface_files import read_surface, write_ply, write_stl
from planner_core.registration.dual_scan import DualScan, KnownBody, match_dual_scan
from planner_core.registration.fiducials import match_points
from planner_core.registration.kept import PATIENT_FRAME, SECOND_FRAME, KnownBall, SecondScan, in_use
from planner_core.registration.marker_match import match_markers
from planner_core.registration.markers import Marker
from planner_core.registration.match import Match
from planner_core.registration.surface_match import match_surface

JAW_UP = {"lower": 1.0, "upper": -1.0}
"""Which way the chewing side looks: to the head, or away from it."""

BALL_REACH = 1.1
"""A known ball is looked for within this many of its diameters from the place given (a click may be off centre)."""

ROADS = {
    "match-markers": "match by radiopaque markers found in both scans",
    "match-surface": "match the surface straight to the volume",
    "match-dual": "match a prosthesis scanned alone to the patient's scan",
}


def register(commands: Commands) -> None:
    """Add the commands."""
    for (name, what), run in zip(ROADS.items(), (_markers, _surface, _dual), strict=True):
        parser = add_command(commands, name, f"{what}; without SCAN those of --into CASE are taken", run)
        parser.add_argument("scan", type=Path, nargs="?", metavar="SCAN", help="the patient's scan")
        second = "PROSTHESIS" if name == "match-dual" else "SURFACE"
        parser.add_argument("other", type=Path, nargs="?", metavar=second, help="what is laid onto it")
        parser.add_argument("--into", type=Path, metavar="CASE", help="adopt the match in this case")
        parser.add_argument("--surface-id", metavar="NAME", help="which surface scan of the case")
        add_at(parser)
        if name == "match-surface":
            parser.add_argument("--start", type=Path, metavar="PAIRS.json", help="rough start by three pairs")
            parser.add_argument(
                "--jaw", choices=sorted(JAW_UP), help="which jaw the surface shows; helps the search"
            )
        if name == "match-dual":
            parser.add_argument(
                "--out", type=Path, metavar="FILE", help="write the prosthesis, placed in LPS (STL, PLY)"
            )
            parser.add_argument(
                "--known-ball",
                type=_ball,
                metavar="X,Y,Z,D",
                help="a ball of known diameter D (mm) in the scan of the prosthesis, and its centre there",
            )


@define
class Given:
    """What a match is made from."""

    volume: Volume
    other: Surface | Volume
    sites: dict[str, FloatArray]
    at: FloatArray
    surface_id: str = ""
    store: CaseStore | None = None
    jaw: str = ""
    region: NDArray[np.bool_] | None = None
    other_source: ScanSource | None = None
    """Of a second volume."""
    fixed: tuple[Marker, ...] | None = None
    moving: tuple[Marker, ...] | None = None


def _ball(text: str) -> KnownBall:
    parts = [float(part) for part in text.split(",")]
    if len(parts) != 4 or not all(np.isfinite(parts)) or parts[3] <= 0:
        raise ValueError(text)
    return KnownBall(parts[:3], parts[3])


@contextmanager
def _given(arguments: Arguments) -> Iterator[Given]:
    """Give scan and surface, from files or from the case."""
    at = np.array(arguments.at, dtype=np.float64).reshape(-1, 3)
    with ExitStack() as stack:
        store = None if arguments.into is None else stack.enter_context(open_case(arguments.into))
        if arguments.scan is not None:
            if arguments.other is None:
                raise PlannerError("Two things are matched; only one is given.", "Name the second file.")
            volume = open_scan(arguments.scan).volume
            other, source = _other(arguments.other, arguments.surface_id or "")
            yield Given(volume, other, {}, at, arguments.surface_id or "", store, other_source=source)
            return
        if store is None:
            raise PlannerError("Neither files nor a case are given.", "Name scan and surface, or --into CASE.")
        store.bring_into_memory()
        yield _of_case(store.plan(), arguments, at, store)


def _of_case(plan: Plan, arguments: Arguments, at: FloatArray, store: CaseStore) -> Given:
    """Give what a case holds for the match: scan, surface, sites, painted region, markers."""
    dual = arguments.command == "match-dual"
    role = SurfaceRole.PROSTHESIS if dual else SurfaceRole.TEETH
    likely = [k for k, s in plan.surfaces.items() if s.role is role] or list(plan.surfaces)
    surface_id = arguments.surface_id or next(iter(likely), "")
    if plan.scan is None or surface_id not in plan.surfaces:
        raise PlannerError("The case lacks the scan or the surface scan.", "Import both first.")
    chosen = plan.surfaces[surface_id]
    if chosen.role is SurfaceRole.WAX_UP:
        raise PlannerError(
            f"{chosen.label} is a wax-up, which is not in the patient: it follows the scan that it was made on.",
            "Match the scan of the teeth.",
        )
    second = plan.second_scan
    other: Surface | Volume = chosen.surface
    if dual and second is not None and second.surface_id == surface_id:
        other = second.volume
    jaw = plan.jaw.value
    if chosen.role is SurfaceRole.OPPOSING:
        jaw = "upper" if jaw == "lower" else "lower"
    region = plan.regions.get(surface_id)
    sites = {site: f.pose.platform_lps_mm for site, f in plan.fixtures.items()}
    return Given(
        plan.scan.volume, other, sites, at, surface_id, store, jaw, None if region is None else region.usable,
        fixed=_markers_of(plan, PATIENT_FRAME), moving=_markers_of(plan, chosen.surface.frame),
    )  # fmt: skip


def _markers_of(plan: Plan, frame: str) -> tuple[Marker, ...] | None:
    """Give the markers that the case keeps of a scan; None where they are to be looked for."""
    kept = in_use(plan.markers.get(frame, ()))
    return tuple(
        Marker(m.centre_mm, m.radius_mm, m.covariance_mm2, m.coverage, m.shape, m.quality) for m in kept
    ) or None  # fmt: skip


def _other(path: Path, surface_id: str) -> tuple[Surface | Volume, ScanSource | None]:
    if path.suffix.lower() in SURFACE_ENDINGS:
        return read_surface(path, f"surface:{surface_id or path.stem}").surface, None
    scan = open_scan(path)
    return scan.volume, scan.source


def _places(given: Given) -> FloatArray | None:
    places = [*given.sites.values(), *given.at]
    return np.array(places) if places else None


def _markers(arguments: Arguments) -> None:
    with _given(arguments) as given:
        check = check_scan(given.volume)
        found = match_markers(
            given.volume, given.other, sites_lps_mm=_places(given), degradation=check.level_at,
            moving=given.moving, fixed=given.fixed, progress=progress_of(arguments),
        )  # fmt: skip
        _finish(
            arguments,
            given,
            found.match,
            {"markers_used": len(found.pairs), "markers_left_out": len(found.left_out)},
        )


def _surface(arguments: Arguments) -> None:
    with _given(arguments) as given:
        if not isinstance(given.other, Surface):
            raise PlannerError(
                "A surface scan is laid onto the volume, not a second volume.", "Name an STL or PLY."
            )
        start = None
        if arguments.start is not None:
            start = match_points(pairs_of(read_json(arguments.start), arguments.start), given.other.frame)
        check = check_scan(given.volume)
        found = match_surface(
            given.volume, given.other, start=None if start is None else start.lps_from_surface,
            jaw_up=JAW_UP.get(arguments.jaw or given.jaw), sites_lps_mm=_places(given), region=given.region,
            degradation=check.level_at, progress=progress_of(arguments),
        )  # fmt: skip
        more = {"used_area_mm2": found.used_area_mm2, "observations": found.observations}
        _finish(arguments, given, found.match, more)


def _dual(arguments: Arguments) -> None:
    ball = arguments.known_ball
    body = None if ball is None else KnownBody(ball.centre_mm, ball.volume_mm3, BALL_REACH * ball.diameter_mm)
    with _given(arguments) as given:
        check = check_scan(given.volume)
        found = match_dual_scan(
            given.volume, given.other, sites_lps_mm=_places(given), degradation=check.level_at,
            known_body=body, moving=given.moving, fixed=given.fixed, progress=progress_of(arguments),
        )  # fmt: skip
        if arguments.out is not None:
            write = write_ply if arguments.out.suffix.lower() == ".ply" else write_stl
            write(arguments.out, found.prosthesis)
        if given.store is not None and given.other_source is not None:
            _keep_second_scan(given, found, ball)
        more = {
            "markers_used": len(found.markers.pairs),
            "iso_grey": found.iso_grey,
            "air_gap_share": found.gap.share,
            "air_gap_largest_mm": found.gap.largest_mm,
            "deformation_found_mm": found.deformation.found_mm,
            "deformation_smallest_shown_mm": found.deformation.smallest_mm,
            "check_findings": findings_json(found.findings),
        }
        own = [f for f in found.findings if f not in found.markers.match.findings]
        _finish(arguments, given, found.markers.match, more, findings_lines(own))


def _keep_second_scan(given: Given, found: DualScan, ball: KnownBall | None) -> None:
    """Take the scan of the prosthesis and its surface into the case."""
    assert given.store is not None
    assert isinstance(given.other, Volume)
    assert given.other_source is not None
    assert found.iso_grey is not None
    given.surface_id = given.surface_id or SECOND_FRAME
    own = found.prosthesis.moved(found.markers.match.lps_from_surface.inverse())
    second = SecondScan(given.other, given.other_source, given.surface_id, found.iso_grey, ball)
    surface = SurfaceInput(given.surface_id, "prosthesis scanned alone", SurfaceRole.PROSTHESIS, own)
    Session(store=given.store).apply("Prosthesis scanned alone", edits.set_second_scan, second, surface)


def _finish(
    arguments: Arguments, given: Given, match: Match, more: dict[str, Any], lines: Sequence[str] = ()
) -> None:
    if given.store is not None:
        session = Session(store=given.store)
        session.apply(f"Match by {match.road.value}", edits.adopt_match, match, given.surface_id)
    places = _places(given)
    at = np.zeros((0, 3)) if places is None else places
    tell(arguments, {**match_json(match, (), at), **more}, [*match_lines(match, (), at), *lines])
