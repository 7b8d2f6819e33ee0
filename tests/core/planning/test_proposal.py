"""The proposal for a site, plates beside a fixture, papillae."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.crowns import tooth_at
from planner_core.planning.emergence import screw_exit
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.ledger import ledger
from planner_core.planning.obstacles import Obstacle, ObstacleKind, Tube
from planner_core.planning.papilla import Between, papilla
from planner_core.planning.plates import crest_depth_mm, depth_under_margin_mm, plates
from planner_core.planning.proposal import propose
from planner_core.progress import silent
from tests.studies.mouths import parabola, random_mouth, ridge_surface

ARCH = parabola()


def bone(width=11.0, lean=0.0):
    surface = ridge_surface(ARCH, width, lean, np.array([0.0, 0.0]))
    return Obstacle(ObstacleKind.BONE_SURFACE, "bone surface", surface, 0.25, inside=True)


def canal(below):
    path = np.array([ARCH.point_at(s) - [0, 0, below] for s in np.arange(20.0, 46.0)])
    return Obstacle(ObstacleKind.CANAL, "canal", Tube(path, 1.3), 0.3)


def test_wide_ridge_gets_what_the_tooth_wants():
    tooth = tooth_at(ARCH, "36", 33.0)
    obstacles = [bone(), canal(19.0)]
    proposal = propose("36", tooth=tooth, obstacles=obstacles)
    best = proposal.best
    assert best.fixture.shape.diameter_mm == 4.5
    assert best.fixture.shape.length_mm == 10.0
    assert best.keeps_margins
    assert best.leeway_over_need >= 1.0
    assert not proposal.findings
    assert screw_exit(best.fixture, tooth).inside
    rows = ledger({"36": best.fixture}, obstacles).rows
    assert all(r.distance_mm >= r.margin_mm for r in rows)
    assert 2 <= len(proposal.suggestions) <= 3
    assert all(s.gives_up.startswith("Gives up") for s in proposal.suggestions[1:])
    again = propose("36", tooth=tooth, obstacles=obstacles)
    np.testing.assert_array_equal(again.best.fixture.pose.platform_lps_mm, best.fixture.pose.platform_lps_mm)


def test_high_canal_gets_a_shorter_fixture():
    proposal = propose("36", arch=ARCH, obstacles=[bone(), canal(14.5)])
    assert proposal.best.fixture.shape.length_mm < 10.0
    assert proposal.best.keeps_margins


def test_knife_edge_says_what_is_broken():
    proposal = propose("36", tooth=tooth_at(ARCH, "36", 33.0), obstacles=[bone(2.5), canal(16.0)])
    assert not proposal.best.keeps_margins
    codes = {f.code for f in proposal.findings}
    assert "margin-broken" in codes
    assert "outside-bone" in codes


def test_neighbouring_fixture_keeps_its_distance():
    tooth = tooth_at(ARCH, "36", 33.0)
    shape = generic_catalogue().fixture("generic-tapered-4.0x10")
    other = PlacedFixture("35", shape, FixturePose(ARCH.point_at(26.5) - [0, 0, 0.5], [0, 0, -1.0]))
    proposal = propose("36", tooth=tooth, obstacles=[bone(), canal(20.0)], others={"35": other})
    assert proposal.best.keeps_margins
    row = next(r for r in proposal.best.rows if r.kind == ObstacleKind.FIXTURE and r.body == "fixture")
    assert row.distance_mm >= 3.0


def test_refusals_and_no_bone():
    with pytest.raises(PlannerError, match="no planned tooth and no arch"):
        propose("36", obstacles=[])
    far = trimesh.creation.box((5, 5, 5))
    far.apply_translation((500, 0, 0))
    lost = Obstacle(ObstacleKind.BONE_SURFACE, "bone surface", Surface(far.vertices, far.faces), 0.2, inside=True)
    with pytest.raises(PlannerError, match="no bone under"):
        propose("36", arch=ARCH, obstacles=[lost])
    without = propose("36", arch=ARCH, obstacles=[canal(20.0)])
    assert {f.code for f in without.findings} == {"no-bone-surface"}


def test_progress_can_stop_it():
    class StopError(Exception):
        pass

    def stop(fraction, text=""):
        silent(fraction, text)
        if fraction > 0.1:
            raise StopError

    with pytest.raises(StopError):
        propose("36", arch=ARCH, obstacles=[bone(), canal(18.0)], progress=stop)


def test_random_mouths_are_sound():
    mouth = random_mouth(np.random.default_rng(2))
    body = mouth.obstacles[0].geometry
    mesh = trimesh.Trimesh(body.points_mm, body.triangles, process=False)
    assert mesh.is_watertight
    assert mesh.volume > 0


# Plates


def block(width):
    mesh = trimesh.creation.box((60, width, 30))
    mesh.apply_translation((0, 0, -15))
    return Surface(mesh.vertices, mesh.faces)


def test_plates_beside_a_straight_fixture():
    shape = generic_catalogue().fixture("generic-parallel-4.0x10")
    fixture = PlacedFixture("36", shape, FixturePose([0, 0.5, -1.0], [0, 0, -1.0]))
    found = {(p.side, p.depth_mm): p for p in plates(fixture, block(8.0), [0, 1.0, 0])}
    assert found["facial", 2.0].thickness_mm == pytest.approx(1.5)
    assert found["lingual", 4.0].thickness_mm == pytest.approx(2.5)
    assert "Spray" in found["lingual", 4.0].text
    assert crest_depth_mm(fixture, block(8.0)) == pytest.approx(1.0)
    proud = PlacedFixture("36", shape, FixturePose([0, 0.5, 0.7], [0, 0, -1.0]))
    assert crest_depth_mm(proud, block(8.0)) == pytest.approx(-0.7)
    out = PlacedFixture("36", shape, FixturePose([0, 4.5, -1.0], [0, 0, -1.0]))
    assert plates(out, block(8.0), [0, 1.0, 0])[0].thickness_mm < 0
    thin = PlacedFixture("36", shape, FixturePose([0, 1.5, -1.0], [0, 0, -1.0]))
    assert "not measurable" in plates(thin, block(8.0), [0, 1.0, 0], voxel_mm=0.4)[0].text
    tooth = tooth_at(ARCH, "36", 33.0)
    assert depth_under_margin_mm(
        PlacedFixture("36", shape, FixturePose(tooth.cervical_lps_mm - [0, 0, 3.5], [0, 0, -1.0])), tooth
    ) == pytest.approx(3.5)


# Papilla


@pytest.mark.parametrize(("contact", "share"), [(3.0, 1.0), (5.0, 1.0), (6.0, 0.56), (7.0, 0.27), (9.0, 0.27)])
def test_papilla_between_teeth(contact, share):
    """FACTS.md section 3: 5 mm 100 %, 6 mm 56 %, 7 mm 27 % (Tarnow, Magner, Fletcher 1992, S)."""
    assert papilla(Between.TEETH, contact).share == pytest.approx(share)


def test_papilla_beside_fixtures():
    """FACTS.md section 3: 2 to 2.5 mm absent in all, 3 mm mostly present (Gastaldo 2004, S)."""
    assert papilla(Between.FIXTURES, 3.0, 2.0).share == 0.0
    assert papilla(Between.FIXTURES, 3.0, 3.0).expectation == "mostly present"
    assert papilla(Between.FIXTURES, 4.0, 3.0).expectation == "not reliable"
    assert papilla(Between.TOOTH_AND_FIXTURE, 5.0, 3.5).expectation == "mostly present"
    assert papilla(Between.TOOTH_AND_FIXTURE, 5.0, 2.7).expectation == "not reliable"
    with pytest.raises(PlannerError, match="gap beside"):
        papilla(Between.FIXTURES, 3.0)
    with pytest.raises(PlannerError, match="negative"):
        papilla(Between.TEETH, -1.0)


def test_the_only_place_is_not_lost_by_a_thousandth_of_a_millimetre():
    """Site 55 of `tests.studies propose --seed 6160`: one short fixture fits, in both ledgers."""
    rng = np.random.default_rng(6160)
    mouth = [random_mouth(rng) for _ in range(55)][-1]
    proposal = propose(mouth.site, tooth=mouth.tooth, obstacles=mouth.obstacles)
    assert proposal.best.keeps_margins
    found = ledger({mouth.site: proposal.best.fixture}, mouth.obstacles, drills=GuideInputs().drills)
    assert min(row.distance_mm - row.margin_mm for row in found.rows) >= 0.0
