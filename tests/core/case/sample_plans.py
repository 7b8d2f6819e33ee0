"""Small plans for the tests of the case: every part filled, no real person."""

from __future__ import annotations

import numpy as np
from attrs import evolve

from planner_core.anatomy.marked import (
    AnteriorLoop,
    BoneCut,
    Cavity,
    CavityKind,
    DrawnKind,
    DrawnStructure,
    Foramen,
    MarkedTooth,
    RootForm,
    ToothState,
)
from planner_core.anatomy.measure import MeasureKind, measure
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal, Jaw, Side
from planner_core.case import edits
from planner_core.case.plan import Patient, Plan, ScanInput, ScanReading, SurfaceInput, SurfaceRole
from planner_core.findings import Finding, Severity
from planner_core.geometry.covariance import PoseCovariance
from planner_core.geometry.frames import RigidTransform, rotation_about
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.retention import Retention
from planner_core.imaging.scan import ScanSource
from planner_core.planning.abutments import ChosenAbutment
from planner_core.planning.arch_design import ArchDesign
from planner_core.planning.carriers import BearingArea
from planner_core.planning.catalogue import Abutment
from planner_core.planning.crowns import tooth_at
from planner_core.planning.drilling import DrillList, DrillStep, Guidance, Sleeve, Support
from planner_core.planning.eligibility import CarrierTooth
from planner_core.planning.fixture import FixturePose, FixtureShape
from planner_core.planning.own_outcomes import OutcomeLine, OwnData
from planner_core.planning.seating import Pin
from planner_core.registration.kept import KeptMarker, KnownBall, PaintedRegion, SecondScan
from planner_core.registration.match import Match, PointPair, Road


def small_volume(seed: int = 1, shape: tuple[int, int, int] = (9, 11, 13)) -> Volume:
    """A little noise in an oblique, left-handed place with awkward numbers."""
    rng = np.random.default_rng(seed)
    affine = np.eye(4)
    affine[:3, :3] = rotation_about((1.0, 2.0, 0.5), 0.3) @ np.diag([0.3, 0.1 + 0.2 / 3, -0.25])
    affine[:3, 3] = (-12.3, 45.6789012345, 1.0 / 3.0)
    return Volume(rng.integers(-1000, 3000, shape).astype(np.int16), affine, 1.5, -3.25, "1.2.3")


def small_surface(points: int = 60, frame: str = "surface:lower") -> Surface:
    rng = np.random.default_rng(2)
    corners = rng.normal(size=(points, 3)) * 10
    triangles = rng.integers(0, points, (2 * points, 3)).astype(np.int32)
    return Surface(corners, triangles, frame)


def small_bone() -> Surface:
    """A closed block about the fixtures, normals outwards."""
    corners = np.array([[x, y, z] for x in (-32.0, 32.0) for y in (-20.0, 30.0) for z in (-25.0, 1.0)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return Surface(corners, np.array(triangles, np.int32), "lps")


def small_shape(length_mm: float = 10.0) -> FixtureShape:
    profile = np.array([[0.0, 2.0], [length_mm - 2.0, 1.9], [length_mm, 1.0]])
    return FixtureShape(f"test-4.0-{length_mm:g}", f"Test 4.0 x {length_mm:g}", 4.0, length_mm, 4.1, profile)


def small_canal(side: Side = Side.LEFT, n: int = 80) -> Canal:
    along = np.linspace(0.0, 1.0, n)
    sign = 1.0 if side is Side.LEFT else -1.0
    path = np.stack([sign * (24 + 4 * along), -10 + 40 * along, -12 + 3 * along**2], axis=1)
    return Canal(side, path[:: n // 4], path, np.full(n, 3.0), np.full(n, 0.4), along < 0.8)


def small_match() -> Match:
    pose = RigidTransform.from_parts(rotation_about((0, 0, 1), 0.1), (1.0, 2.0, 3.0), "surface:lower")
    return Match(
        Road.POINTS,
        pose,
        PoseCovariance(np.diag([1e-6] * 3 + [1e-2] * 3), (0, 0, 0)),
        0.2,
        np.array([0.1, 0.2, 0.3]),
    )


def small_body(middle_lps_mm: tuple[float, float, float]) -> Surface:
    """A closed block of 4 mm."""
    return Surface(small_bone().points_mm / 32.0 * 2.0 + np.array(middle_lps_mm), small_bone().triangles)


def with_match_inputs(plan: Plan) -> Plan:
    """Give what the other roads of the match are made from."""
    marker = KeptMarker("M1", [1.0, 2.0, 3.0], 0.9, 0.01 * np.eye(3), 0.8, "blob", 0.7, True, True)
    plan = edits.set_markers(plan, "lps", (marker, evolve(marker, name="M2", crossed_out=False)))
    states = np.zeros(2000, np.int8)
    states[:700], states[-400:] = 1, -1
    plan = edits.add_surface(plan, SurfaceInput("upper", "Upper", SurfaceRole.TEETH, small_surface(2000, "upper")))
    plan = edits.paint_region(plan, "upper", PaintedRegion(states))
    second = SecondScan(
        small_volume(), ScanSource("dicom", kvp=90.0), "prosthesis", 312.5, KnownBall([1.0, 0, 0], 6.0)
    )
    body = SurfaceInput("prosthesis", "From its scan", SurfaceRole.PROSTHESIS, small_surface(80, "prosthesis"))
    plan = edits.set_second_scan(plan, second, body)
    return edits.note_retention(plan, [10.0, -5.0, 4.0], Retention.SCREW)


def with_restorations(plan: Plan) -> Plan:
    """Plan two teeth, one of them out of a wax-up, an abutment, and the design of the arch."""
    assert plan.arch is not None
    made = tooth_at(plan.arch, "36", 34.0)
    taken = evolve(tooth_at(plan.arch, "46", -34.0), shape=small_body((-24.0, 5.0, 6.0)), source="imported surface")
    plan = edits.set_crowns(plan, (made, taken))
    plan = edits.set_abutment(plan, "36", ChosenAbutment(Abutment("17 degrees", 17.0, 3.0, 12), 5))
    lip = np.array([[-10.0, -20, 8], [10.0, -20, 8]])
    return edits.set_design(plan, ArchDesign("overdenture on a bar", [0, 0, 10.0], [0, 0, 1.0], 2.5, lip))


def with_carriers(plan: Plan) -> Plan:
    """What carries the guide, and the clinic's own outcomes."""
    plan = edits.set_mouth(plan, evolve(plan.mouth, teeth=(CarrierTooth("33"), CarrierTooth("43", mobile=True))))
    plan = edits.set_bearing_areas(plan, (BearingArea(Support.MUCOSA, -20.0, 20.0, 2.5),))
    plan = edits.set_pins(plan, (Pin([0.0, -21.0, 3.0], [0.0, 1.0, 0.0]),))
    line = OutcomeLine(2, "G1", "36", 10.0, 0.8, 1.0, 2.5, Support.TEETH, Guidance.FULL)
    return edits.set_own_data(plan, OwnData("own.csv", "ab" * 32, "2026-01-31", (line,), ("Line 3: left out.",)))


def with_marks(plan: Plan) -> Plan:
    """Mark a bit of everything, away from the fixtures."""
    plan = with_carriers(with_restorations(with_match_inputs(plan)))
    ends = ([-5.0, -20.0, 2.0], [-5.0, -20.0, 10.0], [-5.0, -20.0, -14.0])
    tooth = MarkedTooth("41", small_body((-5.0, -20.0, 0.0)), [0, 0, -1], *ends, 0.2, 0.4, [[-5.0, -20.0, 3.0]])
    plan = edits.mark_tooth(plan, evolve(tooth, form=RootForm(0.9, 4.0, 1), state=ToothState.MOBILE))
    loop = AnteriorLoop(1.2, 0.3, True, 3.2, "seen")
    plan = edits.mark_foramen(
        plan, Side.LEFT, Foramen([24.0, -14.0, -12.0], 0.4, [[24.0, -10.0, -12.0]], True, loop)
    )
    airway = Cavity(CavityKind.AIRWAY, small_body((0, 60, 0)), 64.0, 0.2, [[0.0, 60, -2]], [0.0, 60, 0])
    plan = edits.mark_cavity(plan, airway)
    points = np.linspace([3.0, -19.0, -12.0], [20.0, -14.0, -12.0], 5)
    tube = DrawnStructure(
        "incisive canal, left", DrawnKind.INCISIVE_CANAL, points, np.full(5, 1.2), np.full(5, 0.3), np.arange(5) < 4
    )
    plan = edits.draw_structure(plan, tube)
    lesion = DrawnStructure("cyst", DrawnKind.LESION, surface=small_body((5, -16, -5)), outlines_lps_mm=(points,))
    plan = edits.draw_structure(plan, lesion)
    plan = edits.keep_measurement(plan, measure(MeasureKind.DISTANCE, [[0, 0, 0], [0, 3, 4]], label="width"))
    return edits.plan_bone_cut(plan, BoneCut([0.0, 0.0, 0.9], [0.0, 0.0, 1.0]))


def full_plan() -> Plan:
    """A plan in order: every part filled but what is marked besides arch and canals (`with_marks`)."""
    plan = edits.set_title(Plan(), "A test of everything")
    plan = edits.set_patient(plan, Patient("Invented, Person Ω", "X-1", "1970-01-01", invented=True))
    plan = edits.set_scan(
        plan,
        ScanInput(
            small_volume(),
            ScanSource("dicom", kvp=90.0, files_used=9),
            (Finding(Severity.NOTE, "a-note", "A note."),),
        ),
    )
    plan = edits.add_surface(plan, SurfaceInput("lower", "Lower scan", SurfaceRole.TEETH, small_surface()))
    pairs = tuple(PointPair(f"m{k}", np.eye(3)[k] * 10, np.eye(3)[k] * 10 + 1, 0.3) for k in range(3))
    plan = edits.set_pairs(plan, pairs)
    plan = edits.adopt_match(plan, small_match(), "lower")
    arch = ArchCurve(Jaw.LOWER, [[-25, 20, 0], [0, -20, 0.1], [25, 20, 0]])
    plan = edits.set_arch(plan, arch)
    plan = edits.set_canal(plan, small_canal(Side.LEFT))
    plan = edits.set_canal(plan, small_canal(Side.RIGHT))
    plan = edits.adopt_bone(plan, BoneSurface(small_bone(), float("nan"), 0.3))
    plan = edits.place_fixture(plan, "36", small_shape(), FixturePose([24.0, 5.0, 0.0], [0.05, 0.0, -1.0], 12.5))
    plan = edits.place_fixture(plan, "46", small_shape(8.0), FixturePose([-24.0, 5.0, 0.0], [0.0, 0.0, -1.0]))
    plan = edits.set_guide(plan, Support.TEETH, Guidance.FULL, "K7-Q2")
    plan = edits.set_sleeve(plan, "36", Sleeve("5.0 x 4", 5.0, 6.0, 4.0, 3.0, 0.1))
    plan = edits.set_drill_list(
        plan, DrillList("Test list", (DrillStep("Pilot", 2.0), DrillStep("Last", 3.5, 8.0, 800)))
    )
    plan = edits.set_margin(plan, "canal", 2.5)
    plan = edits.set_harm_limit(plan, 0.02)
    plan = edits.set_reading(plan, ScanReading("Dr Invented", "2026-01-31", "Nothing seen."))
    return edits.set_notes(plan, "Notes\nwith two lines")
