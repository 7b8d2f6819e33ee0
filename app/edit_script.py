"""Edits from a JSON file: every function of `planner_core.case.edits`, by name.

The file is a list of edits (one undoable step), or ``{"steps": [{"label": "...", "edits": [...]}, ...]}``. An
edit is ``{"edit": "place_fixture", "site": "36", "shape": "generic-tapered-4.0x10", "pose": {...}}``: the name,
and its arguments by name. Values are those of the plan's JSON. Short forms:

- a fixture shape, sleeve or drill list: its id in the generic catalogue;
- an arch: ``{"control_lps_mm": [...]}``, the jaw is the plan's;
- a canal: ``{"side": "left", "clicks_lps_mm": [...], "diameter_mm": 3.0}`` through the clicks, with
  ``"trace": true`` followed in the scan;
- a bone surface: ``{"from": "scan"}``;
- a match: ``{"road": "points"}``, from the plan's pairs;
- own outcomes: ``{"file": "outcomes.csv"}`` (columns: `planner_core.planning.own_outcomes`);
- a scan: ``{"file": "folder or file"}``; a surface: ``{"file": "scan.stl", "surface_id": "lower"}``; paths from the
  place of the JSON file.
"""

from __future__ import annotations

import inspect
import json
import typing
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from attrs import frozen

from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal, Side
from planner_core.case import edits
from planner_core.case.codec import from_plain
from planner_core.case.plan import Plan, ScanInput, SurfaceInput, SurfaceRole
from planner_core.errors import PlannerError
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.drilling import DrillList, Sleeve
from planner_core.planning.fixture import FixtureShape
from planner_core.planning.own_outcomes import OwnData
from planner_core.progress import Progress, silent
from planner_core.registration.match import Match

Json = Any


@frozen
class ScriptStep:
    """One undoable step of a script."""

    label: str
    edits: tuple[Mapping[str, Json], ...]


@frozen
class Place:
    """What a short form may ask for: where files are looked for, and progress."""

    folder: Path
    progress: Progress = silent


def edit_names() -> dict[str, Callable[..., Plan]]:
    """Give every edit by name."""
    return {name: getattr(edits, name) for name in edits.__all__}


def described() -> list[tuple[str, str, str]]:
    """Give name, parameters and first line of every edit."""
    rows = []
    for name, function in edit_names().items():
        parameters = [
            p.name + ("" if p.default is inspect.Parameter.empty else " (may be left out)")
            for p in list(inspect.signature(function).parameters.values())[1:]
        ]
        rows.append((name, ", ".join(parameters), (function.__doc__ or "").strip().splitlines()[0]))
    return rows


def read_script(path: Path) -> tuple[ScriptStep, ...]:
    """Read a script of edits.

    Raises
    ------
    PlannerError
        If the file cannot be read or is not of the form that the module's text describes.
    """
    data = read_json(path)
    steps = data.get("steps") if isinstance(data, dict) else [{"edits": data}]
    if not isinstance(steps, list) or not all(
        isinstance(s, dict) and isinstance(s.get("edits"), list) for s in steps
    ):
        raise PlannerError(
            f"{path.name} holds neither a list of edits nor steps of them.", "See `apply --list` for the form."
        )
    found = []
    for step in steps:
        for edit in step["edits"]:
            if not isinstance(edit, dict) or edit.get("edit") not in edit_names():
                named = edit.get("edit") if isinstance(edit, dict) else edit
                raise PlannerError(f"{path.name} names no edit that exists: {named!r}.", "See `apply --list`.")
        label = str(step.get("label") or ", ".join(str(e["edit"]).replace("_", " ") for e in step["edits"]))
        found.append(ScriptStep(label[:1].upper() + label[1:], tuple(step["edits"])))
    return tuple(found)


def read_json(path: Path) -> Json:
    """Read a JSON file."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as fault:
        raise PlannerError(f"There is no file {path}.", "Check the path.") from fault
    except (OSError, UnicodeDecodeError) as fault:
        raise PlannerError(f"{path} cannot be read.", "Choose a JSON file.") from fault
    except ValueError as fault:
        raise PlannerError(f"{path.name} is no JSON: {fault}.", "Correct the file.") from fault


def run_step(plan: Plan, step: ScriptStep, place: Place) -> Plan:
    """Give the plan after all edits of a step."""
    for edit in step.edits:
        plan = run_edit(plan, edit, place)
    return plan


def run_edit(plan: Plan, edit: Mapping[str, Json], place: Place) -> Plan:
    """Give the plan after one edit of a script."""
    name = str(edit["edit"])
    function = edit_names()[name]
    wanted = typing.get_type_hints(function)
    parameters = list(inspect.signature(function).parameters.values())[1:]
    unknown = set(edit) - {"edit"} - {p.name for p in parameters}
    if unknown:
        raise PlannerError(f"The edit {name} has no argument {sorted(unknown)[0]!r}.", "See `apply --list`.")
    arguments = {}
    for parameter in parameters:
        if parameter.name in edit:
            try:
                arguments[parameter.name] = value_of(plan, edit[parameter.name], wanted[parameter.name], place)
            except (TypeError, ValueError, KeyError, IndexError) as fault:
                text = f"The argument {parameter.name!r} of {name} does not fit: {fault}."
                raise PlannerError(text, "See `apply --help`.") from fault
        elif parameter.default is inspect.Parameter.empty:
            raise PlannerError(f"The edit {name} needs {parameter.name!r}.", "See `apply --list`.")
    return function(plan, **arguments)


def value_of(plan: Plan, value: Json, wanted: Any, place: Place) -> Any:
    """Give the value of a parameter of type `wanted` from JSON, short forms included."""
    options = [t for t in (typing.get_args(wanted) or (wanted,)) if t is not type(None)]
    if value is None and len(options) < len(typing.get_args(wanted)):
        return None
    for option in options:
        maker = _SHORT_FORMS.get(option)
        if maker is not None:
            made = maker(plan, value, place)
            if made is not None:
                return made
    return from_plain(value, wanted)


def _shape(_: Plan, value: Json, __: Place) -> FixtureShape | None:
    return generic_catalogue().fixture(value) if isinstance(value, str) else None


def _sleeve(_: Plan, value: Json, __: Place) -> Sleeve | None:
    return _of_catalogue(generic_catalogue().sleeves, value, "sleeve")


def _drills(_: Plan, value: Json, __: Place) -> DrillList | None:
    return _of_catalogue(generic_catalogue().drill_lists, value, "drill list")


def _of_catalogue(shelf: Mapping[str, Any], value: Json, what: str) -> Any:
    if not isinstance(value, str):
        return None
    if value not in shelf:
        raise PlannerError(f"The catalogue has no {what} {value!r}.", f"There are: {', '.join(shelf)}.")
    return shelf[value]


def _arch(plan: Plan, value: Json, _: Place) -> ArchCurve | None:
    if not isinstance(value, dict):
        return None
    return from_plain({"jaw": plan.jaw.value, **value}, ArchCurve)  # type: ignore[no-any-return]


def _canal(plan: Plan, value: Json, place: Place) -> Canal | None:
    if not isinstance(value, dict) or "clicks_lps_mm" not in value:
        return None
    from planner_core.anatomy.canal import canal_from_clicks
    from planner_core.anatomy.canal_trace import trace_canal

    side = from_plain(value.get("side"), Side)
    volume = None if plan.scan is None else plan.scan.volume
    if value.get("trace"):
        if volume is None:
            raise PlannerError("A canal can be followed only in a scan.", "Import the scan first.")
        return trace_canal(volume, side, value["clicks_lps_mm"], place.progress)
    more = {"diameter_mm": float(value["diameter_mm"])} if "diameter_mm" in value else {}
    return canal_from_clicks(side, value["clicks_lps_mm"], volume, **more)


def _bone(plan: Plan, value: Json, place: Place) -> BoneSurface | None:
    if not isinstance(value, dict) or value.get("from") != "scan":
        return None
    from planner_core.anatomy.bone import bone_surface

    if plan.scan is None:
        raise PlannerError("There is no scan to find the bone in.", "Import the scan first.")
    return bone_surface(plan.scan.volume, place.progress)


def _match(plan: Plan, value: Json, _: Place) -> Match | None:
    if not isinstance(value, dict) or value.get("road") != "points" or "lps_from_surface" in value:
        return None
    from planner_core.registration.fiducials import match_points

    if not plan.surfaces:
        raise PlannerError("There is no surface scan to match.", "Add the surface scan first.")
    surface_id = str(value.get("surface_id") or next(iter(plan.surfaces)))
    if surface_id not in plan.surfaces:
        raise PlannerError(f"There is no surface scan {surface_id!r}.", f"There are: {', '.join(plan.surfaces)}.")
    return match_points(plan.pairs, plan.surfaces[surface_id].surface.frame)


def _scan(_: Plan, value: Json, place: Place) -> ScanInput | None:
    if not isinstance(value, dict) or "file" not in value:
        return None
    from planner_core.imaging.open_scan import open_scan

    found = open_scan(place.folder / value["file"], value.get("series"), progress=place.progress)
    return ScanInput(found.volume, found.source, found.findings)


def _surface(_: Plan, value: Json, place: Place) -> SurfaceInput | None:
    if not isinstance(value, dict) or "file" not in value:
        return None
    return read_surface_input(
        place.folder / value["file"],
        str(value.get("surface_id") or Path(value["file"]).stem),
        value.get("label"),
        from_plain(value.get("role", SurfaceRole.TEETH.value), SurfaceRole),
        value.get("unit"),
        place.progress,
    )


def read_surface_input(
    path: Path,
    surface_id: str,
    label: str | None = None,
    role: SurfaceRole = SurfaceRole.TEETH,
    unit: str | None = None,
    progress: Progress = silent,
) -> SurfaceInput:
    """Read a surface file as the plan takes it, in a frame of its own."""
    from planner_core.imaging.surface_files import read_surface

    found = read_surface(path, f"surface:{surface_id}", unit, progress)
    return SurfaceInput(surface_id, label or path.name, role, found.surface, found.unit, found.findings)


def _own_data(_: Plan, value: Json, place: Place) -> OwnData | None:
    if not isinstance(value, dict) or "file" not in value:
        return None
    from planner_core.planning.own_outcomes import read_outcomes

    return read_outcomes(place.folder / value["file"], str(value.get("read_on", "")))[0]


_SHORT_FORMS: Mapping[type, Callable[[Plan, Json, Place], Any]] = {
    FixtureShape: _shape,
    Sleeve: _sleeve,
    DrillList: _drills,
    ArchCurve: _arch,
    Canal: _canal,
    BoneSurface: _bone,
    Match: _match,
    ScanInput: _scan,
    SurfaceInput: _surface,
    OwnData: _own_data,
}
