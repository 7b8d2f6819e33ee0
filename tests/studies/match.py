"""Accuracy of the roads that bring the scans together, and whether the stated error holds.

Simulated mouths (streaks by projection, not painted) with surface scans in frames of their own, turned up to 30
degrees and moved up to 20 mm; scanner noise, fresh volume noise, partial scans, moved and missing markers. The true
error is measured at entry and apex of the planned fixtures.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from typing import Any

import numpy as np
from scipy.stats import beta

from planner_core.errors import PlannerError
from planner_core.geometry.frames import RigidTransform, unit
from planner_core.progress import Progress, part_of, silent
from planner_core.registration.combine import combine_matches
from planner_core.registration.marker_match import match_markers
from planner_core.registration.match import Match
from planner_core.registration.rigid_fit import moved_by
from planner_core.registration.surface_match import match_surface
from tests.studies.match_mouths import Kind, StudyMouth, StudyScan, make_mouth, make_scan, with_noise
from tests.studies.match_peer import peer_match, peer_target

NAME = "match"

TRIALS_PER_MOUTH = 25
"""Trials that share a simulated mouth (a simulation takes up to a minute)."""

START_MM, START_DEG = 1.5, 3.0
"""How far the start common to ours and to the peer is off: three clicks on teeth."""

WORST_OF = 200
"""Number of marker trials whose worst one is reported."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study's own arguments."""
    parser.add_argument(
        "--trials", type=int, default=60, help="trials in all, a third of them on each kind of mouth"
    )
    parser.add_argument("--seed", type=int, default=1)


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Run the study and give its tables as data."""
    return study(args.trials, args.seed)


def study(
    trials: int, seed: int, progress: Progress = silent, mouths: Callable[[Kind, int], StudyMouth] = make_mouth
) -> dict[str, Any]:
    """Run `trials` trials; `mouths` makes the mouth of a kind and seed."""
    rows: list[dict[str, Any]] = []
    kinds: tuple[Kind, ...] = ("ceramic", "clean", "streaked")
    each = max(1, trials // len(kinds))
    for number, kind in enumerate(kinds):
        share = part_of(progress, number / len(kinds), (number + 1) / len(kinds))
        for first in range(0, each, TRIALS_PER_MOUTH):
            share(first / each, kind)
            mouth = mouths(kind, seed * 1000 + first // TRIALS_PER_MOUTH)
            for trial in range(first, min(each, first + TRIALS_PER_MOUTH)):
                rng = np.random.default_rng([seed, number, trial])
                rows.append(one_trial(mouth, rng, trial))
    return summary(rows, trials, seed)


def one_trial(mouth: StudyMouth, rng: np.random.Generator, trial: int) -> dict[str, Any]:
    """Run one trial on a mouth."""
    sites = mouth.sites_lps_mm()
    volume = with_noise(mouth.volume, rng)
    if mouth.kind == "ceramic":
        scan = make_scan(mouth, ("whole", "moved", "missing", "partial")[trial % 4], rng)
        markers = _marker_trial(mouth, volume, scan, sites)
        surface = _surface_trial(mouth, volume, scan, sites) if trial % 4 == 0 else {}
        return {
            "kind": mouth.kind,
            "what": scan.what,
            "markers": markers,
            **surface,
            **_joint(markers, surface, scan, sites),
        }
    scan = make_scan(mouth, "partial" if trial % 4 == 3 else "whole", rng)
    row: dict[str, Any] = {"kind": mouth.kind, "what": scan.what, **_surface_trial(mouth, volume, scan, sites)}
    start = _start(scan, rng)
    near = _outcome(
        lambda: (
            match_surface(
                volume, scan.surface, start=start, sites_lps_mm=sites, degradation=mouth.check.level_at
            ).match
        ),
        scan,
        sites,
    )
    row["from_start"] = near
    target = peer_target(volume, scan.lps_from_surface.apply(scan.surface.points_mm))
    row["peer_mm"] = [_worst(pose, scan, sites) for pose in peer_match(target, scan.surface, start)]
    return row


def _marker_trial(mouth: StudyMouth, volume: Any, scan: StudyScan, sites: np.ndarray) -> dict[str, Any]:
    return _outcome(
        lambda: match_markers(volume, scan.surface, sites_lps_mm=sites, degradation=mouth.check.level_at).match,
        scan,
        sites,
    )


def _surface_trial(mouth: StudyMouth, volume: Any, scan: StudyScan, sites: np.ndarray) -> dict[str, Any]:
    return {
        "surface": _outcome(
            lambda: (
                match_surface(
                    volume, scan.surface, jaw_up=1.0, sites_lps_mm=sites, degradation=mouth.check.level_at
                ).match
            ),
            scan,
            sites,
        )
    }


def _joint(markers: dict[str, Any], surface: dict[str, Any], scan: StudyScan, sites: np.ndarray) -> dict[str, Any]:
    """Combine both matches of a trial where both were made."""
    ours = surface.get("surface", {})
    if "match" not in markers or "match" not in ours:
        return {}
    return {"combined": _outcome(lambda: combine_matches(ours["match"], markers["match"], sites), scan, sites)}


def _start(scan: StudyScan, rng: np.random.Generator) -> RigidTransform:
    """Give the true pose, turned and moved as three clicks leave it."""
    middle = scan.lps_from_surface.apply(scan.surface.points_mm.mean(axis=0))
    turn = unit(rng.standard_normal(3)) * np.radians(START_DEG) * rng.uniform(0.3, 1.0)
    shift = unit(rng.standard_normal(3)) * START_MM * rng.uniform(0.3, 1.0)
    return moved_by(scan.lps_from_surface, np.concatenate([turn, shift]), middle)


def _outcome(work: Callable[[], Match], scan: StudyScan, sites: np.ndarray) -> dict[str, Any]:
    """Run a match and compare it with the truth at the sites."""
    try:
        match = work()
    except PlannerError as refusal:
        return {"refused": refusal.message}
    inverse = scan.lps_from_surface.inverse()
    errors = np.linalg.norm(match.lps_from_surface.apply(inverse.apply(sites)) - sites, axis=1)
    stated = np.array([match.expected_p95_mm(site) for site in sites])
    return {
        "match": match,
        "error_mm": float(errors.max()),
        "errors_mm": errors.tolist(),
        "stated_p95_mm": stated.tolist(),
        "trusted": match.trusted,
        "reasons": list(match.reasons),
        "used_share": match.used_share,
    }


def _worst(pose: RigidTransform, scan: StudyScan, sites: np.ndarray) -> float:
    inverse = scan.lps_from_surface.inverse()
    return float(np.linalg.norm(pose.apply(inverse.apply(sites)) - sites, axis=1).max())


def interval(hits: int, count: int) -> tuple[float, float]:
    """Give the exact 95 % interval of a share (Clopper & Pearson 1934)."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, count - hits + 1))
    high = 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))
    return low, high


def summary(rows: list[dict[str, Any]], trials: int, seed: int) -> dict[str, Any]:
    """Give the tables of the study."""
    roads = {
        "markers, full ceramic arch": [r["markers"] for r in rows if r["kind"] == "ceramic"],
        "surface, full ceramic arch": [r["surface"] for r in rows if r["kind"] == "ceramic" and "surface" in r],
        "combined, full ceramic arch": [r["combined"] for r in rows if "combined" in r],
        "surface, clean mouth": [r["surface"] for r in rows if r["kind"] == "clean"],
        "surface, streaked mouth": [r["surface"] for r in rows if r["kind"] == "streaked"],
        "surface, streaked mouth, from the start": [r["from_start"] for r in rows if r["kind"] == "streaked"],
    }
    result: dict[str, Any] = {
        "trials": trials,
        "seed": seed,
        "roads": {k: road_row(v) for k, v in roads.items() if v},
    }
    for kind in ("clean", "streaked"):
        mine = [r for r in rows if r["kind"] == kind and r["peer_mm"] and "error_mm" in r["from_start"]]
        if mine:
            # The peer is given the better of its two surfaces over the whole study.
            peers = np.array([r["peer_mm"] for r in mine])
            best = int(np.argmin(np.median(peers, axis=0)))
            ours = np.array([r["from_start"]["error_mm"] for r in mine])
            result[f"peer_{kind}"] = {
                "ours_median_mm": float(np.median(ours)),
                "peer_median_mm": float(np.median(peers[:, best])),
                "ratio": float(np.median(ours) / np.median(peers[:, best])),
            }
    return result


def road_row(outcomes: list[dict[str, Any]]) -> dict[str, Any]:
    """Give the numbers of one road: errors of trusted matches, refusals, calibration of the stated error."""
    done = [o for o in outcomes if "error_mm" in o]
    trusted = [o for o in done if o["trusted"]]
    errors = np.array([o["error_mm"] for o in trusted])
    per_trial = [i % len(o["errors_mm"]) for i, o in enumerate(trusted)]
    hits = sum(o["errors_mm"][k] <= o["stated_p95_mm"][k] for k, o in zip(per_trial, trusted, strict=True))
    low, high = interval(hits, len(trusted)) if trusted else (0.0, 1.0)
    sites = [e <= s for o in trusted for e, s in zip(o["errors_mm"], o["stated_p95_mm"], strict=True)]
    return {
        "trials": len(outcomes),
        "refused_share": 1.0 - len(trusted) / max(1, len(outcomes)),
        "median_mm": float(np.median(errors)) if len(errors) else None,
        "p95_mm": float(np.quantile(errors, 0.95)) if len(errors) else None,
        "worst_mm": float(errors.max()) if len(errors) else None,
        "worst_of_200_mm": float(errors[:WORST_OF].max()) if len(errors) else None,
        "trusted_beyond_half_mm": int((errors > 0.5).sum()),
        "inside_stated_p95": hits / max(1, len(trusted)),
        "interval": [low, high],
        "inside_all_sites": float(np.mean(sites)) if sites else None,
        "mean_stated_p95_mm": float(np.mean([s for o in trusted for s in o["stated_p95_mm"]])) if trusted else None,
        "untrusted_median_mm": _median([o["error_mm"] for o in done if not o["trusted"]]),
        "refusals": _counted(
            [r for o in outcomes if not o.get("trusted") for r in [*o.get("reasons", []), o.get("refused", "")]]
        ),
    }


def _median(values: list[float]) -> float | None:
    return float(np.median(values)) if values else None


def _counted(reasons: list[str]) -> dict[str, int]:
    """Count reasons by their beginning, numbers left out."""
    counts: dict[str, int] = {}
    for reason in reasons:
        key = " ".join("#" if any(c.isdigit() for c in word) else word for word in reason.split()[:9])
        if key:
            counts[key] = counts.get(key, 0) + 1
    return counts


def table(result: dict[str, Any]) -> str:
    """Give the result as text."""
    head = f"{'road':44} {'n':>4} {'median':>7} {'p95':>6} {'worst':>6} {'refused':>8} {'in 95 %':>8}  interval"
    lines = [f"{result['trials']} trials, seed {result['seed']}; errors in mm at entry and apex", head]
    for name, row in result["roads"].items():
        if row["median_mm"] is None:
            lines.append(f"{name:44} {row['trials']:4} refused all")
            continue
        low, high = row["interval"]
        lines.append(
            f"{name:44} {row['trials']:4} {row['median_mm']:7.3f} {row['p95_mm']:6.3f} {row['worst_mm']:6.3f} "
            f"{100 * row['refused_share']:7.1f}% {100 * row['inside_stated_p95']:7.1f}%  "
            f"{100 * low:.1f}-{100 * high:.1f}%"
        )
    for kind in ("clean", "streaked"):
        if f"peer_{kind}" in result:
            peer = result[f"peer_{kind}"]
            lines.append(
                f"{kind}: ours {peer['ours_median_mm']:.3f}, point-to-plane ICP {peer['peer_median_mm']:.3f}, "
                f"ratio {peer['ratio']:.2f}"
            )
    return "\n".join(lines)
