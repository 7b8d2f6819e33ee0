"""What surrounds a fixture besides the ledger, and the published numbers that it is held against (FACTS.md 3)."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.case import edits
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface
from planner_core.planning.bone_taken import reduce_bone
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.crown_fit import next_site, set_up_among
from planner_core.planning.crowns import tooth_at
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.ledger import LedgerState, LiveLedger, ledger
from planner_core.planning.live import LiveSurroundings
from planner_core.planning.margins import DEFAULT_MARGINS, DRILL, margin_for
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Tube
from planner_core.planning.papilla import Between
from planner_core.planning.plates import PLATE_DEPTHS_MM

SHAPE = generic_catalogue().fixture("generic-parallel-4.0x10")
DOWN = (0.0, 0.0, -1.0)


def box(low, high):
    corners = np.array([[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    triangles = [t for a, b, c, d in quads for t in ((a, b, c), (a, c, d))]
    return Surface(np.array(corners, dtype=float), np.array(triangles, np.int32))


def straight_arch():
    """A lower arch that is straight where the tests stand: x runs along it, -y is outwards, z up."""
    x = np.linspace(-60.0, 60.0, 13)
    return ArchCurve(Jaw.LOWER, np.stack([x, np.zeros(13), np.zeros(13)], axis=1), midline_lps_mm=[0.0, 0.0, 0.0])


BONE = box((-70.0, -5.0, -25.0), (70.0, 4.0, 0.0))


def placed(site, x, z=-1.0, y=0.0):
    return PlacedFixture(site, SHAPE, FixturePose((x, y, z), DOWN))


def test_plates_crest_and_gingiva_of_a_plain_ridge():
    arch = straight_arch()
    crown = tooth_at(arch, "36", 20.0)
    live = LiveSurroundings(BONE, arch, {"36": crown}, voxel_mm=0.3, bone_sigma_mm=0.12)
    found = live.of({"36": placed("36", 20.0)})["36"]
    thickness = {(p.side, p.depth_mm): p.thickness_mm for p in found.plates}
    assert set(thickness) == {(side, depth) for side in ("facial", "lingual") for depth in PLATE_DEPTHS_MM}
    # The outer wall stands 5 mm off the axis, the inner one 4 mm; the body's radius is 2 mm.
    assert all(
        value == pytest.approx(3.0 if key[0] == "facial" else 2.0, abs=0.01) for key, value in thickness.items()
    )
    assert {p.sigma_mm for p in found.plates} == {0.12}
    assert found.crest_depth_mm == pytest.approx(1.0, abs=0.01)
    assert found.margin_depth_mm == pytest.approx(4.0, abs=0.01)
    assert found.exit is not None
    assert found.exit.inside
    assert all(found.state_of(p) is LedgerState.CLEAR for p in found.plates)
    thin = LiveSurroundings(BONE, arch, {}, limits_margin_mm={"bone surface": 2.5})
    states = {p.side: thin.of({"36": placed("36", 20.0)})["36"].state_of(p) for p in found.plates}
    assert states == {"facial": LedgerState.CLEAR, "lingual": LedgerState.INSIDE_MARGIN}


def test_a_plate_ends_on_the_body_and_on_the_bone():
    live = LiveSurroundings(BONE, straight_arch(), {})
    for plate in live.of({"36": placed("36", 20.0)})["36"].plates:
        away = np.linalg.norm(plate.bone_point_lps_mm - plate.fixture_point_lps_mm)
        assert away == pytest.approx(plate.thickness_mm)


def test_out_of_the_bone_is_said():
    live = LiveSurroundings(BONE, straight_arch(), {})
    found = live.of({"36": placed("36", 20.0, z=2.0, y=6.0)})["36"]
    assert all(live_state is LedgerState.TOUCHES for live_state in map(found.state_of, found.plates))
    assert found.crest_depth_mm is None or found.crest_depth_mm <= 0.0


def test_a_fixture_that_stays_keeps_its_surroundings_and_a_drag_gives_what_a_fresh_look_gives():
    arch = straight_arch()
    live = LiveSurroundings(BONE, arch, {})
    fixtures = {"36": placed("36", 20.0), "46": placed("46", -20.0)}
    first = live.of(fixtures)
    for k in range(1, 12):
        fixtures = {**fixtures, "36": placed("36", 20.0 + 0.9 * k)}
        now = live.of(fixtures)
        assert now["46"] is first["46"]
    fresh = LiveSurroundings(BONE, arch, {}).of(fixtures)["36"]
    assert [p.thickness_mm for p in now["36"].plates] == pytest.approx([p.thickness_mm for p in fresh.plates])


def test_papilla_between_fixtures_and_beside_a_tooth():
    """Gastaldo 2004: 3 mm apart and up to 3 mm (fixtures) or 5 mm (tooth) from contact to crest mostly present."""
    arch = straight_arch()
    crowns = {site: tooth_at(arch, site, x) for site, x in (("35", 10.0), ("36", 18.0))}
    root = Obstacle(ObstacleKind.ROOT, "root 34", Tube([[3.0, 0.0, 2.0], [3.0, 0.0, -10.0]], [1.0, 1.0]))
    book = LiveLedger([root])
    live = LiveSurroundings(BONE, arch, crowns, book)
    fixtures = {"35": placed("35", 10.0), "36": placed("36", 18.0)}
    found = {p.towards: p for p in live.of(fixtures)["35"].papillae}
    assert found["36"].between is Between.FIXTURES
    assert found["36"].gap_mm == pytest.approx(4.0, abs=0.01)
    assert found["34"].between is Between.TOOTH_AND_FIXTURE
    assert found["34"].gap_mm == pytest.approx(4.0, abs=0.01)
    contact = crowns["35"].contacts_lps_mm()[0]
    assert found["36"].contact_to_crest_mm == pytest.approx(float(contact[2]), abs=0.01)
    assert "Gastaldo" in found["36"].text


def test_three_millimetres_count_at_platform_level_and_contact_of_drills_below():
    """Tarnow 2000: twice 1.40 mm of lateral loss make 2.8, which rounds up to 3 mm, at the crest."""
    lean = np.radians(12.0)
    one = PlacedFixture("35", SHAPE, FixturePose((0.0, 0.0, 0.0), (np.sin(lean), 0.0, -np.cos(lean))))
    two = PlacedFixture("36", SHAPE, FixturePose((7.5, 0.0, 0.0), (0.0, 0.0, -1.0)))
    rows = {(r.site, r.body): r for r in ledger({"35": one, "36": two}, []).rows}
    assert rows["35", "fixture"].distance_mm > 3.0
    assert rows["35", "fixture"].state is LedgerState.CLEAR
    assert rows["35", "drill"].distance_mm < 3.0
    assert rows["35", "drill"].state is LedgerState.CLEAR
    assert rows["35", "fixture"].distance_mm == pytest.approx(rows["36", "fixture"].distance_mm, abs=1e-9)
    assert 2 * 1.40 <= margin_for(ObstacleKind.FIXTURE).value_mm == 3.0


@pytest.mark.parametrize(
    ("kind", "value", "word"),
    [
        (ObstacleKind.CANAL, 2.0, "Fokas"),
        (ObstacleKind.FORAMEN, 2.0 + 2.4, "loop"),
        (ObstacleKind.ROOT, 1.5, "Esposito"),
        (ObstacleKind.FIXTURE, 3.0, "Tarnow"),
        (ObstacleKind.BONE_SURFACE, 1.5, "Monje"),
        (ObstacleKind.SINUS_FLOOR, 1.0, "no source"),
    ],
)
def test_default_margins_are_the_published_ones_and_called_conventions(kind, value, word):
    """FACTS.md section 3, row by row."""
    margin = DEFAULT_MARGINS[kind]
    assert margin.value_mm == pytest.approx(value)
    assert margin.convention
    assert word in margin.source
    own = margin_for(kind, limits_margin_mm={kind.value: 0.7})
    assert (own.value_mm, own.source) == (0.7, "the user's own value")
    assert margin_for(ObstacleKind.FIXTURE, DRILL).value_mm == 0.0


@pytest.mark.parametrize("site", ["51", "65", "75", "85", "19", "40", "9", "", "3a"])
def test_no_fixture_and_no_planned_tooth_at_a_milk_tooth(site):
    """ISO 19429 designates implant locations by ISO 3950 numbers without quadrants 5 to 8."""
    plan = edits.set_arch(Plan(), straight_arch())
    with pytest.raises(PlannerError):
        edits.place_fixture(plan, site, SHAPE, FixturePose((0.0, 0.0, 0.0), DOWN))
    with pytest.raises(PlannerError):
        tooth_at(straight_arch(), site, 0.0)


def test_neighbours_run_through_the_whole_arch():
    """ISO 3950: 48 to 41, then 31 to 38; 18 to 11, then 21 to 28."""
    for start, stop in (("48", "38"), ("18", "28")):
        walk = [start]
        while (following := next_site(walk[-1], 1)) is not None:
            walk.append(following)
        assert len(walk) == 16
        assert walk[-1] == stop
        assert [next_site(b, -1) for b in walk[1:]] == walk[:-1]


def test_copy_and_mirror_are_edits_with_their_refusals():
    plan = edits.set_arch(Plan(), straight_arch())
    plan = edits.place_fixture(plan, "36", SHAPE, FixturePose((20.0, 1.0, -1.0), (0.1, 0.05, -1.0)))
    plan = edits.mirror_fixture(plan, "36")
    left, right = plan.fixtures["36"].pose, plan.fixtures["46"].pose
    assert right.platform_lps_mm == pytest.approx(left.platform_lps_mm * [-1, 1, 1], abs=1e-6)
    assert right.axis_lps == pytest.approx(left.axis_lps * [-1, 1, 1], abs=1e-6)
    with pytest.raises(PlannerError, match="already"):
        edits.mirror_fixture(plan, "36")
    plan = edits.copy_fixture(plan, "36", "34")
    assert plan.fixtures["34"].pose.axis_lps == pytest.approx(left.axis_lps)
    assert plan.fixtures["34"].pose.platform_lps_mm[1:] == pytest.approx(left.platform_lps_mm[1:])
    plan = edits.set_lock(plan, "34", True)
    with pytest.raises(PlannerError, match="locked"):
        edits.align_fixture(plan, "34", "46")


def test_crowns_stand_over_the_crest_that_is_there():
    arch = straight_arch()
    low = box((-70.0, -5.0, -25.0), (70.0, 4.0, -6.0))
    (crown,) = set_up_among(arch, ["36"], bone=low).crowns
    assert float(crown.cervical_lps_mm[2]) == pytest.approx(-3.0, abs=0.01)


def test_bone_is_taken_off_only_where_the_prosthesis_stands():
    arch = straight_arch()
    part = reduce_bone(BONE, arch, (0.0, 0.0, -2.0), between_mm=(-10.0, 15.0))
    assert part.volume_mm3 == pytest.approx(25.0 * 9.0 * 2.0, rel=1e-6)
    assert part.stations_mm[0] >= -10.0
    assert part.stations_mm[-1] <= 15.0
