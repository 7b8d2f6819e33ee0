"""The proposed arch against the tooth rows of simulated mouths: tilted, gapped, toothless, cut off."""

from __future__ import annotations

import numpy as np
import pytest

from phantoms.jaw import Jaw as PhantomJaw
from phantoms.jaw import JawShape, build_jaw
from phantoms.quick import quick_volume
from phantoms.scene import Scene
from planner_core.anatomy.arch_proposal import propose_arch
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform, rotation_about
from planner_core.geometry.volume import Volume


def mouth(shape: JawShape, tilt_deg: tuple[float, float, float], upper: JawShape | None, opening: float) -> Scene:
    rng = np.random.default_rng(11)
    turn = np.eye(3)
    for axis, angle in zip(np.eye(3), tilt_deg, strict=True):
        turn = rotation_about(axis, np.radians(angle)) @ turn
    pose = RigidTransform.from_parts(turn, (2.0, -20.0, 8.0), "scene", "lps")
    top = None if upper is None else build_jaw(upper, rng)
    return Scene("test", 11, build_jaw(shape, rng), pose, top, opening_mm=opening)


def errors_at_teeth(scene: Scene, jaw: PhantomJaw, arch: ArchCurve, volume: Volume, inset: float) -> np.ndarray:
    """Distances of the tooth positions from the curve, seen along the occlusal plane's normal (mm)."""
    stations = np.array(list(jaw.places.values()))
    height = -9.0 if not jaw.upper else scene.opening_mm + 9.0
    rows = scene.lps_from_scene.apply(np.column_stack([jaw.curve.at(stations), np.full(len(stations), height)]))
    margin = np.array([(-inset, 0, 0), (inset, 0, 0), (0, -inset, 0), (0, inset, 0)])
    inside = np.array([volume.contains(place + margin).all() for place in rows])
    up = scene.lps_from_scene.apply_direction([0.0, 0.0, 1.0])
    offset = arch.curve_lps_mm[None] - rows[inside][:, None]
    offset -= (offset @ up)[..., None] * up
    return np.linalg.norm(offset, axis=2).min(axis=1)


CASES = {
    "dentate, tilted": (JawShape(), (12.0, 4.0, -6.0), JawShape(upper=True), 6.0),
    "biting together": (JawShape(missing=(36, 46, 45)), (-5.0, -3.0, 4.0), JawShape(upper=True), 0.5),
    "toothless": (JawShape(edentulous=True, ridge_loss_mm=4.0), (5.0, 3.0, 2.0), JawShape(upper=True), 8.0),
    "toothless, alone": (JawShape(edentulous=True), (0.0, 0.0, 0.0), None, 8.0),
}


@pytest.mark.parametrize("name", CASES)
def test_the_proposed_arch_follows_the_tooth_row(name: str) -> None:
    scene = mouth(*CASES[name])
    volume, _ = quick_volume(scene, 0.5, 60.0, truth=False)
    proposal = propose_arch(volume, Jaw.LOWER)
    error = errors_at_teeth(scene, scene.lower, proposal.arch, volume, 3.0)
    assert len(error) >= 12
    assert error.max() < 1.0
    assert proposal.arch.stations_mm[0] < -40 < 40 < proposal.arch.stations_mm[-1]
    middle = scene.lps_from_scene.apply(np.append(scene.lower.curve.at(0.0), -9.0))
    assert abs(proposal.arch.station_of(middle)) < 4.0, "station zero lies near the midline"
    assert len(proposal.sigma_mm) == len(proposal.follows) == len(proposal.arch.control_lps_mm)


def test_the_upper_jaw_is_found_too() -> None:
    scene = mouth(*CASES["dentate, tilted"])
    volume, _ = quick_volume(scene, 0.5, 60.0, truth=False, centre_scene_mm=(0, 26, 8), size_mm=(80, 92, 92))
    assert scene.upper is not None
    proposal = propose_arch(volume, Jaw.UPPER)
    assert errors_at_teeth(scene, scene.upper, proposal.arch, volume, 3.0).max() < 1.0


def test_half_an_arch_in_a_small_field_of_view() -> None:
    scene = mouth(*CASES["biting together"])
    volume, _ = quick_volume(scene, 0.4, 60.0, truth=False, centre_scene_mm=(22, 24, -17), size_mm=(50, 50, 50))
    proposal = propose_arch(volume, Jaw.LOWER)
    error = errors_at_teeth(scene, scene.lower, proposal.arch, volume, 5.0)
    assert len(error) >= 4
    assert error.max() < 1.2


def test_grey_scale_does_not_matter() -> None:
    scene = mouth(*CASES["dentate, tilted"])
    first, _ = quick_volume(scene, 0.6, 30.0, truth=False)
    second, _ = quick_volume(scene, 0.6, 9.0, truth=False, gain=0.3, offset=500.0)
    a, b = (propose_arch(volume, Jaw.LOWER).arch for volume in (first, second))
    stations = np.arange(-40.0, 41.0, 5.0)
    apart = [np.linalg.norm(a.point_at(s) - b.point_at(b.station_of(a.point_at(s)))) for s in stations]
    assert max(apart) < 1.0


def test_a_scan_without_a_jaw_is_refused() -> None:
    rng = np.random.default_rng(0)
    stored = rng.normal(0, 30, (60, 60, 60))
    stored[:, :20] -= 1000
    volume = Volume(stored.astype(np.int16), np.diag([1.0, 1, 1, 1]))
    with pytest.raises(PlannerError):
        propose_arch(volume, Jaw.LOWER)
