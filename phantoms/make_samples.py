"""Make the shipped samples: ``python -m phantoms.make_samples lower_bridge`` (extra `samples`)."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from attrs import asdict, evolve

from phantoms import sample_files as files
from phantoms.physics.acquisition import Acquisition
from phantoms.sample_truth import bridge_values, dual_values
from phantoms.scene import Scene
from phantoms.scenes import ceramic_bridge_sample, dual_scan_sample, prosthesis_alone
from phantoms.simulate import Simulated, simulate
from phantoms.surface_scan import scan_prosthesis, scan_surface
from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform

SAMPLES = Path(__file__).resolve().parent.parent / "sample_volumes"
BRIDGE_VERSION = "1.0"
SURFACE_STEP_MM = 0.5
BONE_STEP_MM = 0.9

BRIDGE_SETTINGS = Acquisition(
    voxel_mm=0.35,
    shape=(152, 236, 236),
    centre_scene_mm=(0.0, 26.5, -17.5),
    kvp=110.0,
    aluminium_mm=2.5,
    copper_mm=0.3,
    photons=5.0e4,
    views=360,
    scatter=0.6,
    scatter_corrected=0.85,
    scatter_floor=0.003,
    start_deg=11.0,
    cutoff=0.85,
)
DUAL_VERSION = "1.0"
DUAL_SETTINGS = Acquisition(
    voxel_mm=0.4,
    shape=(116, 204, 204),
    centre_scene_mm=(0.0, 25.0, -20.0),
    kvp=90.0,
    copper_mm=0.1,
    photons=3.0e4,
    views=360,
    scatter=0.6,
    scatter_corrected=0.85,
    scatter_floor=0.003,
    cutoff=0.85,
)
PROSTHESIS_SETTINGS = evolve(DUAL_SETTINGS, shape=(84, 156, 200), centre_scene_mm=(0.0, 15.0, -11.0))
PROSTHESIS_STEP_MM = 0.7
_LAST = [""]
COMMENT = "INVENTED SCENARIO, SIMULATED SCAN OF A PHANTOM. NO PERSON. Not for diagnosis."


def report(fraction: float, text: str = "") -> None:
    """Say on standard error how far the work is, once a stage."""
    if text != _LAST[0]:
        _LAST[0] = text
        print(f"{100 * fraction:5.1f} %  {text}", file=sys.stderr)


def scanned(scene: Scene, settings: Acquisition, engine: str, with_truth: bool) -> Simulated:
    """Scan a scene by RTK or by the package's own projector."""
    if engine == "rtk":
        from phantoms.rtk import simulate_rtk

        return simulate_rtk(scene, settings, scene.seed, report, with_truth=with_truth)
    return simulate(scene, settings, scene.seed, report, with_truth=with_truth)


def make_lower_bridge(folder: Path, engine: str) -> None:
    """Make the ceramic bridge sample in `folder`."""
    scene = ceramic_bridge_sample()
    result = scanned(scene, BRIDGE_SETTINGS, engine, with_truth=True)
    assert result.degraded is not None
    scan = scan_surface(scene, noise_mm=0.015, seed=scene.seed, step_mm=SURFACE_STEP_MM)
    folder.mkdir(parents=True, exist_ok=True)
    header = files.SampleHeader(
        "SAMPLE^INVENTED", "INVENTED-0001", "Lower jaw, ceramic bridge (simulated)", COMMENT, BRIDGE_SETTINGS.kvp
    )
    files.write_dicom_series(folder / "dicom", result.volume, header)
    files.write_mask(folder / "degraded.nii.gz", result.degraded, result.volume)
    files.write_binary_stl(folder / "lower.stl", scan.surface)
    _write_bone(folder, result)
    values = bridge_values(BRIDGE_VERSION, engine, result, scan, asdict(BRIDGE_SETTINGS))
    files.write_truth(folder / "truth.json", values)
    files.write_hashes(folder)


def make_dual_scan(folder: Path, engine: str) -> None:
    """Make the dual scan sample in `folder`: the patient with the prosthesis, and the prosthesis alone."""
    scene = dual_scan_sample()
    alone = prosthesis_alone(scene)
    patient = scanned(scene, DUAL_SETTINGS, engine, with_truth=False)
    second = scanned(alone, PROSTHESIS_SETTINGS, engine, with_truth=False)
    folder.mkdir(parents=True, exist_ok=True)
    for name, result, text in (
        ("patient", patient, "Edentulous lower jaw with prosthesis (simulated)"),
        ("prosthesis", second, "Prosthesis with markers alone (simulated)"),
    ):
        header = files.SampleHeader("SAMPLE^INVENTED", "INVENTED-0002", text, COMMENT, DUAL_SETTINGS.kvp)
        files.write_dicom_series(folder / f"dicom_{name}", result.volume, header)
    # The prosthesis's own surface in the second scan's LPS: what an optical scan laid onto it would give.
    here = RigidTransform.identity("surface:prosthesis", "lps")
    optical = scan_prosthesis(alone, 0.015, scene.seed, step_mm=PROSTHESIS_STEP_MM, pose=here)
    files.write_binary_stl(folder / "prosthesis.stl", optical.surface)
    _write_bone(folder, patient)
    settings = asdict(DUAL_SETTINGS), asdict(PROSTHESIS_SETTINGS)
    files.write_truth(folder / "truth.json", dual_values(DUAL_VERSION, engine, patient, second, settings))
    files.write_hashes(folder)


def _write_bone(folder: Path, result: Simulated) -> None:
    surface = result.truth.bone_surface(BONE_STEP_MM)
    files.write_binary_ply(folder / "bone.ply", surface, "true bone surface, LPS mm, invented")


MAKERS = {"lower_bridge": make_lower_bridge, "dual_scan": make_dual_scan}


def main(arguments: list[str] | None = None) -> int:
    """Make one sample; say in one sentence what failed."""
    parser = argparse.ArgumentParser(prog="python -m phantoms.make_samples")
    parser.add_argument("sample", choices=sorted(MAKERS))
    parser.add_argument(
        "--engine", choices=["rtk", "fast"], default="rtk", help="fast: our own projector, no extra"
    )
    parser.add_argument("--out", type=Path, default=None, help="another folder than sample_volumes/<sample>")
    chosen = parser.parse_args(arguments)
    try:
        MAKERS[chosen.sample](chosen.out or SAMPLES / chosen.sample, chosen.engine)
    except PlannerError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
