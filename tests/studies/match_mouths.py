"""Mouths for the match study: simulated with streaks, scanned on the surface, with sites and true poses.

A simulation takes up to a minute, so that volumes can be kept in a folder and serve many scans. Of clean and of
streaked mouths both jaws are in the picture and both are matched.
"""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import numpy as np
from attrs import evolve, frozen

from phantoms import restorations as build
from phantoms.jaw import Jaw
from phantoms.materials import Material
from phantoms.physics.acquisition import Acquisition
from phantoms.scene import Marker, Scene
from phantoms.scenes import random_mouth, site_on_ridge
from phantoms.simulate import simulate
from phantoms.surface_scan import scan_surface
from planner_core.geometry.frames import RigidTransform, rotation_about, unit
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan_check import ScanCheck, check_scan
from planner_core.registration.marker_match import STICKER_SHIFT_MM

Kind = Literal["clean", "streaked", "ceramic"]
"""Natural teeth; ceramic on some teeth as it comes; every tooth of the arch and half of the opposing ones
crowned."""

BOTH = Acquisition(voxel_mm=0.4, shape=(140, 216, 216), centre_scene_mm=(0.0, 28.0, -8.0))
"""Both rows of teeth are in the picture."""
FINE = Acquisition(voxel_mm=0.3, shape=(132, 280, 280))

TURN_DEG, SHIFT_MM = 30.0, 20.0
"""How far a surface scan's frame is turned and moved from where it belongs, at most."""

SCAN_NOISE_MM = 0.02
"""Smooth error of a surface scan (median 0.015, up to 0.024 mm; PMC6981254, PMC7966190; S)."""

EXTRA_NOISE = 25.0
"""Noise added to the simulated volume anew for each trial, grey values."""


NECK_MM = 8.0
"""The necks of the teeth lie about this far below the chewing plane, mm."""

UPPER_SITES = (16, 26)
"""Where a fixture could stand in the upper jaw: error is measured there as at the planned sites below."""


@frozen(eq=False)
class StudyMouth:
    """A mouth with its simulated volume; surface scans are made from the scene."""

    kind: Kind
    scene: Scene
    volume: Volume
    check: ScanCheck

    def sites_lps_mm(self, upper: bool = False) -> np.ndarray:
        """Entry and apex of each site of a jaw, shape (2 sites, 3)."""
        jaw, sites = self.scene.lower, self.scene.sites
        if upper:
            assert self.scene.upper is not None
            jaw = self.scene.upper
            sites = tuple(site_on_ridge(jaw, iso) for iso in UPPER_SITES)
        places = np.array([p for s in sites for p in (s.platform_mm, s.platform_mm + s.axis * s.length_mm)])
        return self._lps(jaw, places)

    def arch_lps_mm(self, upper: bool = False) -> np.ndarray:
        """Give the arch at about the necks of the teeth, shape (n, 3)."""
        jaw = self.scene.upper if upper else self.scene.lower
        assert jaw is not None
        plane = jaw.curve.at(np.linspace(-42.0, 42.0, 60), 0.0)
        return self._lps(jaw, np.column_stack([plane, np.full(len(plane), -NECK_MM)]))

    def up_lps(self, upper: bool = False) -> np.ndarray:
        """Give the way from a jaw to its chewing surface."""
        return self.scene.lps_from_scene.apply_direction(np.array([0.0, 0.0, -1.0 if upper else 1.0]))

    def _lps(self, jaw: Jaw, points_mm: np.ndarray) -> np.ndarray:
        scene_from_jaw = np.linalg.inv(self.scene.jaw_from_scene(jaw))
        return np.asarray(
            self.scene.lps_from_scene.apply(points_mm @ scene_from_jaw[:3, :3].T + scene_from_jaw[:3, 3])
        )


@frozen(eq=False)
class StudyScan:
    """A surface scan of a trial and where it really belongs."""

    surface: Surface
    lps_from_surface: RigidTransform
    what: str
    """``"whole"``, ``"partial"``; for markers also ``"moved"``, ``"missing"``."""
    markers_surface_mm: dict[str, np.ndarray]
    """Where the markers really are in the scan's frame."""


def advised_markers(jaw: Jaw, rng: np.random.Generator) -> tuple[Marker, ...]:
    """Put seven markers as advised: around the sites, off the ceramic, not in one plane."""
    shown = [jaw.places[tooth.iso] for tooth in jaw.teeth if tooth.present]
    behind = [(max(shown) + 8.2, 10.0), (min(shown) - 8.2, 5.0)]
    if any(tooth.present and tooth.iso % 10 == 8 for tooth in jaw.teeth):
        # Behind a third molar a marker would be out of the picture: it sits beside it.
        behind = [(max(shown), 75.0), (min(shown), 75.0)]
    places = (
        *behind, (jaw.places[36] + 1.5, 72.0), (jaw.places[46] - 1.0, -68.0),
        (0.0, 80.0), (17.0, 82.0), (-18.0, 80.0),
    )  # fmt: skip
    return tuple(
        build.marker_on_mucosa(
            jaw, station + float(rng.uniform(-1.5, 1.5)), angle, f"M{k + 1}", float(rng.uniform(0.75, 1.05))
        )
        for k, (station, angle) in enumerate(places)
    )


def make_scene(kind: Kind, seed: int) -> Scene:
    """Build the mouth of a kind and seed."""
    material = "ceramic" if kind == "streaked" else "none"
    scene = random_mouth(seed, restorations=material, missing=(36, 46), tilt_deg=10.0, shift_mm=6.0)
    lower, upper = scene.lower, scene.upper
    assert upper is not None
    rng = np.random.default_rng([seed, 3])
    if kind == "streaked":
        crowned = rng.choice([t.iso for t in upper.teeth if t.present], int(rng.integers(3, 7)), replace=False)
        more = tuple(build.crown(upper, int(iso), Material.ZIRCONIA) for iso in crowned)
        return evolve(scene, bodies=(*scene.bodies, *more), markers=())
    if kind == "clean":
        return evolve(scene, markers=())
    bodies = tuple(build.crown(lower, t.iso, Material.ZIRCONIA) for t in lower.teeth if t.present)
    bodies += tuple(build.crown(upper, t.iso, Material.ZIRCONIA) for t in upper.teeth if t.iso % 10 >= 4)
    return evolve(scene, bodies=bodies, markers=advised_markers(lower, rng))


def make_mouth(kind: Kind, seed: int, store: Path | None = None) -> StudyMouth:
    """Build a mouth and simulate its scan, or take the scan out of `store` where it was kept before."""
    scene = make_scene(kind, seed)
    kept = None if store is None else store / f"{kind}_{seed}.npz"
    if kept is not None and kept.exists():
        with np.load(kept) as data:
            volume = Volume(data["stored"], data["lps_from_index"])
    else:
        volume = simulate(scene, FINE if kind == "ceramic" else BOTH, seed).volume
        if kept is not None:
            kept.parent.mkdir(parents=True, exist_ok=True)
            part = kept.with_suffix(".part.npz")
            np.savez(part, stored=volume.stored, lps_from_index=volume.lps_from_index)
            part.replace(kept)
    return StudyMouth(kind, scene, volume, check_scan(volume))


def with_noise(volume: Volume, rng: np.random.Generator) -> Volume:
    """Give the volume with fresh noise."""
    noise = rng.standard_normal(volume.shape, dtype=np.float32) * np.float32(EXTRA_NOISE / abs(volume.scale))
    top = int(volume.stored.max())
    stored = np.where(volume.stored >= top, volume.stored, np.clip(np.rint(volume.stored + noise), -32768, top))
    return Volume(stored.astype(np.int16), volume.lps_from_index, volume.scale, volume.offset)


def make_scan(mouth: StudyMouth, what: str, rng: np.random.Generator, upper: bool = False) -> StudyScan:
    """Scan a jaw's surface in a frame of its own; `what` says what is wrong with it."""
    scene = mouth.scene
    if what == "moved" and scene.markers:
        k = int(rng.integers(len(scene.markers)))
        shift = unit(rng.standard_normal(3)) * rng.uniform(0.8, 3.0)
        moved = evolve(scene.markers[k], centre_mm=scene.markers[k].centre_mm + shift)
        scene = evolve(scene, markers=(*scene.markers[:k], moved, *scene.markers[k + 1 :]))
    if what == "missing" and scene.markers:
        k = int(rng.integers(len(scene.markers)))
        scene = evolve(scene, markers=scene.markers[:k] + scene.markers[k + 1 :])
    # Every glued marker shifts a little between the scans.
    shifted = tuple(
        evolve(m, centre_mm=m.centre_mm + rng.standard_normal(3) * STICKER_SHIFT_MM / np.sqrt(3.0))
        for m in scene.markers
    )
    scene = evolve(scene, markers=shifted)
    reach = (-66.0, 66.0)
    if what == "partial":
        reach = (
            (-66.0, float(rng.uniform(20.0, 34.0)))
            if rng.random() < 0.5
            else (float(rng.uniform(-34.0, -20.0)), 66.0)
        )
    turn = rotation_about(unit(rng.standard_normal(3)), np.radians(rng.uniform(0.0, TURN_DEG)))
    shift = unit(rng.standard_normal(3)) * rng.uniform(0.0, SHIFT_MM)
    # Surfaces are scanned in LPS and then carried into the scan's frame about the middle of the mouth.
    middle = scene.lps_from_scene.apply(np.array([0.0, 28.0, -10.0]))
    frame = "surface:upper" if upper else "surface:lower"
    pose = RigidTransform.from_parts(turn, middle - turn @ middle + shift, frame)
    seed = int(rng.integers(2**31))
    scan = scan_surface(
        scene, SCAN_NOISE_MM, seed, reach, upper=upper, pose=pose, with_markers=mouth.kind == "ceramic"
    )
    return StudyScan(scan.surface, scan.lps_from_surface, what, scan.markers_surface_mm)
