"""Commands about the scan: import, scan-check."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from app.cli_shared import (
    Arguments,
    Commands,
    add_command,
    findings_json,
    findings_lines,
    is_case,
    open_case,
    progress_of,
    tell,
)
from app.edit_script import read_surface_input
from planner_core.anatomy.structures import Jaw
from planner_core.case import edits
from planner_core.case.blockers import blockers_of
from planner_core.case.case_file import CaseStore
from planner_core.case.derived.site_readings import PartReading, site_readings
from planner_core.case.identity import scan_without_identity
from planner_core.case.plan import Plan, ScanInput, SurfaceRole
from planner_core.case.session import Session
from planner_core.errors import PlannerError
from planner_core.imaging.open_scan import open_scan
from planner_core.progress import part_of

SURFACE_ENDINGS = (".stl", ".ply", ".obj", ".3mf")


def register(commands: Commands) -> None:
    """Add the commands."""
    take = add_command(
        commands, "import", "take a scan or a surface scan into a case; without CASE, list what is there", _import
    )
    take.add_argument("source", type=Path, help="folder, zip, disc or file")
    take.add_argument("case", type=Path, nargs="?", help="case folder, new or present")
    take.add_argument("--series", metavar="UID", help="which series, where there are several")
    take.add_argument("--resample", action="store_true", help="put tilted or uneven slices onto an even grid")
    take.add_argument("--jaw", choices=["lower", "upper"], help="jaw of a new case")
    take.add_argument("--surface-id", metavar="NAME", help="name of a surface scan in the case")
    take.add_argument("--role", choices=[r.value for r in SurfaceRole], default=SurfaceRole.TEETH.value)
    take.add_argument("--without-identity", action="store_true", help="leave out whose scan it is")
    take.add_argument("--unit", choices=["mm", "cm", "m", "inch"], help="unit of a surface file")
    check = add_command(commands, "scan-check", "where the scan can be trusted", _scan_check)
    check.add_argument("source", type=Path, help="case, or anything that can be imported")
    check.add_argument("--series", metavar="UID")
    check.add_argument("--map", type=Path, metavar="OUT.nii.gz", help="write the degradation (0 to 1) as a volume")
    check.add_argument(
        "--reduced", type=Path, metavar="OUT.nii.gz", help="write an altered copy with fewer streaks"
    )


def _import(arguments: Arguments) -> None:
    if arguments.case is None:
        _list(arguments)
    elif arguments.source.suffix.lower() in SURFACE_ENDINGS:
        _import_surface(arguments)
    else:
        _import_scan(arguments)


def _list(arguments: Arguments) -> None:
    from planner_core.imaging.dicom_import import list_series

    listing = list_series(arguments.source, progress_of(arguments))
    series: list[dict[str, Any]] = [
        {
            "uid": s.uid,
            "description": s.description,
            "modality": s.modality,
            "date": s.date,
            "files": s.n_files,
            "shape": s.shape,
            "spacing_mm": s.spacing_mm,
            "size_mm": s.size_mm,
            "problem": s.problem,
        }
        for s in listing.series
    ]
    if not series:
        raise PlannerError(f"No series was found in {arguments.source}.", "Choose the folder that holds the scan.")
    lines = [
        f"{s['uid']}  {s['modality']}  {s['date']}  {' x '.join(map(str, s['shape']))}  {s['description']}"
        + (f"  ({s['problem']})" if s["problem"] else "")
        for s in series
    ]
    skipped = [f"skipped: {count} x {reason}" for reason, count in listing.skipped.items()]
    tell(arguments, {"series": series, "skipped": dict(listing.skipped)}, [*lines, *skipped])


def _import_scan(arguments: Arguments) -> None:
    progress = progress_of(arguments)
    found = open_scan(
        arguments.source, arguments.series, resample=arguments.resample, progress=part_of(progress, 0.0, 0.6)
    )
    scan = ScanInput(found.volume, found.source, found.findings)
    if arguments.without_identity:
        scan = scan_without_identity(scan)
    label = f"Import scan of {found.volume.shape[0]} slices"
    with _case_for(arguments) as store:
        plan = edits.take_patient(edits.set_scan(store.plan(), scan))
        revision = store.append(plan, label, part_of(progress, 0.6, 1.0))
        differs = [f for f in blockers_of(plan) if f.code == "patient-differs"]
    shape, spacing = found.volume.shape, found.volume.spacing_mm
    result: dict[str, Any] = {
        "case": str(arguments.case),
        "revision": revision.number,
        "shape": shape,
        "spacing_mm": spacing,
        "content_sha256": found.volume.content_hash,
        "kind": found.source.kind,
        "files_used": found.source.files_used,
        "files_skipped": found.source.files_skipped,
        "patient": {
            "name": plan.patient.name,
            "id": plan.patient.patient_id,
            "birth_date": plan.patient.birth_date,
        },
        "findings": findings_json([*found.findings, *differs]),
    }
    who = ", ".join(part for part in (plan.patient.name, plan.patient.patient_id, plan.patient.birth_date) if part)
    size = " x ".join(str(n) for n in shape)
    voxel = " x ".join(f"{s:.3f}" for s in spacing)
    lines = [f"{size} voxels of {voxel} mm are in {arguments.case}.", f"Patient: {who or 'not named'}."]
    tell(arguments, result, [*lines, *findings_lines([*found.findings, *differs])])


def _import_surface(arguments: Arguments) -> None:
    surface = read_surface_input(
        arguments.source,
        arguments.surface_id or arguments.source.stem,
        arguments.source.name,
        SurfaceRole(arguments.role),
        arguments.unit,
        progress_of(arguments),
    )
    with _case_for(arguments) as store:
        session = Session(store=store)
        session.apply(f"Add surface scan {surface.label}", edits.add_surface, surface)
    size = [round(float(v), 3) for v in surface.surface.extent_mm]
    result = {
        "case": str(arguments.case),
        "surface_id": surface.surface_id,
        "triangles": len(surface.surface.triangles),
        "size_mm": size,
        "unit": surface.unit,
        "findings": findings_json(surface.findings),
    }
    words = f"{len(surface.surface.triangles)} triangles, {' x '.join(f'{v:.1f}' for v in size)} mm, as "
    lines = [f"{words}{surface.surface_id!r} in {arguments.case}.", *findings_lines(surface.findings)]
    tell(arguments, result, lines)


def _case_for(arguments: Arguments) -> CaseStore:
    """Open the case to import into, or make it."""
    if is_case(arguments.case):
        store = open_case(arguments.case)
        if arguments.jaw:
            Session(store=store).apply("Choose jaw", edits.set_jaw, Jaw(arguments.jaw))
        return store
    plan = Plan() if arguments.jaw is None else edits.set_jaw(Plan(), Jaw(arguments.jaw))
    return CaseStore.create(arguments.case, plan=plan)


def _scan_check(arguments: Arguments) -> None:
    from planner_core.case.derived import scan_check_of
    from planner_core.imaging.nifti import write_map, write_nifti
    from planner_core.imaging.reduction import reduced_view
    from planner_core.imaging.scan_check import check_scan
    from planner_core.imaging.scan_check_json import scan_check_json

    progress = progress_of(arguments)
    fixtures: Any = {}
    parts: Mapping[str, tuple[PartReading, ...]] = {}
    if is_case(arguments.source):
        # Opened for writing where that is possible: the case keeps its check.
        with CaseStore.open(arguments.source) as store:
            plan = store.plan()
            check = scan_check_of(plan, part_of(progress, 0.2, 0.9), store)
            assert plan.scan is not None
            volume, fixtures = plan.scan.volume, plan.fixtures
            parts = site_readings(plan, check)
    else:
        volume = open_scan(arguments.source, arguments.series, progress=part_of(progress, 0.0, 0.5)).volume
        check = check_scan(volume, part_of(progress, 0.5, 0.9))
    if arguments.map is not None:
        import numpy as np

        level = check.degradation
        write_map(arguments.map, np.zeros(volume.shape, np.float32) if level is None else level, volume)
    if arguments.reduced is not None:
        view = reduced_view(volume, check, part_of(progress, 0.9, 1.0))
        write_nifti(arguments.reduced, view.volume, view.label)
    progress(1.0)
    places = {site: fixture.pose.at_depth(fixture.shape.length_mm / 2.0) for site, fixture in fixtures.items()}
    sites = {site: check.readable_at(place) for site, place in places.items()}
    result = scan_check_json(check, volume, places)
    lines = []
    for site, verdict in sites.items():
        lines.append(f"{site}: {'can be trusted' if verdict.readable else 'cannot be trusted'}. {verdict.why}")
        for reading in parts.get(site, ()):
            result["sites"][site].setdefault("parts", {})[reading.part] = {
                "readable": reading.readable,
                "level": round(reading.level, 4),
                "why": reading.why,
            }
            if reading.readable is False:
                lines.append(f"  {reading.part}: cannot be read. {reading.why}")
    tell(arguments, result, [*lines, *findings_lines(check.findings)])
