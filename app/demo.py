"""The whole job on the shipped sample: from scan folder to drilling sheet, measured against the known truth.

Everything goes through `Session` and the edits, as a user's work does. The truth serves twice only: it says
where the demo's user aims (`demo_clicks`), and what the results are compared with at the end.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from attrs import define

from app.demo_clicks import CLICK_SIGMA_MM, SEED, Hand, Truth, arch_clicks, canal_clicks, marker_pairs
from app.demo_measures import measure
from planner_core.anatomy.bone import bone_surface
from planner_core.anatomy.canal_trace import trace_canal
from planner_core.anatomy.structures import ArchCurve, Jaw, Side
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.chain import chain_of
from planner_core.case.derived import scan_check_of
from planner_core.case.plan import Patient, Plan, ScanInput, SurfaceInput, SurfaceRole
from planner_core.case.session import Session
from planner_core.case.sheet import sheet_of
from planner_core.errors import PlannerError
from planner_core.exchange.pdf import write_sheet_pdf
from planner_core.files import write_bytes
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.open_scan import open_scan
from planner_core.imaging.surface_files import read_surface
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.drilling import Guidance, Support
from planner_core.planning.fixture import FixturePose
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.fiducials import match_points
from planner_core.registration.match import PointPair

SAMPLE = Path(__file__).resolve().parent.parent / "sample_volumes" / "lower_bridge"

FIXTURES = {"36": (4.0, 10.0), "46": (4.0, 8.0)}
"""Diameter and length that the demo's user chooses, mm; the shorter one where the canal runs higher."""

GUIDE_CODE = "K7-Q2"


@define
class Demo:
    """What the demo has done so far."""

    session: Session
    hand: Hand
    truth: Truth
    progress: Progress = silent


def run_demo(out: Path, sample: Path = SAMPLE, progress: Progress = silent) -> dict[str, Any]:
    """Do the whole job and leave case, sheet, pictures and summary in the folder `out`.

    Raises
    ------
    PlannerError
        If the sample is missing or `out` holds something else. Nothing is left behind then.
    """
    if not (sample / "truth.json").is_file():
        raise PlannerError(f"The sample {sample} is missing.", "Get the program again, with its sample volumes.")
    with _own_folder(Path(out)) as folder:
        with CaseStore.create(folder / "case", plan=_start()) as store:
            demo = Demo(Session(store=store), Hand(), Truth.of(sample), progress)
            for work in (_scan, _surface, _match, _anatomy, _fixtures, _guide):
                work(demo, sample)
            summary = _results(demo, folder)
        write_bytes(folder / "summary.json", json.dumps(summary, indent=1, ensure_ascii=False).encode())
    progress(1.0)
    return summary


def _start() -> Plan:
    plan = edits.set_title(Plan(), "Invented: lower bridge, both first molars missing")
    plan = edits.set_patient(plan, Patient(invented=True))
    return edits.set_jaw(plan, Jaw.LOWER)


@contextmanager
def _own_folder(out: Path) -> Iterator[Path]:
    """Give a folder that becomes `out` at the end; an older demo's results make way, anything else stays."""
    if out.exists() and not (out.is_dir() and (not any(out.iterdir()) or (out / "summary.json").is_file())):
        raise PlannerError(f"There is something at {out} that is no demo's result.", "Choose a new folder.")
    out.parent.mkdir(parents=True, exist_ok=True)
    made = out.parent / f".{out.name}-new-{uuid.uuid4().hex[:8]}"
    made.mkdir()
    try:
        yield made
        if out.exists():
            shutil.rmtree(out)
        made.replace(out)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def _scan(demo: Demo, sample: Path) -> None:
    found = open_scan(sample / "dicom", progress=part_of(demo.progress, 0.0, 0.08))
    scan = ScanInput(found.volume, found.source, found.findings)
    demo.session.apply("Import scan", lambda plan: edits.take_patient(edits.set_scan(plan, scan)))
    scan_check_of(demo.session.plan, part_of(demo.progress, 0.08, 0.12), demo.session.store)


def _surface(demo: Demo, sample: Path) -> None:
    found = read_surface(sample / "lower.stl", "surface:lower", "mm")
    surface = SurfaceInput("lower", "lower.stl", SurfaceRole.TEETH, found.surface, found.unit, found.findings)
    demo.session.apply("Add surface scan", edits.add_surface, surface)


def _match(demo: Demo, _: Path) -> None:
    plan = demo.session.plan
    assert plan.scan is not None
    demo.progress(0.15, "Naming the markers")
    surface = plan.surfaces["lower"].surface
    pairs = clear_of_ceramic(demo, marker_pairs(demo.hand, demo.truth, plan.scan.volume, surface))
    demo.session.apply("Name marker pairs", edits.set_pairs, pairs)
    match = match_points(pairs, surface.frame)
    demo.session.apply("Match by points", edits.adopt_match, match, "lower")


def clear_of_ceramic(demo: Demo, pairs: tuple[PointPair, ...]) -> tuple[PointPair, ...]:
    """Give the pairs whose marker stands clear of dense restorations: one that sits on ceramic melts into it."""
    check = scan_check_of(demo.session.plan)
    levels = check.level_at(np.array([pair.lps_mm for pair in pairs]))
    bridges = [body for body in check.restorations if body.extent_mm.max() > 6.0]

    def away_mm(pair: PointPair) -> float:
        boxes = [np.abs(pair.lps_mm - b.centre_lps_mm) - b.extent_mm / 2.0 for b in bridges]
        return min((float(np.linalg.norm(np.maximum(box, 0.0))) for box in boxes), default=np.inf)

    clear = tuple(p for p, level in zip(pairs, levels, strict=True) if away_mm(p) > 1.5 or level < 0.2)
    return clear if len(clear) >= 3 else pairs


def _anatomy(demo: Demo, _: Path) -> None:
    plan = demo.session.plan
    assert plan.scan is not None
    volume, check = plan.scan.volume, scan_check_of(plan)
    clicks = arch_clicks(demo.hand, demo.truth)
    arch = ArchCurve(Jaw.LOWER, clicks, upright_on(clicks))
    demo.session.apply("Draw arch curve", edits.set_arch, arch)
    for number, side in enumerate((Side.RIGHT, Side.LEFT)):
        clicks = canal_clicks(demo.hand, demo.truth, side.value)
        progress = part_of(demo.progress, 0.2 + 0.05 * number, 0.25 + 0.05 * number)
        canal = trace_canal(volume, side, clicks, progress, degradation=check)
        demo.session.apply(f"Trace {side.value} canal", edits.set_canal, canal)
    bone = bone_surface(volume, part_of(demo.progress, 0.3, 0.6), degradation=check)
    demo.session.apply("Draw bone surface", edits.adopt_bone, bone)


def upright_on(points_lps_mm: FloatArray) -> FloatArray:
    """Give the unit vector towards the head that stands on the plane through points of the arch, shape (3,)."""
    normal = np.linalg.svd(points_lps_mm - points_lps_mm.mean(axis=0))[2][2]
    return np.asarray(normal if normal[2] > 0 else -normal)


def _fixtures(demo: Demo, _: Path) -> None:
    """Place the fixtures where the scenario's dentist wants the teeth, to the nearest 0.1 mm."""
    catalogue = generic_catalogue()
    for site, (diameter, length) in FIXTURES.items():
        wish = demo.truth.site(site)
        pose = FixturePose(np.round(wish["platform_lps_mm"], 1), np.array(wish["axis_lps"], dtype=np.float64))
        shape = catalogue.nearest_fixture(diameter, length)
        demo.session.apply(f"Place fixture {site}", edits.place_fixture, site, shape, pose)


def _guide(demo: Demo, _: Path) -> None:
    catalogue = generic_catalogue()
    sleeve = next(iter(catalogue.sleeves.values()))
    drills = catalogue.drill_list_for(max(diameter for diameter, _ in FIXTURES.values()))

    def set_up(plan: Plan) -> Plan:
        plan = edits.set_guide(plan, Support.TEETH, Guidance.FULL, GUIDE_CODE)
        for site in FIXTURES:
            plan = edits.set_sleeve(plan, site, sleeve)
        return edits.set_drill_list(plan, drills)

    demo.session.apply("Set up guide", set_up)


def _results(demo: Demo, folder: Path) -> dict[str, Any]:
    from app.pictures import sheet_pictures, strip_picture

    session = demo.session
    assert session.store is not None
    plan, head = session.plan, session.store.head()
    content = sheet_of(plan, head, progress=part_of(demo.progress, 0.6, 0.7))
    pictures = sheet_pictures(plan, part_of(demo.progress, 0.7, 0.85))
    write_sheet_pdf(content, pictures, folder / "sheet.pdf", part_of(demo.progress, 0.85, 0.9))
    for key, png in pictures.items():
        write_bytes(folder / "pictures" / f"section-{key.replace(':', '-')}.png", png)
    write_bytes(folder / "pictures" / "strip.png", strip_picture(plan))
    return {
        "scenario": "invented; simulated scan of known truth",
        "clicks": {"sigma_mm": CLICK_SIGMA_MM, "seed": SEED},
        **measure(plan, demo.truth),
        "revision": head.number,
        "revision_sha256": head.sha256,
        "sheet_status": content.status,
        "sheet_sha256": hashlib.sha256((folder / "sheet.pdf").read_bytes()).hexdigest(),
        "blockers": [finding.text for finding in content.blockers],
        "chain": {link.question: link.answer or link.state.value for link in chain_of(plan)},
    }
