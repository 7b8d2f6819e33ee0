"""Sets of markers as the user works on them: names, partners, the ways of a symmetric set."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from attrs import evolve

from planner_core.geometry.frames import RigidTransform
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.registration.kept import KeptMarker, PaintedRegion, in_use
from planner_core.registration.marker_sets import (
    as_markers,
    marker_at,
    marker_rows,
    match_sets,
    match_way,
    ways_of,
)
from planner_core.registration.rigid_fit import rotation_from_vector
from tests.app.small_case import small_volume

POSE = RigidTransform.from_parts(rotation_from_vector([0.2, -0.1, 0.3]), (4.0, -7.0, 9.0), "surface:small")
SPREAD = np.array([[-24.0, 12, 2], [24, 13, 9], [0, -16, 3], [-12, -8, 8], [13, -7, 4], [20, 2, -3]])
SQUARE = np.array([[-15.0, -15, 0], [15, -15, 0], [15, 15, 0], [-15, 15, 0]])
JAW = small_volume()


def kept(places: np.ndarray, prefix: str, error_mm: float = 0.1) -> tuple[KeptMarker, ...]:
    covariance = error_mm**2 / 3.0 * np.eye(3)
    return tuple(KeptMarker(f"{prefix} {k + 1}", place, 0.9, covariance) for k, place in enumerate(places))


def both(places: np.ndarray) -> tuple[tuple[KeptMarker, ...], tuple[KeptMarker, ...]]:
    own = POSE.inverse().apply(places)
    return kept(places, "scan"), kept(own[::-1], "surface")


def test_partners_get_one_name_whatever_their_order() -> None:
    sets = match_sets(*both(SPREAD), JAW, JAW, frame="surface:small")
    assert sets.found is not None
    assert sets.ways == ()
    by_name = {marker.name: marker for marker in sets.moving}
    for marker in sets.fixed:
        assert POSE.apply(by_name[marker.name].centre_mm) == pytest.approx(marker.centre_mm)
    assert {marker.name for marker in sets.fixed} == {f"M{k}" for k in range(1, 7)}
    assert sets.found.match.lps_from_surface.matrix == pytest.approx(POSE.matrix, abs=1e-6)


def test_a_crossed_out_marker_stays_in_the_list_and_out_of_the_match() -> None:
    fixed, moving = both(SPREAD)
    fixed = (evolve(fixed[0], centre_mm=fixed[0].centre_mm + 3.0, crossed_out=True), *fixed[1:])
    sets = match_sets(fixed, moving, JAW, JAW, frame="surface:small")
    assert sets.found is not None
    assert len(sets.found.pairs) == 5
    assert len(sets.fixed) == 6
    assert sum(marker.crossed_out for marker in sets.fixed) == 1
    names = [marker.name for marker in sets.fixed]
    assert len(set(names)) == len(names)
    assert len(in_use(sets.fixed)) == len(as_markers(sets.fixed)) == 5
    rows = marker_rows(sets.fixed, sets.moving, ("scan", "surface"), sets.found.match.lps_from_surface, 5)
    states = sorted(row.state for row in rows)
    assert states == ["crossed out", "no partner", "used", "used", "used", "used", "used"]


def test_a_square_fits_in_eight_ways_and_the_one_chosen_is_taken() -> None:
    fixed, moving = both(SQUARE)
    sets = match_sets(fixed, moving, JAW, JAW, frame="surface:small")
    assert sets.found is not None
    assert not sets.found.match.trusted
    # A square turned by quarters, and turned over, lies on itself: the dihedral group of eight.
    assert len(sets.ways) == 8
    places = np.array([marker.centre_mm for marker in moving])
    for a, b in pairwise(sets.ways):
        assert a.motion is not None
        assert b.motion is not None
        assert np.linalg.norm(a.motion.apply(places) - b.motion.apply(places), axis=1).max() > 10.0
    right = [w for w in sets.ways if np.allclose(w.motion.matrix, POSE.matrix, atol=1e-6)]  # type: ignore[union-attr]
    assert len(right) == 1
    chosen = match_way(sets.found, right[0], len(sets.ways), frame="surface:small")
    assert chosen.match.lps_from_surface.matrix == pytest.approx(POSE.matrix, abs=1e-6)
    assert chosen.match.trusted, chosen.match.reasons
    assert any(f.code == "way-chosen" and "8 different ways" in f.text for f in chosen.match.findings)


def test_a_spread_set_fits_in_one_way() -> None:
    fixed, moving = both(SPREAD)
    assert ways_of(as_markers(moving), as_markers(fixed), "surface:small") == ()


def test_too_few_markers_are_refused_in_words_and_kept() -> None:
    fixed, moving = both(SPREAD)
    sets = match_sets(fixed[:2], moving, JAW, JAW, frame="surface:small")
    assert sets.found is None
    assert "Only 2 markers" in sets.refusal
    assert len(sets.fixed) == 2


def test_the_pair_farthest_apart_is_the_one_left_out() -> None:
    fixed, moving = both(SPREAD)
    off = (evolve(fixed[0], centre_mm=fixed[0].centre_mm + np.array([0.0, 0.0, 0.9])), *fixed[1:])
    named = tuple(evolve(m, name=f"M{k}") for k, m in enumerate(off))
    own = tuple(evolve(m, name=f"M{5 - k}") for k, m in enumerate(moving))
    rows = marker_rows(named, own, ("scan", "surface"), POSE, 5)
    assert [row.name for row in rows if row.state == "left out"] == ["M0"]
    assert [row.name for row in rows] == [f"M{k}" for k in range(6)]
    assert rows[0].residual_mm == pytest.approx(0.9)
    assert rows[1].error_mm == pytest.approx(np.hypot(0.1, 0.1))


def test_a_click_without_a_ball_stays_where_it_was() -> None:
    noise = np.random.default_rng(3).normal(0.0, 20.0, (40, 40, 40))
    volume = Volume(noise.astype(np.int16), np.diag([0.5, 0.5, 0.5, 1.0]))
    levels = GreyLevels(-1000.0, 0.0, 1500.0, 20.0, -1000.0, 3000.0)
    marker = marker_at(volume, np.array([10.0, 10.0, 10.0]), "clicked 1", levels)
    assert marker.centre_mm == pytest.approx([10.0, 10.0, 10.0])
    assert marker.clicked
    assert marker.coverage == 0.0
    assert marker.localisation_mm == pytest.approx(0.5)


def test_painted_in_wins_over_the_rest_and_painted_out_never_carries() -> None:
    assert PaintedRegion([0, 0, -1]).usable.tolist() == [True, True, False]
    assert PaintedRegion([0, 1, -1]).usable.tolist() == [False, True, False]
    assert PaintedRegion([0, 0, 0]).is_empty
