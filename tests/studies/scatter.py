"""How well the scan check finds what restorations ruined, on fresh simulated mouths of known truth."""

from __future__ import annotations

import argparse
import itertools
import sys
import time
from typing import Any

import numpy as np
from attrs import define, field
from numpy.typing import NDArray

from phantoms.simulate import bone_contrast, spectrum_of
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.reduction import reduced_view
from planner_core.imaging.scan_check import SLICE_DEGRADED_FROM, ScanCheck, check_scan
from tests.studies.scatter_baselines import BASELINES
from tests.studies.scatter_bodies import BodyCount, count_bodies
from tests.studies.scatter_mouths import StudyMouth, kind_of, study_mouth

NAME = "scatter"
OURS = "scan check"
CHANCE_BINS = (0.02, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95, 1.01)
EVERY = 5
"""Every fifth voxel is counted: enough for four digits, and small."""

TARGETS = {
    "slice_auc": 0.999,
    "slice_overlap": 0.97,
    "voxel_auc": 0.997,
    "voxel_ap": 0.97,
    "dice": 0.91,
    "false_alarms": 0.0,
}


@define
class Pool:
    """What one estimate said, over all mouths."""

    truth: list[NDArray[np.bool_]] = field(factory=list)
    level: list[NDArray[np.float32]] = field(factory=list)
    true_scores: list[FloatArray] = field(factory=list)
    scores: list[FloatArray] = field(factory=list)
    restored: list[bool] = field(factory=list)


def ranking(level: FloatArray, truth: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Give (area under the receiver curve, average precision, best Dice)."""
    order = np.argsort(-level, kind="stable")
    hits = truth[order].astype(np.float64)
    found, wrong = np.cumsum(hits), np.cumsum(1.0 - hits)
    # Equal levels count as one step.
    last = np.append(np.diff(level[order]) != 0, True)
    found, wrong = found[last], wrong[last]
    if found[-1] == 0 or wrong[-1] == 0:
        return float("nan"), float("nan"), float("nan")
    auc = float(np.trapezoid(np.append(0.0, found) / found[-1], np.append(0.0, wrong) / wrong[-1]))
    precision = found / (found + wrong)
    average = float(np.sum(np.diff(np.append(0.0, found)) * precision) / found[-1])
    dice = float(np.max(2 * found / (found + wrong + found[-1])))
    return auc, average, dice


def _overlap(flagged: NDArray[np.bool_], truth: NDArray[np.bool_]) -> float:
    return float((flagged & truth).sum() / max(int((flagged | truth).sum()), 1))


def summary(pool: Pool, flag_from: float | None) -> dict[str, float]:
    """Count one estimate; without `flag_from` it gets the limit that suits it best."""
    voxels = ranking(np.concatenate(pool.level), np.concatenate(pool.truth))
    scores, true = np.concatenate(pool.scores), np.concatenate(pool.true_scores) >= SLICE_DEGRADED_FROM
    if flag_from is None:
        limits = np.unique(np.quantile(scores, np.linspace(0.2, 0.999, 200)))
        flag_from = float(max(limits, key=lambda limit: _overlap(scores >= limit, true)))
    alarms = [bool((s >= flag_from).any()) for s, r in zip(pool.scores, pool.restored, strict=True) if not r]
    return {
        "slice_auc": ranking(scores, true)[0],
        "slice_overlap": _overlap(scores >= flag_from, true),
        "voxel_auc": voxels[0],
        "voxel_ap": voxels[1],
        "dice": voxels[2],
        "false_alarms": float(np.mean(alarms)) if alarms else float("nan"),
    }


def stated(pool: Pool) -> list[dict[str, float]]:
    """Compare the chances that were stated with what is so, in the restored mouths."""
    level, truth = np.concatenate(pool.level), np.concatenate(pool.truth)
    rows = []
    for low, high in itertools.pairwise(CHANCE_BINS):
        chosen = (level >= low) & (level < high)
        if chosen.any():
            rows.append({"stated": float(level[chosen].mean()), "true": float(truth[chosen].mean())})
    return rows


def _add(pool: Pool, mouth: StudyMouth, level: NDArray[np.float32], scores: FloatArray) -> None:
    scan = mouth.scan
    assert scan.degraded is not None
    assert scan.jaw_region is not None
    assert scan.slice_scores is not None
    if mouth.restored:
        counted = (scan.jaw_region & ~mouth.bodies).ravel()
        pool.truth.append(scan.degraded.ravel()[counted][::EVERY])
        pool.level.append(level.ravel()[counted][::EVERY].astype(np.float32))
    pool.true_scores.append(scan.slice_scores)
    pool.scores.append(scores)
    pool.restored.append(mouth.restored)


def _mean_in_region(level: NDArray[np.float32], mouth: StudyMouth) -> FloatArray:
    region = mouth.scan.jaw_region
    assert region is not None
    inside = region.sum(axis=(1, 2))
    return np.asarray(np.where(region, level, 0.0).sum(axis=(1, 2)) / np.maximum(inside, 1), dtype=np.float64)


def reduction(mouth: StudyMouth, check: ScanCheck) -> dict[str, float] | None:
    """Give how the reduced view changes the noise-free error: mean in the degraded jaw, and in the sound one."""
    scan = mouth.scan
    if scan.error is None or scan.degraded is None or scan.jaw_region is None or not scan.degraded.any():
        return None
    volume, altered = scan.volume, reduced_view(scan.volume, check).volume
    contrast = bone_contrast(spectrum_of(mouth.acquisition), mouth.acquisition)
    error = scan.error.astype(np.float32)
    left = error - (volume.grey(volume.stored) - altered.grey(altered.stored)) / np.float32(contrast)
    bad = scan.degraded & scan.jaw_region & ~mouth.bodies
    sound = scan.jaw_region & ~scan.degraded & ~mouth.bodies
    return {
        "degraded_before": float(np.abs(error[bad]).mean()),
        "degraded_after": float(np.abs(left[bad]).mean()),
        "sound_before": float(np.abs(error[sound]).mean()),
        "sound_after": float(np.abs(left[sound]).mean()),
    }


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the options."""
    parser.add_argument("--mouths", type=int, default=20, help="simulated mouths; eight in twenty are not restored")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--coarse", action="store_true", help="voxels of 0.6 mm and 200 views: a third of the time")


@define
class Tally:
    """Everything counted so far."""

    pools: dict[str, Pool] = field(factory=lambda: {name: Pool() for name in (OURS, *BASELINES)})
    bodies: list[BodyCount] = field(factory=list)
    reductions: list[dict[str, float]] = field(factory=list)
    mouths: list[dict[str, Any]] = field(factory=list)

    def add(self, mouth: StudyMouth) -> None:
        """Check one mouth and count."""
        volume = mouth.scan.volume
        start = time.perf_counter()
        check = check_scan(volume)
        took = time.perf_counter() - start
        level = check.degradation
        full = np.zeros(volume.shape, np.float32) if level is None else level.astype(np.float32)
        _add(self.pools[OURS], mouth, full, np.asarray(check.slice_scores))
        for name, estimate in BASELINES.items():
            values = estimate(volume)
            _add(self.pools[name], mouth, values, _mean_in_region(values, mouth))
        self.bodies.append(count_bodies(mouth, check))
        changed = reduction(mouth, check)
        if changed is not None:
            self.reductions.append(changed)
        codes = sorted({finding.code for finding in check.findings})
        self.mouths.append({"kind": mouth.kind, "findings": codes, "check_s": round(took, 1)})

    def result(self) -> dict[str, Any]:
        """Give the counts."""
        estimates = {
            name: summary(pool, SLICE_DEGRADED_FROM if name == OURS else None) for name, pool in self.pools.items()
        }
        return {
            "mouths": len(self.mouths),
            "estimates": estimates,
            "targets": TARGETS,
            "chances": stated(self.pools[OURS]),
            "restorations": _bodies(self.bodies),
            "reduction": _reduction(self.reductions),
            "each": self.mouths,
        }


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Simulate, check and count."""
    tally = Tally()
    for number in range(args.mouths):
        start = time.perf_counter()
        mouth = study_mouth(kind_of(number), args.seed * 1000 + number, args.coarse)
        tally.add(mouth)
        print(f"{number + 1} of {args.mouths}: {mouth.kind}, {time.perf_counter() - start:.0f} s", file=sys.stderr)
    return tally.result() | {"seed": args.seed, "coarse": args.coarse}


def _bodies(counts: list[BodyCount]) -> dict[str, float]:
    there, found = sum(c.there for c in counts), sum(c.found for c in counts)
    named, right = sum(c.named for c in counts), sum(c.right for c in counts)
    stated = sum(c.stated for c in counts)
    return {
        "there": there,
        "found": found,
        "markers_there": sum(c.markers_there for c in counts),
        "markers_found": sum(c.markers_found for c in counts),
        "invented": sum(c.invented for c in counts),
        "kind_right_share": right / max(named, 1),
        "kind_stated_confidence": stated / max(named, 1),
    }


def _reduction(changes: list[dict[str, float]]) -> dict[str, float]:
    if not changes:
        return {}
    lower = [1.0 - c["degraded_after"] / c["degraded_before"] for c in changes]
    sound = [c["sound_after"] / max(c["sound_before"], 1e-6) - 1.0 for c in changes]
    return {
        "error_lowered_mean": float(np.mean(lower)),
        "error_lowered_worst_mouth": float(np.min(lower)),
        "sound_region_change_mean": float(np.mean(sound)),
        "sound_region_change_worst_mouth": float(np.max(sound)),
    }


def table(result: dict[str, Any]) -> str:
    """Give the study as text."""
    columns = list(TARGETS)
    settings = f", seed {result.get('seed')}{', coarse' if result.get('coarse') else ''}"
    lines = [f"{result['mouths']} mouths{settings}"]
    lines.append(f"{'':26}" + "".join(f"{name:>15}" for name in columns))
    for name, values in (*result["estimates"].items(), ("target", result["targets"])):
        lines.append(f"{name:26}" + "".join(f"{values[column]:15.3f}" for column in columns))
    lines.append(
        "stated chance (true): " + ", ".join(f"{r['stated']:.2f} ({r['true']:.2f})" for r in result["chances"])
    )
    for part in ("restorations", "reduction"):
        lines.append(part + ": " + ", ".join(f"{k} {v:.3g}" for k, v in result[part].items()))
    for kind in sorted({mouth["kind"].split()[-1] for mouth in result["each"]}):
        codes = [
            code for mouth in result["each"] if mouth["kind"].split()[-1] == kind for code in mouth["findings"]
        ]
        counts = {code: codes.count(code) for code in sorted(set(codes))}
        lines.append(f"{kind}: " + ", ".join(f"{code} {n}" for code, n in counts.items()))
    return "\n".join(lines)
