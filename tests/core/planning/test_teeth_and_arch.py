"""Planned crowns, full-arch measures, screw joint, moves of a fixture, against FACTS.md and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st

from planner_core.anatomy.canal import canal_from_clicks
from planner_core.anatomy.structures import ArchCurve, Jaw, Side
from planner_core.errors import PlannerError
from planner_core.geometry.frames import angle_between_deg, unit
from planner_core.geometry.surface import Surface
from planner_core.planning import handling
from planner_core.planning.abutments import (
    ChosenAbutment,
    abutment_axis,
    abutment_surface,
    best_position,
    correct,
    residual_deg,
)
from planner_core.planning.arch_design import ArchDesign, OcclusalPlane, lip_cover, occlusal_plane
from planner_core.planning.bone_taken import reduce_bone, remaining
from planner_core.planning.catalogue import generic_catalogue
from planner_core.planning.crown_fit import (
    fit_to_opposing,
    next_site,
    set_up_among,
    set_up_teeth,
    tooth_from_surface,
)
from planner_core.planning.crowns import average_station_mm, crown_size, tooth_at
from planner_core.planning.emergence import emergence_deg, screw_exit
from planner_core.planning.fixture import FixturePose, PlacedFixture
from planner_core.planning.full_arch import (
    SPACE_NEEDED_MM,
    common_path,
    divergences_deg,
    space_over,
    spread_of,
)
from planner_core.planning.plane_cut import above_volume_mm3, below_capped
from planner_core.planning.rays import first_hit_mm, hits_mm
from planner_core.planning.screw_joint import (
    after_reuse_n,
    geometry_sum_mm,
    tighten,
    torque_left,
    torque_n_mm,
)
from tests.studies.mouths import parabola, ridge_surface

SHAPE = generic_catalogue().fixture("generic-parallel-4.0x10")
ABUTMENTS = [a for a in generic_catalogue().abutments.values() if a.height_mm == 3.0]
DOWN = [0.0, 0.0, -1.0]


def placed(site, place, axis=DOWN):
    return PlacedFixture(site, SHAPE, FixturePose(place, axis))


def mesh(surface):
    return trimesh.Trimesh(surface.points_mm, surface.triangles, process=False)


# Crowns


def test_average_sizes_that_were_seen():
    """Rows of the textbook's table that a secondary page repeats (S2)."""
    assert crown_size("11").mesiodistal_mm == 8.5
    assert crown_size("16").faciolingual_mm == 11.0
    assert crown_size("25").height_mm == 8.5
    assert {crown_size(s).mark for s in ("11", "12", "15", "16")} == {"S2"}
    assert crown_size("36").mark == "M"


def test_sites_follow_iso_3950_and_never_the_milk_teeth():
    assert average_station_mm("31") == pytest.approx(2.5)
    assert average_station_mm("41") == pytest.approx(-2.5)
    for wrong in ("51", "85", "19", "30", "3", "a6", ""):
        with pytest.raises(PlannerError, match="not a site"):
            crown_size(wrong)


@pytest.mark.parametrize("site", ["31", "33", "34", "36", "21", "24", "27", "46"])
def test_crown_is_a_closed_body_of_its_sizes(site):
    arch = parabola(Jaw.UPPER if site[0] in "12" else Jaw.LOWER)
    tooth = tooth_at(arch, site, 30.0 if site[0] in "23" else -30.0)
    body = mesh(tooth.surface())
    assert body.is_watertight
    assert body.volume > 0
    local = (tooth.surface().points_mm - tooth.cervical_lps_mm) @ np.array(
        [tooth.along_lps, tooth.facial_lps, tooth.occlusal_lps]
    ).T
    assert np.ptp(local[:, 0]) == pytest.approx(tooth.mesiodistal_mm, rel=0.01)
    assert np.ptp(local[:, 1]) == pytest.approx(tooth.faciolingual_mm, rel=0.01)
    assert local[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    assert local[:, 2].max() == pytest.approx(tooth.height_mm, rel=0.12)


def test_missing_teeth_share_their_gap_and_touch():
    arch = parabola()
    teeth = set_up_teeth(arch, ["36", "35"], gap_mm=(22.0, 38.5))
    assert [t.site for t in teeth] == ["35", "36"]
    assert sum(t.mesiodistal_mm for t in teeth) == pytest.approx(16.5)
    assert teeth[1].mesiodistal_mm / teeth[0].mesiodistal_mm == pytest.approx(11.0 / 7.0)
    gap = np.linalg.norm(teeth[0].contacts_lps_mm()[0] - teeth[1].contacts_lps_mm()[1])
    assert gap < 0.6  # they stand on a bend
    with pytest.raises(PlannerError, match="too narrow"):
        set_up_teeth(arch, ["35", "36"], gap_mm=(22.0, 30.0))
    with pytest.raises(PlannerError, match="not in the lower jaw"):
        set_up_teeth(arch, ["16"])


def test_a_run_of_missing_teeth_is_fitted_between_what_stands():
    arch = parabola()
    whole = [tooth_at(arch, s, average_station_mm(s)) for s in ("34", "37")]
    moved = [whole[0].moved(0.8 * whole[0].along_lps), whole[1].moved(-0.5 * whole[1].along_lps)]
    made = set_up_among(arch, ["36", "35"], [c.surface() for c in moved])
    low = arch.station_of(moved[0].contacts_lps_mm()[0])
    high = arch.station_of(moved[1].contacts_lps_mm()[1])
    first, second = made.crowns
    assert (first.site, second.site) == ("35", "36")
    assert first.mesiodistal_mm + second.mesiodistal_mm == pytest.approx(high - low, abs=0.6)
    assert any("between the neighbours" in note for note in made.notes)
    alone = set_up_among(arch, ["35"], [])
    assert "average places" in alone.notes[0]


def test_a_crown_sits_on_the_scanned_gingiva_and_rises_to_the_plane():
    arch = parabola()
    usual = tooth_at(arch, "36", average_station_mm("36"))
    base = usual.cervical_lps_mm + 1.5 * usual.occlusal_lps
    corners = np.array([base + a * usual.along_lps + b * usual.facial_lps for a, b in ((-9, -9), (9, -9), (0, 12))])
    gingiva = Surface(corners, np.array([[0, 1, 2]], np.int32))
    (crown,) = set_up_among(arch, ["36"], [gingiva], plane=([0, 0, 12.0], [0, 0, 1.0])).crowns
    assert float((crown.cervical_lps_mm - base) @ usual.occlusal_lps) == pytest.approx(0.0, abs=0.01)
    assert crown.middle_lps_mm[2] == pytest.approx(12.0, abs=1e-6)
    assert next_site("31", -1) == "41"
    assert next_site("48", -1) is None
    assert next_site("11", 1) == "21"


def test_height_meets_the_opposing_teeth():
    tooth = tooth_at(parabola(), "36", 30.0)
    plate = trimesh.creation.box((200, 200, 1.0))
    plate.apply_translation((0, 0, 9.0 + 0.5))
    fitted = fit_to_opposing(tooth, Surface(plate.vertices, plate.faces))
    assert fitted.middle_lps_mm[2] == pytest.approx(9.0 - 0.05)
    plate.apply_translation((0, 0, -100))
    with pytest.raises(PlannerError, match="No opposing tooth"):
        fit_to_opposing(tooth, Surface(plate.vertices, plate.faces))


def test_tooth_out_of_a_wax_up():
    arch = parabola()
    drawn = tooth_at(arch, "36", 30.0)
    taken = tooth_from_surface(arch, "36", 30.0, drawn.surface())
    assert taken.mesiodistal_mm == pytest.approx(drawn.mesiodistal_mm, rel=0.02)
    assert taken.height_mm == pytest.approx(drawn.height_mm, rel=0.12)
    assert taken.source == "imported surface"
    with pytest.raises(PlannerError, match="no tooth at"):
        tooth_from_surface(arch, "46", -30.0, drawn.surface())


def test_screw_exit_and_emergence():
    tooth = tooth_at(parabola(), "36", 30.0)
    straight = PlacedFixture("36", SHAPE, FixturePose(tooth.cervical_lps_mm - 4.0 * tooth.occlusal_lps, DOWN))
    leave = screw_exit(straight, tooth)
    assert leave.inside
    assert leave.angle_deg == pytest.approx(0.0, abs=1e-6)
    leaning = handling.tilt(straight, tooth.along_lps, 25.0)
    assert not screw_exit(leaning, tooth).inside
    assert abs(screw_exit(leaning, tooth).facial_mm) == pytest.approx(
        np.tan(np.radians(25.0)) * (4.0 + tooth.height_mm), rel=1e-6
    )
    neck = 0.78 * tooth.mesiodistal_mm / 2.0 - 2.0
    assert emergence_deg(straight, tooth) == pytest.approx(np.degrees(np.arctan2(neck, 4.0)), abs=0.1)
    deeper = handling.deepen(straight, 2.0)
    assert emergence_deg(deeper, tooth) < emergence_deg(straight, tooth)


# Full arch


def test_spread_and_cantilever():
    """FACTS.md section 7: AP 10 gives 15 mm; the cap is 20 mm."""
    front = [placed("32", [4.0, -10.0 - 2.0, 0]), placed("42", [-4.0, -10.0 - 2.0, 0])]
    rear = [placed("35", [18.0, -4.0, 0]), placed("45", [-18.0, -4.0, 0])]
    # Rear platforms end 2 mm further back: spread 12 - 4 + 2.
    spread = spread_of([*front, *rear], [0.0, -1.0, 0.0])
    assert spread.spread_mm == pytest.approx(10.0)
    assert spread.cantilever_mm == pytest.approx(15.0)
    assert "never validated" in spread.caution
    far = [placed("36", [20.0, 6.0, 0]), placed("46", [-20.0, 6.0, 0])]
    capped = spread_of([*front, *far], [0.0, -1.0, 0.0])
    assert capped.capped
    assert capped.cantilever_mm == 20.0
    with pytest.raises(PlannerError, match="at least three"):
        spread_of(front, [0.0, -1.0, 0.0])


def tilted(site, degrees):
    a = np.radians(degrees)
    return placed(site, [0.0, 0.0, 0.0], [0.0, np.sin(a), -np.cos(a)])


def test_divergence_and_angled_abutments():
    fixtures = {"32": tilted("32", 0.0), "35": tilted("35", 30.0), "45": tilted("45", 17.0)}
    assert divergences_deg(fixtures)["32", "35"] == pytest.approx(30.0)
    found = {c.site: c for c in correct(fixtures, DOWN, ABUTMENTS)}
    assert found["32"].abutment.angle_deg == 0.0
    assert found["35"].abutment.angle_deg == 30.0
    assert found["45"].abutment.angle_deg == 17.0
    # Twelve positions, and the lean lies in one of them: nothing is left. Half a step off leaves
    # 2 asin(sin 30 sin 7.5) = 7.5 degrees.
    assert found["35"].residual_deg == pytest.approx(0.0, abs=1e-4)
    rolled = {"35": handling.roll(fixtures["35"], 15.0)}
    expected = 2 * np.degrees(np.arcsin(np.sin(np.radians(30)) * np.sin(np.radians(7.5))))
    off = next(a for a in ABUTMENTS if a.angle_deg == 30.0)
    (best,) = correct(rolled, DOWN, [off])
    assert best.residual_deg == pytest.approx(expected, abs=1e-4)
    path = common_path(fixtures)
    worst = max(angle_between_deg(f.pose.axis_lps, path) for f in fixtures.values())
    assert worst == pytest.approx(15.0, abs=1e-6)


@given(st.lists(st.tuples(st.floats(-0.6, 0.6), st.floats(-0.6, 0.6)), min_size=1, max_size=8))
def test_no_other_path_is_nearer_to_all_and_no_other_position_is_nearer_to_the_path(leans):
    fixtures = {
        str(31 + k): placed(str(31 + k), [8.0 * k, 0.0, 0.0], [x, y, -1.0]) for k, (x, y) in enumerate(leans)
    }
    axes = np.array([f.pose.axis_lps for f in fixtures.values()])
    path = common_path(fixtures)
    best = float((axes @ path).min())
    for step in 1e-3 * np.array([[1, 0, 0], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [0.7, 0.7, 0], [-0.7, 0.7, 0]]):
        assert float((axes @ unit(path + step)).min()) <= best + 1e-9
    angled = next(a for a in ABUTMENTS if a.angle_deg == 30.0)
    for fixture in fixtures.values():
        chosen = best_position(fixture, angled, path)
        every = [residual_deg(fixture, ChosenAbutment(angled, k), path) for k in range(angled.rotational_positions)]
        assert residual_deg(fixture, chosen, path) == pytest.approx(min(every), abs=1e-6)


def test_abutment_leans_by_its_angle_and_turns_by_its_positions():
    fixture = handling.tilt(placed("36", [0.0, 0.0, 0.0]), [1.0, 0.2, 0.0], 20.0)
    chosen = best_position(fixture, next(a for a in ABUTMENTS if a.angle_deg == 17.0), DOWN)
    axis = abutment_axis(fixture.pose, chosen)
    assert angle_between_deg(axis, -fixture.pose.axis_lps) == pytest.approx(17.0)
    # 20 degrees less 17 leaves 3 at best; twelve positions leave at most half a step.
    assert 3.0 - 1e-6 <= angle_between_deg(axis, [0, 0, 1.0]) < 5.5
    body = mesh(abutment_surface(fixture, chosen))
    assert body.is_watertight
    assert body.volume > 0


def test_the_screw_leaves_along_the_abutment():
    arch = parabola()
    tooth = tooth_at(arch, "36", average_station_mm("36"))
    base = tooth.exit_lps_mm - 10.0 * tooth.occlusal_lps
    upright = PlacedFixture("36", SHAPE, FixturePose(base, -tooth.occlusal_lps))
    leaning = handling.tilt(upright, tooth.facial_lps, 17.0)
    assert not screw_exit(leaning, tooth).inside
    chosen = best_position(leaning, next(a for a in ABUTMENTS if a.angle_deg == 17.0), -tooth.occlusal_lps)
    turned = handling.roll(leaning, 0.0)
    found = screw_exit(turned, tooth, chosen)
    assert found.inside
    assert found.angle_deg < 17.0 * 2.0 * np.sin(np.radians(7.5)) + 0.5
    # The shoulder stands 3 mm up the leaning axis, which shifts the channel by 3 sin 17 degrees.
    assert np.hypot(found.along_mm, found.facial_mm) == pytest.approx(3.0 * np.sin(np.radians(17.0)), abs=0.9)


def test_space_by_kind_of_prosthesis():
    """FACTS.md section 7: hybrid 15, bar 11, single attachments 7, abutments 7.5 mm; 15 wanted, 11 there: 4."""
    assert SPACE_NEEDED_MM["hybrid of acrylic and metal"][0] == 15.0
    assert SPACE_NEEDED_MM["overdenture on a bar"][0] == 11.0
    (space,) = space_over({"36": placed("36", [0, 0, 0])}, [0, 0, 11.0], [0, 0, 1.0], "hybrid of acrylic and metal")
    assert space.lacking_mm == pytest.approx(4.0)
    with pytest.raises(PlannerError, match="No space is known"):
        space_over({}, [0, 0, 0], [0, 0, 1], "crown of gold")


@pytest.mark.parametrize("height", [-9.0, -3.3, 0.0, 2.7])
def test_cut_of_a_ball_and_of_a_tilted_box(height):
    ball = trimesh.creation.icosphere(subdivisions=5, radius=10.0)
    surface = Surface(ball.vertices, ball.faces)
    point, normal = np.array([0.0, 0.0, height]), np.array([0.0, 0.0, 1.0])
    h = 10.0 - height
    assert above_volume_mm3(surface, point, normal) == pytest.approx(np.pi * h**2 * (30.0 - h) / 3.0, rel=0.003)
    below = mesh(below_capped(surface, point, normal))
    assert below.is_watertight
    assert below.volume + above_volume_mm3(surface, point, normal) == pytest.approx(ball.volume, rel=1e-9)


def test_bone_reduction_by_station():
    arch = parabola()
    bone = ridge_surface(arch, 8.0, 0.0, np.array([0.0, 0.0]))
    cut = reduce_bone(bone, arch, [0.0, 0.0, -2.0])
    middle = np.abs(cut.stations_mm) < 30
    assert np.allclose(cut.taken_mm[middle], 2.0, atol=0.15)
    assert np.nanmax(np.abs(cut.new_crest_lps_mm[middle][:, 2] + 2.0)) < 1e-6
    assert mesh(cut.bone).is_watertight
    assert cut.volume_mm3 == pytest.approx(mesh(bone).volume - mesh(cut.bone).volume, rel=1e-6)
    canal = canal_from_clicks(Side.LEFT, [arch.point_at(s) - [0, 0, 12.0] for s in (15.0, 25.0, 35.0)], None, 3.0)
    left = remaining(cut, arch, [canal])
    assert left
    assert all(r.limit == "canal" for r in left)
    # Two millimetres are taken off, the wall stands 1.5 mm over the centre: 12 - 2 - 1.5.
    assert np.median([r.height_mm for r in left]) == pytest.approx(8.5, abs=0.1)


def test_lip_line_typed_and_drawn():
    arch = parabola(Jaw.UPPER)
    plane = OcclusalPlane([0.0, 0.0, -10.0], [0.0, 0.0, -1.0], "test")
    crest = np.array([[-5.0, 0.0, 2.0], [0.0, 0.0, 2.0], [np.nan, 0.0, 0.0]])
    # The crest lies 12 mm from the plane, the transition 3 mm below it at 9 mm: a lip at 8 mm hides it by 1 mm.
    typed = lip_cover(ArchDesign(lip_height_mm=8.0), plane, crest)
    assert typed is not None
    assert typed.hidden
    assert typed.hidden_mm == pytest.approx(1.0)
    drawn = lip_cover(ArchDesign(lip_lps_mm=[[0.0, 0.0, 1.0], [-5.0, 0.0, 1.0]]), plane, crest)
    assert drawn is not None
    assert drawn.hidden_mm == pytest.approx(-2.0)
    assert "shows by 2.0 mm" in drawn.text
    assert lip_cover(ArchDesign(), plane, crest) is None
    assert "average" in occlusal_plane(ArchDesign(), arch).source


# Screw joint


@pytest.mark.parametrize(
    ("preload", "friction", "geometry", "share"), [(329.9, 0.33, 2.128, 7.4), (253.7, 0.44, 2.113, 5.7)]
)
def test_published_preloads(preload, friction, geometry, share):
    """FACTS.md section 0 row 9 and section 6: 25 N cm, pitch 0.35 mm; both pairs give one geometry within 1 %."""
    assert torque_n_mm(preload, friction, geometry_mm=geometry) == pytest.approx(250.0, rel=0.002)
    joint = tighten(250.0, friction)
    assert joint.preload_n == pytest.approx(preload, rel=0.01)
    assert 100 * joint.stretching_share == pytest.approx(share, abs=0.1)


def test_reuse_angle_and_refusals():
    assert after_reuse_n(209.8, "uncoated titanium", 10) == pytest.approx(129.5, rel=0.01)
    assert after_reuse_n(329.9, "coated", 10) == pytest.approx(253.7, rel=0.01)
    assert after_reuse_n(300.0, "coated", 1) == 300.0
    first, later = torque_left(15.0)
    assert (first, later) == pytest.approx((0.745, 0.666))
    assert torque_left(0.0)[1] > later > torque_left(25.0)[1]
    assert geometry_sum_mm(0.8, 1.2) == pytest.approx(0.8 / np.cos(np.pi / 6) + 1.2)
    for call in (lambda: tighten(0.0, 0.3), lambda: torque_left(40.0), lambda: after_reuse_n(1.0, "gold", 2)):
        with pytest.raises(PlannerError):
            call()


# Moves


def test_moves_and_lock():
    fixture = placed("36", [1.0, 2.0, 3.0])
    assert handling.deepen(fixture, 0.1).pose.platform_lps_mm.tolist() == pytest.approx([1.0, 2.0, 2.9])
    about_apex = handling.tilt(fixture, [1, 0, 0], 10.0, about_apex=True)
    np.testing.assert_allclose(about_apex.apex_lps_mm, fixture.apex_lps_mm)
    assert angle_between_deg(about_apex.pose.axis_lps, fixture.pose.axis_lps) == pytest.approx(10.0)
    other = placed("37", [9.0, 0, 0], [0.2, 0.1, -1.0])
    assert angle_between_deg(handling.parallel_to(fixture, other).pose.axis_lps, other.pose.axis_lps) < 1e-9
    assert handling.copied(fixture, "35", [0, 0, 0]).pose.axis_lps.tolist() == fixture.pose.axis_lps.tolist()
    from attrs import evolve

    with pytest.raises(PlannerError, match="locked"):
        handling.shift(evolve(fixture, locked=True), [1, 0, 0])


@given(st.tuples(*[st.floats(-20, 20)] * 3), st.tuples(*[st.floats(-1, 1)] * 3), st.floats(-170, 170))
def test_mirrored_twice_is_itself(place, lean, turn):
    fixture = placed("36", place, unit(np.array([0, 0, -2.0]) + lean))
    fixture = handling.roll(fixture, turn)
    there = handling.mirrored(fixture, "46", [0, 0, 0], [1, 0, 0])
    back = handling.mirrored(there, "36", [0, 0, 0], [1, 0, 0])
    assert there.pose.platform_lps_mm[0] == pytest.approx(-place[0])
    np.testing.assert_allclose(back.pose.axis_lps, fixture.pose.axis_lps, atol=1e-9)
    np.testing.assert_allclose(back.pose.side_lps(), fixture.pose.side_lps(), atol=1e-6)


# Rays


def test_rays_against_trimesh():
    ball = trimesh.creation.icosphere(subdivisions=3, radius=5.0)
    surface = Surface(ball.vertices, ball.faces)
    met = hits_mm(surface, [0.3, 0.2, -20.0], [0, 0, 1.0])
    assert met == pytest.approx([15.0, 25.0], abs=0.1)
    assert len(met) == 2
    assert first_hit_mm(surface, [0.3, 0.2, 20.0], [0, 0, 1.0]) is None
    assert first_hit_mm(surface, [0.0, 0.0, 0.0], [1.0, 0.3, 0.1]) == pytest.approx(5.0, abs=0.05)


def test_upper_jaw_crowns_hang_down():
    arch = parabola(Jaw.UPPER)
    assert tooth_at(arch, "16", -30.0).occlusal_lps.tolist() == [0.0, 0.0, -1.0]
    assert isinstance(arch, ArchCurve)
