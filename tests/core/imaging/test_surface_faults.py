"""Faulty places of surfaces made with known faults, and what is drawn of them."""

from __future__ import annotations

import numpy as np

from planner_core.geometry.surface import Surface
from planner_core.imaging.surface_check import check_surface
from planner_core.imaging.surface_faults import FaultPlace, fault_places, patch_of, whole_patch


def sheet(side: int = 41, step: float = 1.0) -> Surface:
    """A bumpy open sheet, seen from +z, `side - 1` mm wide."""
    y, x = np.mgrid[:side, :side] * step
    z = 2.0 * np.sin(x / 7.0) * np.cos(y / 5.0)
    points = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    a = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).reshape(-1)
    quads = np.stack([a, a + 1, a + side + 1, a + side], axis=1)
    triangles = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    return Surface(points, triangles.astype(np.int32), "surface:test")


def without(surface: Surface, middle: tuple[float, float], radius: float) -> Surface:
    """The same with a hole."""
    centres = surface.points_mm[surface.triangles].mean(axis=1)
    keep = np.hypot(centres[:, 0] - middle[0], centres[:, 1] - middle[1]) > radius
    return Surface(surface.points_mm, surface.triangles[keep], surface.frame)


def places_of(surface: Surface) -> tuple[FaultPlace, ...]:
    return fault_places(surface, check_surface(surface))


def test_a_whole_sheet_has_its_rim_only() -> None:
    (rim,) = places_of(sheet())
    assert rim.kind == "rim"
    assert rim.text.startswith("Outer rim, 16")
    assert np.allclose(rim.centre_mm[:2], 20.0, atol=0.1)


def test_holes_come_before_the_rim_and_lie_where_they_were_cut() -> None:
    holed = without(without(sheet(), (12.0, 14.0), 3.0), (30.0, 27.0), 1.5)
    first, second, rim = places_of(holed)
    assert [place.kind for place in (first, second, rim)] == ["hole", "hole", "rim"]
    assert np.allclose(first.centre_mm[:2], (12.0, 14.0), atol=0.6)
    assert np.allclose(second.centre_mm[:2], (30.0, 27.0), atol=0.6)
    assert first.reach_mm == 5.0
    assert rim.reach_mm > 20.0
    assert len(first.edges_mm) > len(second.edges_mm)
    away = np.linalg.norm(first.edges_mm[:, :, :2] - [12.0, 14.0], axis=2)
    assert away.min() > 2.0
    assert away.max() < 5.0


def test_turned_faces_and_branching_edges_are_places_of_their_own() -> None:
    whole = sheet()
    triangles = whole.triangles.copy()
    centres = whole.points_mm[triangles].mean(axis=1)
    turned = np.hypot(centres[:, 0] - 10.0, centres[:, 1] - 30.0) < 2.0
    triangles[turned] = triangles[turned][:, ::-1]
    fin = len(whole.points_mm)
    corner = 20 * 41 + 20
    points = np.vstack([whole.points_mm, whole.points_mm[corner] + [0.0, 0.0, 3.0]])
    surface = Surface(points, np.vstack([triangles, [[corner, corner + 1, fin]]]).astype(np.int32), whole.frame)
    found = {place.kind: place for place in places_of(surface)}
    assert np.allclose(found["flipped"].centre_mm[:2], (10.0, 30.0), atol=0.6)
    assert np.allclose(found["branching"].centre_mm[:2], (20.5, 20.0), atol=0.1)
    assert "1 edge" in found["branching"].text
    assert places_of(surface)[0].kind == "branching"


def test_faults_far_apart_are_two_places_and_near_ones_one() -> None:
    whole = sheet()
    centres = whole.points_mm[whole.triangles].mean(axis=1)
    triangles = whole.triangles.copy()
    for x, y in ((8.0, 8.0), (9.5, 8.0), (30.0, 30.0)):
        turned = np.hypot(centres[:, 0] - x, centres[:, 1] - y) < 1.0
        triangles[turned] = triangles[turned][:, ::-1]
    flipped = [p for p in places_of(Surface(whole.points_mm, triangles, whole.frame)) if p.kind == "flipped"]
    assert len(flipped) == 2


def test_a_crumb_is_a_loose_body() -> None:
    whole = sheet()
    crumb = whole.points_mm[:3] + np.array([5.0, 5.0, 9.0])
    count = len(whole.points_mm)
    surface = Surface(
        np.vstack([whole.points_mm, crumb]),
        np.vstack([whole.triangles, [[count, count + 1, count + 2]]]).astype(np.int32),
        whole.frame,
    )
    body = next(place for place in places_of(surface) if place.kind == "body")
    assert body.text == "Loose body: 1 triangle, a crumb"
    assert np.allclose(body.centre_mm[2], crumb[:, 2].mean(), atol=0.5)


def test_a_place_is_looked_at_from_outside_with_its_edges_in_the_picture() -> None:
    holed = without(sheet(), (12.0, 14.0), 3.0)
    hole = places_of(holed)[0]
    patch = patch_of(holed, hole)
    assert len(patch.corners) == len(patch.shades) == len(patch.backs)
    assert not patch.backs.any()
    assert np.abs(patch.edges).max() < 1.0
    assert (patch.shades > 0.25).all()
    turned = Surface(holed.points_mm, holed.triangles[:, ::-1], holed.frame)
    # From the other side, and left and right are changed: no mirror picture.
    other = patch_of(turned, places_of(turned)[0])
    assert not other.backs.any()
    first, second = (patch.corners[:, k] - patch.corners[:, 0] for k in (1, 2))
    assert (first[:, 0] * second[:, 1] > first[:, 1] * second[:, 0]).all()


def test_the_overview_shows_where_the_places_are() -> None:
    holed = without(sheet(), (8.0, 33.0), 2.0)
    places = places_of(holed)
    patch, at = whole_patch(holed, places)
    assert np.abs(patch.corners).max() <= 1.0
    assert at.shape == (2, 2)
    # Seen along +z the frame's x runs to the right; the hole is left of the middle.
    assert at[0, 0] < -0.3
    assert np.allclose(at[1], 0.0, atol=0.05)


def test_a_tooth_scan_of_many_triangles_is_drawn_with_few() -> None:
    fine = without(sheet(401, 0.1), (12.0, 14.0), 3.0)
    hole = places_of(fine)[0]
    assert len(patch_of(fine, hole).corners) <= 12_000
