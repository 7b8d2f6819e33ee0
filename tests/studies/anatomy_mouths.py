"""Mouths for the anatomy study, and what is true of them in the measures of the program."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
from attrs import frozen
from numba import njit

from phantoms.physics.acquisition import Acquisition
from phantoms.quick import quick_volume
from phantoms.scene import Scene
from phantoms.scenes import edentulous_mouth, random_mouth
from phantoms.simulate import simulate
from phantoms.teeth import crown_distance, root_distance
from phantoms.truth import Truth, truth_of
from planner_core.anatomy.canal_height import canal_top_at
from planner_core.anatomy.ridge import Ridge
from planner_core.anatomy.structures import ArchCurve, Canal, Jaw, Side
from planner_core.anatomy.teeth import ToothBlock
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.polyline import at_lengths, lengths_mm
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan_check import ScanCheck, check_scan

SCAN = Acquisition(voxel_mm=0.4, shape=(140, 224, 224))
"""The simulated scan of a mouth."""

QUICK_VOXELS_MM = (0.3, 0.4)
CLICK_SD_MM = 0.4
"""Standard deviation per axis of a hand-set point (Tomasi et al. 2011, Dentomaxillofac Radiol 40:244; S)."""


@frozen(eq=False)
class StudyMouth:
    """One mouth, its scan and what is true of it."""

    seed: int
    restored: bool
    scene: Scene
    volume: Volume
    truth: Truth
    check: ScanCheck | None

    def streaked(self, points_lps_mm: FloatArray) -> np.ndarray:
        """Tell where the scan check calls the scan degraded, shape (n,)."""
        if self.check is None:
            return np.zeros(len(points_lps_mm), bool)
        return np.asarray(self.check.level_at(points_lps_mm)) > 0.5


def make_mouth(seed: int, restored: bool, quick: bool = False) -> StudyMouth:
    """Build and scan a mouth by simulated physics; `quick`: one without restorations, by blur and noise alone."""
    if restored:
        scene = random_mouth(seed, restorations="mixed" if seed % 2 else "ceramic", markers=False)
        volume = simulate(scene, SCAN, seed).volume
        return StudyMouth(seed, True, scene, volume, truth_of(scene, False), check_scan(volume))
    if seed % 5 == 4:
        scene = edentulous_mouth(seed, with_prosthesis=False)
    else:
        scene = random_mouth(
            seed, restorations="none", markers=False, upper="contact" if seed % 3 == 0 else "apart"
        )
    if not quick:
        return StudyMouth(seed, False, scene, simulate(scene, SCAN, seed).volume, truth_of(scene, False), None)
    rng = np.random.default_rng([seed, 21])
    gain, offset = float(rng.uniform(0.4, 1.3)), float(rng.uniform(-300, 300))
    voxel = QUICK_VOXELS_MM[seed % 2]
    volume, truth = quick_volume(scene, voxel, 55.0 * gain, seed, gain=gain, offset=offset, truth=False)
    return StudyMouth(seed, False, scene, volume, truth, None)


def kept_mouth(seed: int, restored: bool, folder: Path | None, quick: bool = False) -> StudyMouth:
    """Give a mouth, from the folder if it was made before: a study can then be run in pieces."""
    if folder is None:
        return make_mouth(seed, restored, quick)
    path = folder / f"{seed}_{'restored' if restored else 'quick' if quick else 'plain'}.pkl"
    if path.exists():
        mouth: StudyMouth = pickle.loads(path.read_bytes())
        return mouth
    mouth = make_mouth(seed, restored, quick)
    folder.mkdir(parents=True, exist_ok=True)
    whole = path.with_suffix(".part")
    whole.write_bytes(pickle.dumps(mouth, protocol=4))
    whole.rename(path)
    return mouth


def true_canals(mouth: StudyMouth) -> dict[Side, tuple[FloatArray, float]]:
    """Give each canal's centre line inside bone and scan, every 0.05 mm from the front, and its diameter."""
    out = {}
    for canal in mouth.truth.canals:
        line = np.asarray(canal.centre_lps_mm)[::-1]
        dense = at_lengths(line, np.arange(0.0, lengths_mm(line)[-1], 0.05))
        inside = mouth.volume.contains(dense) & (mouth.truth.bone_distance_mm(dense) < -1.5)
        if inside.sum() > 300:
            # Only the ends are cut off: in between the canal may run close under the surface.
            first, last = np.flatnonzero(inside)[[0, -1]]
            out[Side(canal.side)] = (dense[first : last + 1], float(canal.diameter_mm))
    return out


def clicks_on(line: FloatArray, rng: np.random.Generator, count: int) -> FloatArray:
    """Set hand-set points on a line: near both ends and evenly between."""
    places = np.linspace(0.03, 0.97, count) * (len(line) - 1)
    return np.asarray(line[places.astype(int)] + rng.normal(0, CLICK_SD_MM, (count, 3)))


def true_arch(mouth: StudyMouth) -> ArchCurve:
    """Give the arch curve of the tooth row at the height of the necks."""
    scene, jaw = mouth.scene, mouth.scene.lower
    stations = np.linspace(-60, 60, 18)
    row = np.column_stack([jaw.curve.at(stations), np.full(len(stations), -9.0)])
    up = scene.lps_from_scene.apply_direction([0.0, 0.0, 1.0])
    middle = scene.lps_from_scene.apply(np.append(jaw.curve.at(0.0), -9.0))
    return ArchCurve(Jaw.LOWER, scene.lps_from_scene.apply(row), up, middle)


def true_section(mouth: StudyMouth, ridge: Ridge) -> tuple[float, dict[float, float]] | None:
    """Give the crest's height over the arch curve and the widths below it from the phantom's own formula."""
    outline = ridge.outline
    if outline is None:
        return None
    step = 0.05
    out_mm, up_mm = np.arange(-14, 14, step), np.arange(-20, 12, step)
    u, v = np.meshgrid(out_mm, up_mm, indexing="xy")
    points = outline.to_lps(np.stack([u.ravel(), v.ravel()], axis=1))
    inside = (mouth.truth.bone_distance_mm(points) < 0).reshape(u.shape)
    rows = np.flatnonzero(inside.any(axis=1))
    if len(rows) == 0:
        return None
    top = int(rows[-1])
    crest_column = int(np.mean(np.flatnonzero(inside[top])))
    widths = {}
    for depth in ridge.width_mm:
        row = inside[top - round(depth / step)]
        change = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]])))
        for first, stop in zip(change[::2], change[1::2], strict=True):
            if first - 10 <= crest_column <= stop + 10:
                widths[depth] = (stop - first) * step
    # The border lies between the last row inside and the next.
    return float(up_mm[top]) + step / 2, widths


def true_canal_top(mouth: StudyMouth, ridge: Ridge) -> float | None:
    """Give the height of the true canal's upper wall in the ridge's section over the arch curve, or None."""
    tops = []
    for side, (line, diameter) in true_canals(mouth).items():
        size = len(line)
        tube = Canal(side, line[[0, -1]], line, np.full(size, diameter), np.zeros(size), np.ones(size, bool))
        assert ridge.outline is not None
        top = canal_top_at(tube, ridge.outline)
        if top is not None:
            tops.append(top[0])
    return max(tops) if tops else None


@njit
def _parts(points, parameters):
    out = np.zeros(len(points), np.int8)
    for n in range(len(points)):
        root = root_distance(points[n, 0], points[n, 1], points[n, 2], parameters)
        crown = 1.0
        if points[n, 2] > -0.6:
            crown = crown_distance(points[n, 0], points[n, 1], points[n, 2], parameters)
        if min(root, crown) < 0:
            out[n] = 1 if points[n, 2] > 0 else 2
    return out


def tooth_dice(mouth: StudyMouth, iso: int, block: ToothBlock, mask: np.ndarray) -> tuple[float, float]:
    """Give the Dice coefficients of root and crown (parted at the true cervix) of a tooth's mask."""
    tooth = mouth.scene.lower.tooth(iso)
    index = np.stack(np.meshgrid(*[np.arange(n) for n in mask.shape], indexing="ij"), axis=-1).reshape(-1, 3)
    own = mouth.scene.lps_from_scene.inverse().apply(block.to_lps(index))
    local = own @ tooth.tooth_from_jaw[:3, :3].T + tooth.tooth_from_jaw[:3, 3]
    parts = _parts(local, np.asarray(tooth.parameters)).reshape(mask.shape)
    above = (local[:, 2] > 0).reshape(mask.shape)

    def dice(label: int, half: np.ndarray) -> float:
        truth, found = parts == label, mask & half
        return float(2 * (truth & found).sum() / max(1, truth.sum() + found.sum()))

    return dice(2, ~above), dice(1, above)
