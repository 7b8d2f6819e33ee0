"""Make the shipped samples: ``python -m phantoms.make_samples lower_bridge`` (extra `samples`)."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from attrs import asdict

from phantoms import sample_files as files
from phantoms.physics.acquisition import Acquisition
from phantoms.sample_truth import truth_values
from phantoms.scenes import ceramic_bridge_sample
from phantoms.simulate import simulate
from phantoms.surface_scan import scan_surface
from planner_core.errors import PlannerError

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
    photons=4.0e4,
    views=450,
    scatter=0.6,
    scatter_corrected=0.85,
    scatter_floor=0.003,
    start_deg=11.0,
    cutoff=0.85,
    map_refinement=0.75,
)
_LAST = [""]
COMMENT = "INVENTED SCENARIO, SIMULATED SCAN OF A PHANTOM. NO PERSON. Not for diagnosis."


def report(fraction: float, text: str = "") -> None:
    """Say on standard error how far the work is, once a stage."""
    if text != _LAST[0]:
        _LAST[0] = text
        print(f"{100 * fraction:5.1f} %  {text}", file=sys.stderr)


def make_lower_bridge(folder: Path, engine: str) -> None:
    """Make the ceramic bridge sample in `folder`."""
    scene = ceramic_bridge_sample()
    if engine == "rtk":
        from phantoms.rtk import simulate_rtk

        result = simulate_rtk(scene, BRIDGE_SETTINGS, scene.seed, report)
    else:
        result = simulate(scene, BRIDGE_SETTINGS, scene.seed, report, with_truth=True)
    scan = scan_surface(scene, noise_mm=0.015, seed=scene.seed, step_mm=SURFACE_STEP_MM)
    folder.mkdir(parents=True, exist_ok=True)
    header = files.SampleHeader(
        "SAMPLE^INVENTED", "INVENTED-0001", "Lower jaw, ceramic bridge (simulated)", COMMENT, BRIDGE_SETTINGS.kvp
    )
    files.write_dicom_series(folder / "dicom", result.volume, header)
    assert result.degraded is not None
    files.write_mask(folder / "degraded.nii.gz", result.degraded, result.volume)
    files.write_binary_stl(folder / "lower.stl", scan.surface)
    files.write_binary_ply(
        folder / "bone.ply", result.truth.bone_surface(BONE_STEP_MM), "true bone surface, LPS mm, invented"
    )
    settings = asdict(BRIDGE_SETTINGS)
    files.write_truth(folder / "truth.json", truth_values(BRIDGE_VERSION, engine, result, scan, settings))
    files.write_hashes(folder)


def main(arguments: list[str] | None = None) -> int:
    """Make one sample; say in one sentence what failed."""
    parser = argparse.ArgumentParser(prog="python -m phantoms.make_samples")
    parser.add_argument("sample", choices=["lower_bridge"])
    parser.add_argument(
        "--engine", choices=["rtk", "fast"], default="rtk", help="fast: our own projector, no extra"
    )
    parser.add_argument("--out", type=Path, default=None, help="another folder than sample_volumes/<sample>")
    chosen = parser.parse_args(arguments)
    try:
        make_lower_bridge(chosen.out or SAMPLES / chosen.sample, chosen.engine)
    except PlannerError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
