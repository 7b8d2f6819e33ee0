"""Commands that match without pairs by hand: by markers, by the surface, by a prosthesis scanned alone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from attrs import define

from app.cli_match import match_json, match_lines, pairs_of
from app.cli_scan import SURFACE_ENDINGS
from app.cli_shared import Arguments, Commands, add_command, findings_json, open_case, progress_of, tell
from app.edit_script import read_json
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.open_scan import open_scan
from planner_core.imaging.scan_check import check_scan
from planner_core.imaging.surface_files import read_surface
from planner_core.registration.dual_scan import match_dual_scan
from planner_core.registration.fiducials import match_points
from planner_core.registration.marker_match import match_markers
from planner_core.registration.match import Match
from planner_core.registration.surface_match import match_surface

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
        parser.add_argument(
            "--at",
            type=_point,
            action="append",
            default=[],
            metavar="X,Y,Z",
            help="LPS point (mm) at which the error matters; write --at=-1,2,3 with a sign",
        )
        if name == "match-surface":
            parser.add_argument("--start", type=Path, metavar="PAIRS.json", help="rough start by three pairs")


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


def _point(text: str) -> tuple[float, float, float]:
    parts = [float(part) for part in text.split(",")]
    if len(parts) != 3:
        raise ValueError(text)
    return parts[0], parts[1], parts[2]


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
            yield Given(volume, _other(arguments.other), {}, at, arguments.surface_id or "", store)
            return
        if store is None:
            raise PlannerError("Neither files nor a case are given.", "Name scan and surface, or --into CASE.")
        plan = store.plan()
        surface_id = arguments.surface_id or next(iter(plan.surfaces), "")
        if plan.scan is None or surface_id not in plan.surfaces:
            raise PlannerError("The case lacks the scan or the surface scan.", "Import both first.")
        store.bring_into_memory()
        sites = {site: f.pose.platform_lps_mm for site, f in plan.fixtures.items()}
        surface = plan.surfaces[surface_id].surface
        yield Given(plan.scan.volume, surface, sites, at, surface_id, store, plan.jaw.value)


def _other(path: Path) -> Surface | Volume:
    if path.suffix.lower() in SURFACE_ENDINGS:
        return read_surface(path, f"surface:{path.stem}").surface
    return open_scan(path).volume


def _places(given: Given) -> FloatArray | None:
    places = [*given.sites.values(), *given.at]
    return np.array(places) if places else None


def _markers(arguments: Arguments) -> None:
    with _given(arguments) as given:
        check = check_scan(given.volume)
        found = match_markers(
            given.volume, given.other, sites_lps_mm=_places(given), degradation=check.level_at,
            progress=progress_of(arguments),
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
            jaw_up={"lower": 1.0, "upper": -1.0}.get(given.jaw), sites_lps_mm=_places(given),
            degradation=check.level_at, progress=progress_of(arguments),
        )  # fmt: skip
        more = {"used_area_mm2": found.used_area_mm2, "observations": found.observations}
        _finish(arguments, given, found.match, more)


def _dual(arguments: Arguments) -> None:
    with _given(arguments) as given:
        check = check_scan(given.volume)
        found = match_dual_scan(
            given.volume, given.other, sites_lps_mm=_places(given), degradation=check.level_at,
            progress=progress_of(arguments),
        )  # fmt: skip
        more = {"iso_grey": found.iso_grey, "check_findings": findings_json(found.findings)}
        _finish(arguments, given, found.markers.match, more)


def _finish(arguments: Arguments, given: Given, match: Match, more: dict[str, Any]) -> None:
    if given.store is not None:
        session = Session(store=given.store)
        session.apply(f"Match by {match.road.value}", edits.adopt_match, match, given.surface_id)
    places = _places(given)
    at = np.zeros((0, 3)) if places is None else places
    tell(arguments, {**match_json(match, (), at), **more}, match_lines(match, (), at))
