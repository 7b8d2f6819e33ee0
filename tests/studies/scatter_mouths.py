"""Simulated mouths for the scatter study: restored, clean, noisy and moved, each scanned in its own way."""

from __future__ import annotations

import numpy as np
from attrs import evolve, field, frozen
from numpy.typing import NDArray

from phantoms.physics.acquisition import Acquisition
from phantoms.scene import Scene
from phantoms.scenes import random_mouth
from phantoms.simulate import Simulated, fine_map, jaw_region, simulate
from planner_core.geometry.frames import RigidTransform, rotation_about, unit

CYCLE = (
    "ceramic", "clean", "mixed", "noisy", "ceramic", "moved", "mixed", "ceramic short", "noisy",
    "mixed short", "ceramic moved", "clean", "mixed noisy", "ceramic", "moved", "mixed", "clean",
    "ceramic noisy", "noisy", "mixed",
)  # fmt: skip
"""Kinds of twenty mouths: twelve with restorations (ceramic or mixed), eight without; then all over again."""

COARSE_VOXEL_MM, COARSE_VIEWS = 0.6, 200

WITHOUT = ("clean", "noisy", "moved")
FIELD_MM = (46.0, 76.0, 76.0)
"""Height, depth and width of the scans; ten percent more or less from mouth to mouth."""


@frozen(eq=False)
class StudyMouth:
    """A simulated mouth with what is true of it.

    Parameters
    ----------
    kind : str
    scene : Scene
    acquisition : Acquisition
    scan : Simulated
    bodies : bool array of the volume's shape
        Restorations and markers with their edge: left out of every count.
    """

    kind: str
    scene: Scene
    acquisition: Acquisition
    scan: Simulated = field(repr=False)
    bodies: NDArray[np.bool_] = field(repr=False)

    @property
    def restored(self) -> bool:
        """Whether a dentist left something dense in it."""
        return self.kind.split()[0] not in WITHOUT


def kind_of(number: int) -> str:
    """Give the kind of the study's mouth of that number."""
    return CYCLE[number % len(CYCLE)]


def scene_of(kind: str, seed: int) -> Scene:
    """Build the mouth."""
    rng = np.random.default_rng([seed, 41])
    what = kind.split()[0]
    upper = "contact" if rng.random() < 0.2 else ("apart" if rng.random() < 0.8 else "none")
    return random_mouth(
        seed,
        restorations="none" if what in WITHOUT else what,  # type: ignore[arg-type]
        upper=upper,  # type: ignore[arg-type]
        markers=what not in WITHOUT and rng.random() < 0.6,
        shift_mm=5.0,
    )


def acquisition_of(kind: str, seed: int) -> Acquisition:
    """Draw how it is scanned: voxels, tube, dose, path, grey scale, faults."""
    rng = np.random.default_rng([seed, 42])
    voxel = float(rng.choice([0.4, 0.45, 0.5]))
    shape = tuple(4 * round(edge * rng.uniform(0.95, 1.1) / voxel / 4) for edge in FIELD_MM)
    dose = 10 ** rng.uniform(4.3, 4.8)
    if "noisy" in kind:
        dose = 10 ** rng.uniform(3.2, 3.6)
    motion = None
    if "moved" in kind:
        turn = rotation_about(unit(rng.standard_normal(3)), np.radians(rng.uniform(0.6, 1.5)))
        motion = RigidTransform.from_parts(turn, rng.uniform(-1.2, 1.2, 3), "lps", "lps")
    # Twelve bits of a stretched scale would end below enamel, which no machine's scale does.
    twelve_bits = bool(rng.random() < 0.75)
    gain = float(rng.uniform(0.5, 1.05 if twelve_bits else 1.8))
    short = "short" in kind or rng.random() < 0.15
    return Acquisition(
        voxel_mm=voxel,
        shape=(shape[0], shape[1], shape[2]),
        centre_scene_mm=(float(rng.uniform(-4, 4)), float(rng.uniform(24, 29)), float(rng.uniform(-12, -4))),
        kvp=float(rng.choice([75.0, 85.0, 90.0, 100.0, 110.0])),
        copper_mm=float(rng.choice([0.0, 0.1, 0.3])),
        photons=float(dose),
        views=int(rng.integers(280, 380)),
        short_scan=bool(short),
        start_deg=float(rng.uniform(0, 360)),
        source_axis_mm=float(rng.uniform(380, 480)),
        scatter=float(rng.uniform(0.3, 1.0)),
        scatter_corrected=float(rng.uniform(0.2, 0.6)),
        scatter_floor=float(rng.uniform(0.001, 0.006)),
        blur_px=float(rng.uniform(0.3, 0.7)),
        cutoff=float(rng.uniform(0.75, 1.0)),
        motion=motion,
        motion_at=float(rng.uniform(0.3, 0.7)),
        grey_gain=gain,
        grey_offset=float(rng.uniform(-400, 600)),
        twelve_bits=twelve_bits,
    )


def study_mouth(kind: str, seed: int, coarse: bool = False) -> StudyMouth:
    """Simulate one mouth with its truth (about half a minute; a third of that if `coarse`)."""
    scene, acquisition = scene_of(kind, seed), acquisition_of(kind, seed)
    if coarse:
        rows = [4 * round(n * acquisition.voxel_mm / COARSE_VOXEL_MM / 4) for n in acquisition.shape]
        acquisition = evolve(
            acquisition, voxel_mm=COARSE_VOXEL_MM, shape=(rows[0], rows[1], rows[2]), views=COARSE_VIEWS
        )
    scan = simulate(scene, acquisition, seed, with_truth=True)
    centre = scene.lps_from_scene.apply(np.array(acquisition.centre_scene_mm))
    _, bodies = jaw_region(fine_map(scene, acquisition, centre), acquisition)
    return StudyMouth(kind, scene, acquisition, scan, bodies)
