"""The guide on its contacts: Fitzpatrick's formula, free ends, pins, bending."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from planner_core.errors import PlannerError
from planner_core.planning.defaults import DEFAULTS
from planner_core.planning.drilling import Support
from planner_core.planning.seating import (
    Contact,
    Pin,
    bearing_of,
    bearings,
    compliance_matrix,
    foot,
    free_end_deflection_mm,
    seating_covariance,
    standing,
    unsupported_length_mm,
)

UP = np.array([0.0, 0.0, 1.0])
VALUES = {name: quantity.value for name, quantity in DEFAULTS.items()}


def ring(n, radius):
    turn = np.arange(n) * 2 * np.pi / n
    return np.stack([radius * np.cos(turn), radius * np.sin(turn), np.zeros(n)], axis=1)


@pytest.mark.parametrize(
    ("n", "height", "expected"),
    [(3, 0.0, 0.1732), (3, 20.0, 0.2646), (3, 30.0, 0.3464), (4, 20.0, 0.2291), (6, 20.0, 0.1871)],
)
def test_isotropic_contacts_are_fitzpatricks_formula(n, height, expected):
    """FACTS.md section 0 row 1 and section 4: ring of radius 20 mm, localisation 0.3 mm (3-D)."""
    sigma = 0.3 / np.sqrt(3.0)
    contacts = [c for p in ring(n, 20.0) for c in foot(p, UP, sigma, sigma, 0.01)]
    assert seating_covariance(contacts).rms_at([0.0, 0.0, height]) == pytest.approx(expected, abs=1e-4)


def test_uneven_points_against_fitzpatricks_sum():
    """Equation 46 of Fitzpatrick 1998 written out for any points and target."""
    points = np.array([[-22.0, -40, 0], [22, -40, 0], [0, 0, 0], [10, -20, 6]])
    target = np.array([20.0, -30, -15])
    sigma = 0.3 / np.sqrt(3.0)
    centred = points - points.mean(axis=0)
    _, _, axes = np.linalg.svd(centred, full_matrices=False)
    total = 1.0
    for axis in axes:
        d2 = np.sum((target - points.mean(axis=0)) ** 2) - ((target - points.mean(axis=0)) @ axis) ** 2
        f2 = np.mean(np.sum(centred**2, axis=1) - (centred @ axis) ** 2)
        total += d2 / f2 / 3.0
    expected = np.sqrt(0.3**2 / len(points) * total)
    contacts = [c for p in points for c in foot(p, UP, sigma, sigma, 0.01)]
    assert seating_covariance(contacts).rms_at(target) == pytest.approx(expected, rel=1e-6)


def test_short_span_and_free_end_show_by_themselves():
    wide = bearings(Support.TEETH, ring(6, 20.0), UP, VALUES)
    short = bearings(Support.TEETH, ring(6, 6.0), UP, VALUES)
    behind = np.array([30.0, 0.0, 0.0])
    assert seating_covariance(short).rms_at(behind) > 2.0 * seating_covariance(wide).rms_at(behind)
    assert seating_covariance(wide).rms_at(behind) > 1.5 * seating_covariance(wide).rms_at([0, 0, 0])
    assert unsupported_length_mm([30.0, 0.0, 0.0], ring(6, 20.0)) == pytest.approx(10.0)
    assert unsupported_length_mm([5.0, 0.0, 0.0], ring(6, 20.0)) == 0.0


def test_one_sided_support_is_soft_across():
    one_side = bearings(Support.TEETH, [[20.0, y, 0.0] for y in (-20, -10, 0)], UP, VALUES)
    both = bearings(Support.TEETH, [[x, y, 0.0] for x in (-20.0, 20.0) for y in (-20, -10, 0)], UP, VALUES)
    other_side = np.array([-20.0, -10.0, 0.0])
    assert seating_covariance(one_side).rms_at(other_side) > 2.5 * seating_covariance(both).rms_at(other_side)


def test_a_line_of_plain_contacts_is_a_large_error_and_no_failure():
    line = [Contact([x, 0.0, 0.0], UP, 0.1, 0.01) for x in (-10.0, 0.0, 10.0)]
    assert seating_covariance(line).rms_at([0.0, 5.0, 0.0]) > 10.0


def test_mucosa_seats_worse_than_teeth():
    teeth, mucosa = (bearings(s, ring(6, 20.0), UP, VALUES) for s in (Support.TEETH, Support.MUCOSA))
    assert seating_covariance(mucosa).rms_at([0, 0, 0]) > 3.0 * seating_covariance(teeth).rms_at([0, 0, 0])


@pytest.mark.parametrize("count", [4, 6, 8])
def test_a_rigid_guide_stands_on_its_three_highest_bearings(count):
    """The stored figures against a linear programme: the lowest plane above rough points that only push."""
    rng = np.random.default_rng(count)
    turn = np.arange(count) * 2 * np.pi / count
    plane = np.stack([np.ones(count), np.cos(turn), np.sin(turn)], axis=1)
    found = []
    for _ in range(300):
        rough = rng.normal(size=count)
        solved = linprog([1, 0, 0], A_ub=-plane, b_ub=-rough, bounds=[(None, None)] * 3, method="highs")
        found.append(solved.x)
    heights = np.array(found)
    fitted = np.linalg.inv(plane.T @ plane)
    wider = np.mean(heights.var(axis=0) / np.diag(fitted))
    bearing = bearing_of(Contact(p, UP, 0.5, 0.001) for p in ring(count, 20.0))
    stood, proud = standing(bearing, UP)
    assert proud / 0.5 == pytest.approx(heights[:, 0].mean(), abs=0.1)
    assert (stood.sigma_mm[0] / 0.5) ** 2 == pytest.approx(wider, rel=0.2)


def test_three_bearings_never_stand_proud():
    bearing = bearing_of(Contact(p, UP, 0.5, 0.001) for p in ring(3, 20.0))
    assert standing(bearing, UP) == (bearing, 0.0)


def test_no_contacts_are_refused():
    with pytest.raises(PlannerError, match="rests on nothing"):
        seating_covariance([])


@pytest.mark.parametrize(("wall", "expected"), [(3.0, 0.5), (2.0, 1.7)])
def test_free_end_bends(wall, expected):
    """10 mm wide, 15 mm long, 20 N, 2 GPa (C: beam formula)."""
    assert free_end_deflection_mm(20.0, 15.0, 10.0, wall, 2000.0) == pytest.approx(expected, abs=0.02)


def test_compliance_of_two_springs_in_closed_form():
    """Two equal springs 20 mm apart carry a middle load to half the give of one, and tilt under an end load."""
    contacts = [c for x in (-10.0, 10.0) for c in foot([x, 0.0, 0.0], UP, 0.1, 0.1, 0.02)]
    matrix = compliance_matrix(contacts, [], [0.0, 0.0, 0.0])
    assert (matrix @ [0, 0, 0, 0, 0, -10.0])[5] == pytest.approx(-0.1, rel=1e-3)
    at_end = matrix @ np.concatenate([np.cross([10.0, 0, 0], [0, 0, -10.0]), [0, 0, -10.0]])
    assert at_end[5] + np.cross(at_end[:3], [10.0, 0, 0])[2] == pytest.approx(-0.2, rel=1e-3)


def test_pins_stiffen_and_only_under_load():
    contacts = bearings(Support.MUCOSA, ring(6, 20.0), UP, VALUES)
    pins = [Pin([25.0, 0, 0], [1.0, 0, 0]), Pin([-15.0, 20.0, 0], [0, 1.0, 0]), Pin([-15.0, -20.0, 0], [0, 1.0, 0])]
    free = compliance_matrix(contacts, [], [0, 0, 0])
    held = compliance_matrix(contacts, pins, [0, 0, 0])
    assert held[5, 5] < 0.5 * free[5, 5]
    assert np.linalg.eigvalsh(free - held).min() > -1e-12
