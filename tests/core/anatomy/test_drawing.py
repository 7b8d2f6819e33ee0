"""Structures drawn by hand, against bodies whose size is known from a formula."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.anatomy.drawing import (
    hollow_wall,
    newell_normal,
    structure_from_outlines,
    tube_from_clicks,
    wall_from_outlines,
)
from planner_core.anatomy.marked import DrawnKind
from planner_core.anatomy.meshes import enclosed_mm3
from planner_core.anatomy.outline import Outline
from planner_core.anatomy.ridge import Ridge
from planner_core.anatomy.ridge_table import RidgeTable
from planner_core.anatomy.sections import SectionFrame
from planner_core.anatomy.structures import ArchCurve, Jaw, Side
from planner_core.anatomy.tooth_sizes import likely_site, tooth_size, usual_stations
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, rotation_about
from planner_core.geometry.volume import Volume

CENTRE = np.array([12.0, -8.0, 20.0])


def _volume() -> Volume:
    return Volume(np.zeros((10, 10, 10), np.int16), np.diag([0.3, 0.3, 0.3, 1.0]))


def _circle(radius: float, height: float, turn: FloatArray, points: int = 24) -> FloatArray:
    angle = np.linspace(0.0, 2 * np.pi, points, endpoint=False)
    flat = np.stack([radius * np.cos(angle), radius * np.sin(angle), np.full(points, height)], axis=1)
    return CENTRE + flat @ turn.T


@pytest.mark.parametrize("angle", [0.0, 0.7])
def test_a_cylinder_outlined_in_any_direction_has_its_volume(angle: float) -> None:
    turn = rotation_about((1.0, 2.0, 0.5), angle)
    outlines = [_circle(4.0, height, turn) for height in (0.0, 5.0, 10.0, 15.0, 20.0)]
    wall = wall_from_outlines(outlines[::-1])
    # Polygon of 24 corners; between the outermost outlines alone 20 mm, with both caps at most 25 mm.
    area = 12.0 * 16.0 * np.sin(2 * np.pi / 24)
    assert 20.0 * area * 0.97 < enclosed_mm3(wall) < 25.0 * area
    off = (wall.points_mm - CENTRE) @ turn
    middle = (off[:, 2] > 3.0) & (off[:, 2] < 17.0)
    assert np.abs(np.hypot(off[middle, 0], off[middle, 1]) - 4.0).max() < 0.4


def test_a_sphere_outlined_every_two_millimetres_is_within_six_per_cent() -> None:
    radius = 6.0
    heights = np.arange(-5.0, 5.1, 2.0)
    outlines = [_circle(float(np.sqrt(radius**2 - h * h)), float(h), np.eye(3), 40) for h in heights]
    assert enclosed_mm3(wall_from_outlines(outlines)) == pytest.approx(4.0 / 3.0 * np.pi * radius**3, rel=0.06)


def test_outlines_that_enclose_nothing_are_refused_in_a_sentence() -> None:
    one = _circle(3.0, 0.0, np.eye(3))
    with pytest.raises(PlannerError, match="two sections at least"):
        wall_from_outlines([one])
    with pytest.raises(PlannerError, match="same section"):
        wall_from_outlines([one, one + 0.01])
    assert abs(newell_normal(one)) == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)


def test_what_is_drawn_keeps_its_outlines_and_states_how_well_it_is_known() -> None:
    outlines = [_circle(3.0, height, np.eye(3)) for height in (0.0, 2.0)]
    lesion = structure_from_outlines("lesion", DrawnKind.LESION, outlines, _volume())
    assert not lesion.is_tube
    assert len(lesion.outlines_lps_mm) == 2
    assert lesion.wall_sigma_mm >= 0.4
    ends = [[0.0, 0, 0], [1.0, 1, 1], [0, 0, -9.0]]
    fixture = tube_from_clicks("old", DrawnKind.EXISTING_FIXTURE, ends, _volume(), 4.1)
    assert fixture.points_lps_mm == pytest.approx(np.array([[0.0, 0, 0], [0, 0, -9.0]]))
    assert fixture.certain.all()
    vessel = tube_from_clicks("vessel", DrawnKind.FLOOR_VESSEL, [[0.0, 0, 0], [0, 30.0, 0]], _volume(), 1.5)
    assert not vessel.certain.all()
    assert vessel.sigma_mm[len(vessel.sigma_mm) // 2] > vessel.sigma_mm[0]


def _ridge(station: float, depth: float | None) -> Ridge:
    frame = SectionFrame((station, 0, 0), (0, -1, 0), (0, 0, -1))
    points = np.array([[-4.0, 0], [4, 0], [4, -20], [-4, -20], [-4, -14], [-4 + (depth or 0), -10], [-4, -6]])
    outline = Outline(
        station, points, points, np.ones(7), frame, np.array([station, 0, 0]), np.array([0, -1.0, 0]),
        np.array([0, 0, 1.0]), False, False,
    )  # fmt: skip
    place = None if depth is None else outline.to_lps(np.array([-4 + depth, -10.0]))
    return Ridge(station, None, {}, None, "canal", concavity_mm=depth, concavity_lps_mm=place, outline=outline)


def test_the_hollow_of_the_tongue_side_is_taken_over_where_it_is_deep() -> None:
    table = RidgeTable(tuple(_ridge(float(s), 3.0 if 10 <= s <= 20 else 0.4) for s in range(-25, 26)))
    wall = hollow_wall(table, Side.LEFT)
    assert wall.points_mm[:, 0].min() == pytest.approx(10.0)
    assert wall.points_mm[:, 0].max() == pytest.approx(20.0)
    deepest = wall.points_mm[np.abs(wall.points_mm[:, 2] + 10.0) < 1e-6]
    assert deepest[:, 1] == pytest.approx(1.0)
    with pytest.raises(PlannerError, match="no hollow"):
        hollow_wall(table, Side.RIGHT)


def test_a_tooth_is_told_from_where_it_stands() -> None:
    x = np.linspace(-40.0, 40.0, 15)
    arch = ArchCurve(Jaw.LOWER, np.stack([x, x**2 / 20.0, np.zeros(15)], axis=1))
    usual = usual_stations(Jaw.LOWER)
    for site in ("36", "33", "31", "41", "44", "47"):
        assert likely_site(arch, arch.point_at(usual[site])) == site
    assert likely_site(arch, arch.point_at(usual["36"]), {"36"}) in ("35", "37")
    # A full row is as long as its teeth are wide together (the program's own table; M).
    whole = 2 * sum(tooth_size(f"3{k}").width_mm for k in range(1, 9))
    assert usual["38"] - usual["48"] + tooth_size("38").width_mm == pytest.approx(whole)
    with pytest.raises(PlannerError, match="marked already"):
        likely_site(arch, arch.point_at(0.0), {"31", "41", "32", "42", "33", "43"})
