"""Each jaw is matched by itself: the bite of the scans carries nothing into the volume; sizes must agree."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from attrs import evolve

from phantoms.quick import quick_volume
from phantoms.scenes import random_mouth
from phantoms.surface_scan import scan_pose, scan_surface
from planner_core.case.derived import surface_in_lps
from planner_core.case.plan import AdoptedMatch, Plan, SurfaceInput, SurfaceRole
from planner_core.geometry.frames import RigidTransform
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.registration.match import Match
from planner_core.registration.surface_match import match_surface
from tests.core.registration.test_surface_match import moved_frame, volume

BITE_SHIFT_MM = np.array([1.0, -2.0, 2.0])
"""3 mm: the jaws stand differently in the patient than in the bite of the surface scans."""


@cache
def both_jaws() -> tuple[Volume, Surface, Surface, RigidTransform]:
    """One volume of both jaws, and their scans in one common frame, as they come in occlusion."""
    scene = random_mouth(11, restorations="none", missing=(36, 46))
    grey, _ = quick_volume(scene, 0.5, truth=False, centre_scene_mm=(0.0, 26.0, 2.0))
    pose = scan_pose(4, "surface:bite")
    lower = scan_surface(scene, seed=2, pose=pose).surface
    upper = scan_surface(scene, seed=3, upper=True, pose=pose).surface
    return grey, lower, upper, pose


@cache
def lower_match() -> Match:
    grey, lower, _, _ = both_jaws()
    return match_surface(grey, lower, jaw_up=1.0).match


def off_mm(found: RigidTransform, truth: RigidTransform, surface: Surface) -> float:
    points = surface.points_mm[::50]
    return float(np.linalg.norm(found.apply(points) - truth.apply(points), axis=1).max())


@pytest.mark.slow
def test_a_bite_that_is_3_mm_off_changes_nothing() -> None:
    grey, lower, upper, pose = both_jaws()
    bitten = Surface(upper.points_mm + BITE_SHIFT_MM, upper.triangles, upper.frame)
    there = RigidTransform.from_parts(
        pose.rotation, pose.translation_mm - pose.rotation @ BITE_SHIFT_MM, "surface:bite"
    )
    below = lower_match()
    in_place, shifted = (match_surface(grey, scan, jaw_up=-1.0).match for scan in (upper, bitten))
    assert below.trusted, below.reasons
    assert in_place.trusted, in_place.reasons
    assert shifted.trusted, shifted.reasons
    assert off_mm(below.lps_from_surface, pose, lower) < 0.15
    assert off_mm(in_place.lps_from_surface, pose, upper) < 0.15
    # The shifted upper jaw comes to where it stands in the volume, not to where the bite would carry it.
    assert off_mm(shifted.lps_from_surface, there, bitten) < 0.15
    assert off_mm(below.lps_from_surface, there, bitten) > 2.9


def plan_with(upper: Surface, match: Match) -> Plan:
    lower = both_jaws()[1]
    wax = evolve(lower, points_mm=lower.points_mm + np.array([0.0, 0.0, 0.5]))
    inputs = (
        SurfaceInput("lower", "lower jaw", SurfaceRole.TEETH, lower),
        SurfaceInput("upper", "upper jaw", SurfaceRole.OPPOSING, upper),
        SurfaceInput("wax", "wax-up", SurfaceRole.WAX_UP, wax, same_frame_as="lower"),
        SurfaceInput("upper wax", "wax-up of the upper jaw", SurfaceRole.WAX_UP, upper, same_frame_as="upper"),
    )
    return Plan(surfaces={s.surface_id: s for s in inputs}, match=AdoptedMatch(match, "lower"))


@pytest.mark.slow
def test_a_wax_up_follows_its_own_jaw() -> None:
    upper = both_jaws()[2]
    match = lower_match()
    plan = plan_with(upper, match)
    scan, wax = surface_in_lps(plan, "lower"), surface_in_lps(plan, "wax")
    assert scan is not None
    assert wax is not None
    lifted = match.lps_from_surface.apply_direction(np.array([[0.0, 0.0, 0.5]]))
    np.testing.assert_allclose(
        wax.points_mm - scan.points_mm, np.broadcast_to(lifted, wax.points_mm.shape), atol=1e-9
    )
    # The lower jaw's match says nothing of the upper one, nor of a wax-up made on it.
    assert surface_in_lps(plan, "upper") is None
    assert surface_in_lps(plan, "upper wax") is None
    # Where the bite holds the upper jaw does not touch the lower one.
    bitten = Surface(upper.points_mm + BITE_SHIFT_MM, upper.triangles, upper.frame)
    again = surface_in_lps(plan_with(bitten, match), "lower")
    assert again is not None
    np.testing.assert_array_equal(again.points_mm, scan.points_mm)


@pytest.mark.parametrize("scale", [1.0, 1.01, 0.97, 1.03])
def test_a_surface_of_another_size_is_named_and_never_resized(scale: float) -> None:
    # FACTS section 2, scale row: a best-fit scale outside 1 +- 0.02 must warn and is never applied
    # (Int J Implant Dent 2021, s40729-021-00343-w; S).
    there, truth = moved_frame((0.0, 0.0, 0.0), (0.0, 0.0, 0.0))
    middle = there.points_mm.mean(axis=0)
    sized = Surface(middle + scale * (there.points_mm - middle), there.triangles, there.frame)
    match = match_surface(volume(), sized, start=truth).match
    named = [f for f in match.findings if f.code == "scale-off"]
    assert bool(named) == (abs(scale - 1.0) > 0.02)
    assert not named or f"{1.0 / scale:.2f}" in named[0].text
    rotation = match.lps_from_surface.rotation
    np.testing.assert_allclose(rotation @ rotation.T, np.eye(3), atol=1e-9)
    assert np.linalg.det(rotation) == pytest.approx(1.0)
