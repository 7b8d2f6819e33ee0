"""The ledger against analytic bodies, VTK and trimesh; states, margins, and what a drag keeps."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from planner_core.geometry.frames import RigidTransform, rotation_about
from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.drilling import DrillList, DrillStep
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.ledger import (
    LedgerState,
    LiveLedger,
    drill_profile,
    ledger,
    nearest_on_solid,
    state_of,
)
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Revolution, Tube
from planner_core.planning.solids import convex_profile, solid_point
from planner_core.planning.triangle_tree import TriangleTree, point_triangles
from tests.benchmarks.ledger import body_points, ridge, vtk_distance

SHAPE = generic_catalogue().fixture("generic-parallel-4.0x10")
TAPERED = generic_catalogue().fixture("generic-tapered-4.5x12")
DOWN = [0.0, 0.0, -1.0]


def placed(site, place, axis=DOWN, shape=SHAPE):
    return PlacedFixture(site, shape, FixturePose(place, axis))


def block(size=(60.0, 8.0, 30.0), top=0.0, fine=2.0):
    mesh = trimesh.creation.box(size)
    mesh.apply_translation((0, 0, top - size[2] / 2))
    mesh = mesh.subdivide_to_size(fine)
    return Surface(mesh.vertices, mesh.faces)


def bone(surface):
    return Obstacle(ObstacleKind.BONE_SURFACE, "bone surface", surface, 0.3, inside=True)


def row(rows, kind, body, site="36"):
    return next(r for r in rows if r.kind == kind and r.body == body and r.site == site)


def test_canal_counts_from_its_wall_and_the_drill_reaches_further():
    canal = Obstacle(ObstacleKind.CANAL, "canal, left", Tube([[-20, 0, -14], [20, 0, -14]], 1.5))
    rows = ledger({"36": placed("36", [0, 0, 0])}, [canal]).rows
    fixture, drill = row(rows, "canal", "fixture"), row(rows, "canal", "drill")
    assert fixture.distance_mm == pytest.approx(2.5, abs=0.01)
    assert drill.distance_mm == pytest.approx(0.5, abs=0.01)  # 2.0 mm of unknown overshoot
    assert (fixture.state, drill.state) == (LedgerState.CLEAR, LedgerState.INSIDE_MARGIN)
    assert "Fokas" in fixture.margin_source
    assert fixture.convention
    known = DrillList("own", (DrillStep("last", 3.5),), generic=False, tip_overshoot_mm=0.5)
    rows = ledger({"36": placed("36", [0, 0, 0])}, [canal], drills=known).rows
    assert row(rows, "canal", "drill").distance_mm == pytest.approx(2.0, abs=0.01)


def test_bone_left_beside_the_fixture():
    rows = ledger({"36": placed("36", [0, 0, 0])}, [bone(block())]).rows
    wall = row(rows, "bone surface", "fixture")
    assert wall.distance_mm == pytest.approx(2.0, abs=0.01)  # 4.0 to the wall, 2.0 of radius
    assert wall.depth_mm >= 0.5
    assert row(rows, "bone surface", "drill").distance_mm == pytest.approx(2.25, abs=0.01)


def test_fixture_through_the_wall_and_fixture_beside_the_bone_are_negative():
    through = ledger({"36": placed("36", [0, 3.0, 0])}, [bone(block())]).rows
    assert row(through, "bone surface", "fixture").distance_mm == pytest.approx(-1.0, abs=0.01)
    outside = ledger({"36": placed("36", [0, 9.0, 0])}, [bone(block())]).rows
    assert row(outside, "bone surface", "fixture").distance_mm == pytest.approx(-3.0, abs=0.01)
    assert row(outside, "bone surface", "fixture").state == LedgerState.TOUCHES


def test_crest_above_half_a_millimetre_is_left_out():
    """A fixture level with a wide crest: the crest's surface itself is no wall."""
    rows = ledger({"36": placed("36", [0, 0, 0])}, [bone(block(size=(60, 20, 30)))]).rows
    assert row(rows, "bone surface", "fixture").distance_mm == pytest.approx(8.0, abs=0.01)


def test_closed_obstacle_that_swallows_the_drill_is_an_overlap():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30.0)
    drawn = Obstacle(ObstacleKind.DRAWN, "lesion", Surface(ball.vertices, ball.faces))
    rows = ledger({"36": placed("36", [0, 0, 5])}, [drawn]).rows
    assert row(rows, "drawn", "fixture").distance_mm < 0
    assert row(rows, "drawn", "fixture").state == LedgerState.TOUCHES


def test_between_fixtures_platforms_count_first_and_drills_below():
    lean = [0.25, 0.0, -1.0]
    rows = ledger({"36": placed("36", [0, 0, 0], lean), "37": placed("37", [7.0, 0, 0])}, []).rows
    level, drill = row(rows, "fixture", "fixture"), row(rows, "fixture", "drill")
    assert level.margin_mm == 3.0
    assert drill.margin_mm == 0.0
    # The first leans towards the second by 0.25 in 1: its apex comes 2.4 mm nearer than its platform.
    assert drill.distance_mm < level.distance_mm < 3.0
    assert level.distance_mm == pytest.approx(row(rows, "fixture", "fixture", "37").distance_mm)


def test_fixture_already_in_the_jaw():
    old = Revolution(SHAPE.profile_mm, [7.0, 0, 0], DOWN)
    rows = ledger({"36": placed("36", [0, 0, 0])}, [Obstacle(ObstacleKind.FIXTURE, "fixture 37, old", old)]).rows
    assert row(rows, "fixture", "fixture").distance_mm == pytest.approx(3.0, abs=0.01)
    assert row(rows, "fixture", "fixture").margin_mm == 3.0


def test_own_margin_replaces_the_default():
    canal = Obstacle(ObstacleKind.CANAL, "canal, left", Tube([[-20, 0, -14], [20, 0, -14]], 1.5))
    rows = ledger({"36": placed("36", [0, 0, 0])}, [canal], limits_margin_mm={"canal": 3.0}).rows
    assert row(rows, "canal", "fixture").state == LedgerState.INSIDE_MARGIN
    assert row(rows, "canal", "fixture").margin_source == "the user's own value"


def test_state_words():
    assert state_of(0.0, 2.0) == "touches"
    assert state_of(1.999, 2.0) == "inside margin"
    assert state_of(2.0, 2.0) == "clear"


@pytest.mark.parametrize("shape", [SHAPE, TAPERED])
def test_surface_distance_agrees_with_vtk_and_trimesh(shape):
    """Fixtures beside an uneven surface: nearest of dense body points by VTK and by trimesh, to 0.05 mm."""
    surface = ridge(20_000, seed=5)
    sinus = Obstacle(ObstacleKind.SINUS_FLOOR, "surface", surface)
    distance = vtk_distance(surface)
    mesh = trimesh.Trimesh(surface.points_mm, surface.triangles, process=False)
    rng = np.random.default_rng(3)
    for k in range(6):
        turn = rng.uniform(0.3, 2.8)
        away = rng.uniform(9.0, 11.0)
        place = [(25 + away) * np.cos(turn), -(25 + away) * np.sin(turn), rng.uniform(-12, -4)]
        fixture = placed("36", place, [rng.normal(0, 0.06), rng.normal(0, 0.06), -1.0], shape)
        found = row(ledger({"36": fixture}, [sinus]).rows, "sinus floor", "fixture")
        points = body_points(fixture, 0.08)
        assert found.distance_mm == pytest.approx(float(np.abs(distance(points)).min()), abs=0.05)
        if k < 2:
            near = points[np.argsort(np.abs(distance(points)))[:200]]
            _, by_trimesh, _ = trimesh.proximity.closest_point_naive(mesh, near)
            assert found.distance_mm == pytest.approx(float(by_trimesh.min()), abs=0.05)
        on_body = nearest_on_solid(
            convex_profile(shape.profile_mm), fixture.pose.platform_lps_mm, fixture.pose.axis_lps,
            found.obstacle_point_lps_mm,
        )  # fmt: skip
        assert np.linalg.norm(on_body - found.obstacle_point_lps_mm) == pytest.approx(found.distance_mm, abs=1e-6)


def test_surface_search_finds_the_least_over_finely_divided_triangles():
    """Against plain enumeration, outside and inside: many points of the triangles that come nearest."""
    surface = ridge(6_000, seed=2)
    rng = np.random.default_rng(8)
    profile = convex_profile(TAPERED.profile_mm)
    obstacle = Obstacle(ObstacleKind.SINUS_FLOOR, "surface", surface)
    triangles = surface.points_mm[surface.triangles]
    n = 24
    weights = np.array([(i, j, n - i - j) for i in range(n + 1) for j in range(n + 1 - i)]) / n
    for _ in range(20):
        turn = rng.uniform(0.9, 2.2)
        r = 25 + rng.uniform(-9, 9)
        place = [r * np.cos(turn), -r * np.sin(turn), rng.uniform(-10, 3)]
        fixture = placed("36", place, rng.normal(size=3), TAPERED)
        frame = np.array(fixture.pose.platform_lps_mm), np.array(fixture.pose.axis_lps)
        rough = [min(solid_point(profile, *frame, p, np.empty(3)) for p in (*t, t.mean(axis=0))) for t in triangles]
        points = np.vstack([weights @ triangles[t] for t in np.argsort(rough)[:60]])
        best = min(solid_point(profile, *frame, p, np.empty(3)) for p in points)
        found = row(ledger({"36": fixture}, [obstacle]).rows, "sinus floor", "fixture").distance_mm
        swallowed = best > 0 and found < 0
        assert (-found if swallowed else found) == pytest.approx(best, abs=0.06)


def test_point_distance_agrees_with_vtk_inside_and_outside():
    surface = ridge(3_000, seed=4)
    tree = TriangleTree.of(surface)
    rng = np.random.default_rng(0)
    turn = rng.uniform(0.2, 2.9, 60)
    r = 25 + rng.uniform(-8, 8, 60)
    points = np.stack([r * np.cos(turn), -r * np.sin(turn), rng.uniform(-32, 3, 60)], axis=1)
    for p, expected in zip(points, vtk_distance(surface)(points), strict=True):
        value = point_triangles(
            p, tree.corners_mm, tree.normals, tree.start, tree.stop, tree.box_centre_mm, tree.box_half_mm,
            tree.first_leaf, np.empty(3),
        )  # fmt: skip
        assert value == pytest.approx(expected, abs=1e-6)


def test_rigid_motion_changes_no_distance():
    surface = ridge(6_000, seed=2)
    canal = Tube(np.stack([np.linspace(-20, 20, 40), np.full(40, -18.0), np.full(40, -16.0)], 1), 1.4)
    fixture = placed("36", [10.0, -21.0, 0.0], [0.1, 0.05, -1.0], TAPERED)
    turn = RigidTransform.from_parts(rotation_about([1, -2, 0.3], 0.9), [12.0, -40.0, 5.0], "lps")
    moved = PlacedFixture(
        "36",
        TAPERED,
        FixturePose(turn.apply(fixture.pose.platform_lps_mm), turn.apply_direction(fixture.pose.axis_lps)),
    )
    here = ledger({"36": fixture}, [Obstacle(ObstacleKind.CANAL, "c", canal), bone(surface)])
    there = ledger(
        {"36": moved},
        [Obstacle(ObstacleKind.CANAL, "c", Tube(turn.apply(canal.path_lps_mm), 1.4)), bone(surface.moved(turn))],
    )
    for a, b in zip(here.rows, there.rows, strict=True):
        assert a.distance_mm == pytest.approx(b.distance_mm, abs=0.005)
        np.testing.assert_allclose(turn.apply(a.obstacle_point_lps_mm), b.obstacle_point_lps_mm, atol=1.0)


def test_a_drag_gives_what_a_fresh_ledger_gives():
    obstacles = [
        bone(ridge(6_000, seed=2)),
        Obstacle(ObstacleKind.ROOT, "root 35", Tube([[12, -22, 0], [12, -22, -12]], 2.0)),
    ]
    live = LiveLedger(obstacles)
    fixtures = {"36": placed("36", [17.0, -18.0, -1.0]), "37": placed("37", [21.0, -13.0, -1.0])}
    for step in range(6):
        fixtures = {
            **fixtures,
            "36": PlacedFixture("36", SHAPE, fixtures["36"].pose.shifted([0.3, 0.1 * step, 0.0])),
        }
        fresh = {(r.site, r.obstacle, r.body): r.distance_mm for r in ledger(fixtures, obstacles).rows}
        for r in live.rows(fixtures):
            assert r.distance_mm == pytest.approx(fresh[r.site, r.obstacle, r.body], abs=0.005)


def test_drill_outline():
    unknown = drill_profile(SHAPE, None)
    assert unknown[-1].tolist() == [12.0, 1.75]
    steps = DrillList("own", (DrillStep("pilot", 2.0), DrillStep("crest", 4.0, depth_below_platform_mm=4.0)),
                      tip_overshoot_mm=0.8)  # fmt: skip
    profile = drill_profile(SHAPE, steps)
    assert profile[-1].tolist() == [10.8, 0.0]
    assert np.interp(2.0, profile[:, 0], profile[:, 1]) == pytest.approx(2.0)
