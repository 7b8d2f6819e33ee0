"""Teeth from one click against simulated teeth of known form; air spaces against analytic ones."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy import ndimage

from phantoms import restorations
from phantoms.jaw import JawShape, build_jaw
from phantoms.materials import Material
from phantoms.measure import tooth_grid
from phantoms.quick import quick_volume
from phantoms.scene import Scene
from planner_core.anatomy.grid import coarse_grid
from planner_core.anatomy.marked import CavityKind, MarkedTooth
from planner_core.anatomy.meshes import enclosed_mm3
from planner_core.anatomy.sinus import find_cavity
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.anatomy.teeth import find_tooth
from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform, angle_between_deg
from planner_core.geometry.volume import Volume
from tests.core.anatomy.phantom_shapes import AIR, BONE, LEVELS, SOFT, as_volume, filled


@cache
def scanned(restored: bool = False) -> tuple[Scene, Volume, ArchCurve]:
    rng = np.random.default_rng(4)
    jaw = build_jaw(JawShape(missing=(36,)), rng)
    bodies = (restorations.crown(jaw, 34, Material.ZIRCONIA),) if restored else ()
    scene = Scene("test", 4, jaw, RigidTransform.identity("scene", "lps"), None, bodies)
    volume, _ = quick_volume(scene, 0.3, 50.0, truth=False, centre_scene_mm=(14, 22, -14), size_mm=(42, 60, 50))
    stations = np.linspace(-55, 55, 14)
    arch = ArchCurve(Jaw.LOWER, np.column_stack([jaw.curve.at(stations), np.full(14, -9.0)]))
    return scene, volume, arch


def truth_mm3(scene: Scene, iso: int) -> float:
    axes = [np.arange(-8, 8, 0.25), np.arange(-8, 8, 0.25), np.arange(-20, 13, 0.25)]
    return float((tooth_grid(*axes, np.asarray(scene.lower.tooth(iso).parameters), False) < 0).sum()) * 0.25**3


def found(scene: Scene, volume: Volume, arch: ArchCurve, iso: int, **how: object) -> MarkedTooth:
    matrix = scene.lower.tooth(iso).jaw_from_tooth
    click = (matrix @ [0.4, -0.3, 1.0, 1.0])[:3]
    return find_tooth(volume, arch, str(iso), [click], **how)  # type: ignore[arg-type]


@pytest.mark.parametrize("iso", [32, 34, 37])
def test_one_click_gives_the_whole_tooth_with_its_axis(iso: int) -> None:
    scene, volume, arch = scanned()
    tooth = found(scene, volume, arch, iso)
    truth = scene.lower.tooth(iso)
    assert enclosed_mm3(tooth.surface) == pytest.approx(truth_mm3(scene, iso), rel=0.12)
    assert angle_between_deg(tooth.axis_lps, -truth.jaw_from_tooth[:3, 2]) < 6.0
    neck = truth.jaw_from_tooth[:3, 3]
    assert abs(float((tooth.neck_lps_mm - neck) @ tooth.axis_lps)) < 2.0
    tip = max((truth.jaw_from_tooth @ [*apex, 1.0])[:3] @ tooth.axis_lps for apex in truth.apexes_mm())
    assert float(tooth.apex_lps_mm @ tooth.axis_lps) == pytest.approx(tip, abs=1.5), (
        "the last mm of a pointed tip blurs away"
    )
    assert tooth.form.roots == (2 if iso == 37 else 1)
    assert "common practice, no source" in tooth.form.note
    assert tooth.site == str(iso)


def test_a_zirconia_crown_does_not_spoil_the_root() -> None:
    plain, capped = (found(*scanned(restored), 34) for restored in (False, True))

    def root(tooth: MarkedTooth) -> float:
        below = (tooth.surface.points_mm - tooth.neck_lps_mm) @ tooth.axis_lps > 0
        return float(np.linalg.norm(tooth.surface.points_mm[below] - plain.neck_lps_mm, axis=1).max())

    assert root(capped) == pytest.approx(root(plain), abs=0.8)
    assert capped.form.roots == 1


def test_a_streaked_crown_is_said_to_be_uncertain() -> None:
    class Streaked:
        def level_at(self, points_lps_mm: np.ndarray) -> np.ndarray:
            return np.where(points_lps_mm[:, 2] > -8, 0.9, 0.0)

    scene, volume, arch = scanned()
    tooth = found(scene, volume, arch, 34, degradation=Streaked())
    assert tooth.findings[0].code == "tooth-crown-streaked"
    assert tooth.sigma_crown_mm > tooth.sigma_mm


def test_a_minus_click_takes_away_and_a_wrong_place_is_refused() -> None:
    scene, volume, arch = scanned()
    whole = found(scene, volume, arch, 34)
    cut = found(scene, volume, arch, 34, minus_lps_mm=[whole.apex_lps_mm - 2.5 * whole.axis_lps])
    assert enclosed_mm3(cut.surface) < enclosed_mm3(whole.surface) - 3.0
    with pytest.raises(PlannerError, match="outside the scan"):
        find_tooth(volume, arch, "34", [[500.0, 0, 0]])
    with pytest.raises(PlannerError, match="no permanent tooth"):
        find_tooth(volume, arch, "55", [volume.centre_lps_mm])
    gap = scene.lower.curve.at(scene.lower.places[36])
    with pytest.raises(PlannerError, match="No tooth"):
        find_tooth(volume, arch, "36", [[*gap, -3.0]])


def sinus_volume() -> tuple[Volume, float]:
    """Two egg-shaped air spaces in bone, joined by a narrow passage, one with a septum; floor at z = -12."""
    step = 0.5
    z, y, x = (np.mgrid[0:90, 0:110, 0:150] - np.array([45, 55, 75])[:, None, None, None]) * step
    grey = np.full(z.shape, SOFT)
    grey = filled(grey, np.abs(z + 5) - 16.0, BONE * 0.8, step)
    egg = (np.sqrt((x + 16) ** 2 / 13**2 + y**2 / 15**2 + z**2 / 12**2) - 1) * 12
    grey = filled(grey, egg, AIR, step)
    other = np.sqrt((x - 18) ** 2 + y**2 + z**2) - 11
    grey = filled(grey, other, AIR, step)
    passage = np.maximum(np.hypot(y, z - 2) - 1.0, np.abs(x + 1) - 9)
    grey = filled(grey, passage, AIR, step)
    septum = np.maximum(np.abs(x + 16) - 1.0, np.maximum(z + 5.0, -z - 14))
    grey = filled(grey, np.maximum(septum, egg), BONE * 0.8, step)
    inside = float(((egg < 0) & (septum > 0)).sum()) * step**3
    return as_volume(grey, step, (-37.5, -27.5, -22.5)), inside


def test_one_click_fills_a_sinus_and_stops_at_its_narrow_opening() -> None:
    volume, expected = sinus_volume()
    space = find_cavity(volume, CavityKind.SINUS, (-16.0, 0.0, 4.0), levels=LEVELS)
    assert space.volume_mm3 == pytest.approx(expected, rel=0.08)
    assert enclosed_mm3(space.surface) == pytest.approx(space.volume_mm3, rel=0.1), "triangles turn out of the air"
    height = space.floor_over((-24.0, 0.0, -20.0), (0, 0, 1))
    truth = 20.0 - 12.0 * np.sqrt(1 - (8 / 13) ** 2)
    assert height is not None
    assert height[0] == pytest.approx(truth, abs=0.6)
    assert space.floor_over((30.0, 20.0, -20.0), (0, 0, 1)) is None
    assert space.name == "sinus floor"
    assert len(space.septa_lps_mm) >= 1
    assert np.abs(space.septa_lps_mm[:, 0] + 16).min() < 1.5


def test_a_click_in_bone_is_refused_and_an_open_space_is_said_to_be_cut() -> None:
    volume, _ = sinus_volume()
    with pytest.raises(PlannerError, match="does not lie in air"):
        find_cavity(volume, CavityKind.SINUS, (0.0, 20.0, -10.0), levels=LEVELS)
    open_air = as_volume(np.full((40, 40, 40), AIR), 1.0, (0, 0, 0))
    space = find_cavity(open_air, CavityKind.SINUS, (20, 20, 20), levels=LEVELS)
    assert space.findings[0].code == "air-space-cut"


def test_block_means_keep_place_and_value() -> None:
    rng = np.random.default_rng(0)
    stored = rng.integers(-100, 100, (9, 10, 11)).astype(np.int16)
    volume = Volume(stored, np.diag([0.5, 0.5, 0.5, 1.0]), 2.0, 5.0)
    grid = coarse_grid(volume, 1.0)
    assert grid.grey.shape == (4, 5, 5)
    assert grid.grey[1, 2, 3] == pytest.approx(2.0 * stored[2:4, 4:6, 6:8].mean() + 5.0, abs=1e-3)
    assert np.allclose(grid.to_lps([1, 2, 3]), volume.to_lps([2.5, 4.5, 6.5]))
    assert np.allclose(ndimage.zoom(grid.grey, 1), grid.grey)
