"""Accuracy of arch, canal, ridge and roots on simulated jaws, and whether the stated uncertainty holds.

Half of the mouths carry restorations and are scanned by simulated physics (streaks and all); the others are free of
them, on grey scales of their own. Clicks carry the error of a hand-set point.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from planner_core.anatomy.arch_proposal import propose_arch
from planner_core.anatomy.canal_trace import trace_canal
from planner_core.anatomy.ridge import ridge_at
from planner_core.anatomy.structures import Canal, Jaw
from planner_core.anatomy.teeth import could_be_tooth, size_doubt, tooth_block, tooth_mask
from planner_core.anatomy.tooth_sizes import tooth_size
from planner_core.errors import PlannerError
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent
from tests.studies import anatomy_mouths as mouths

NAME = "anatomy"

CLICKS = 3
"""Clicks on each canal: foramen, middle, back."""

TEETH = 3
"""Teeth cut out per mouth."""

COVER_2D = 2.4477
"""Radius of the 95 % circle of a two-dimensional normal law, in standard deviations."""

TARGETS = {
    "canal_mean_mm": 0.3,
    "canal_max_outside_streaks_mm": 1.0,
    "ridge_width_mm": 0.3,
    "ridge_height_mm": 0.5,
    "root_dice": 0.9,
    "arch_within_1_mm": 0.95,
    "coverage": (0.90, 0.99),
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study's own arguments."""
    parser.add_argument("--phantoms", type=int, default=40, help="mouths in all, half of them with restorations")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--mouths", type=Path, help="folder in which the mouths are kept, for a study in pieces")
    parser.add_argument("--only-make", action="store_true", help="make and keep the mouths, measure nothing")
    parser.add_argument(
        "--quick", action="store_true", help="only mouths without restorations, by blur and noise alone (seconds)"
    )


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Run the study and give its tables as data."""
    return study(args.phantoms, args.seed, args.quick, folder=args.mouths, only_make=args.only_make)


def study(
    phantoms: int,
    seed: int,
    quick: bool = False,
    progress: Progress = silent,
    folder: Path | None = None,
    only_make: bool = False,
) -> dict[str, Any]:
    """Measure `phantoms` mouths."""
    rows: list[dict[str, Any]] = []
    for k in range(phantoms):
        progress(k / phantoms, f"mouth {k + 1} of {phantoms}")
        mouth = mouths.kept_mouth(seed * 1000 + k, not quick and k % 2 == 1, folder, quick)
        if not only_make:
            rows.append(one_mouth(mouth))
    return {"phantoms": phantoms, "seed": seed, "targets": TARGETS, **summary(rows)}


def one_mouth(mouth: mouths.StudyMouth) -> dict[str, Any]:
    """Measure one mouth."""
    rng = np.random.default_rng([mouth.seed, 77])
    levels = calibrate_grey(mouth.volume)
    canals, canal_rows = _canals(mouth, levels, rng)
    return {
        "seed": mouth.seed,
        "restored": mouth.restored,
        "arch": _arch(mouth, levels),
        "canals": canal_rows,
        "ridge": _ridges(mouth, levels, canals),
        "teeth": _teeth(mouth, levels, rng),
    }


def _arch(mouth: mouths.StudyMouth, levels: GreyLevels) -> dict[str, Any]:
    jaw, scene = mouth.scene.lower, mouth.scene
    numbers = [iso for iso in jaw.places if iso % 10 <= 7]
    stations = np.array([jaw.places[iso] for iso in numbers])
    row = scene.lps_from_scene.apply(np.column_stack([jaw.curve.at(stations), np.full(len(stations), -9.0)]))
    inside = np.array([mouth.volume.contains(point + np.diag([3.0] * 3)).all() for point in row])
    started = time.perf_counter()
    try:
        arch = propose_arch(mouth.volume, Jaw.LOWER, levels=levels).arch
    except PlannerError as refusal:
        return {"refused": str(refusal), "teeth": int(inside.sum()), "errors_mm": []}
    up = scene.lps_from_scene.apply_direction([0.0, 0.0, 1.0])
    offset = arch.curve_lps_mm[None] - row[inside][:, None]
    offset -= (offset @ up)[..., None] * up
    errors = np.linalg.norm(offset, axis=2).min(axis=1)
    return {
        "teeth": int(inside.sum()),
        "errors_mm": [round(float(e), 3) for e in errors],
        "up_error_deg": round(float(np.degrees(np.arccos(np.clip(arch.up_lps @ up, -1, 1)))), 2),
        "seconds": round(time.perf_counter() - started, 2),
    }


def _canals(
    mouth: mouths.StudyMouth, levels: GreyLevels, rng: np.random.Generator
) -> tuple[list[Canal], list[dict[str, Any]]]:
    canals, rows = [], []
    for side, (line, diameter) in mouths.true_canals(mouth).items():
        clicks = mouths.clicks_on(line, rng, CLICKS)
        started, busy = time.perf_counter(), time.process_time()
        canal = trace_canal(mouth.volume, side, clicks, levels=levels, degradation=mouth.check)
        seconds, processor = time.perf_counter() - started, time.process_time() - busy
        # Ends reach past the true line by the clicks' error: they are not counted against it.
        error, nearest = cKDTree(line).query(canal.path_lps_mm)
        inner = (nearest > 10) & (nearest < len(line) - 10)
        clear = inner & ~mouth.streaked(canal.path_lps_mm)
        rows.append(
            {
                "side": side.value,
                "mean_mm": float(error[inner].mean()),
                "max_mm": float(error[inner].max()),
                "max_outside_streaks_mm": float(error[clear].max(initial=0.0)),
                "max_certain_mm": float(error[inner & canal.certain].max(initial=0.0)),
                "certain": float(canal.certain[inner].mean()),
                "covered": float((error[inner] <= COVER_2D * canal.sigma_mm[inner]).mean()),
                "z2_mean": float(((error[inner] / canal.sigma_mm[inner]) ** 2).mean() / 2.0),
                "diameter_error_mm": float(np.median(canal.diameter_mm) - diameter),
                "seconds": seconds,
                "processor_seconds": processor,
            }
        )
        canals.append(canal)
    return canals, rows


def _ridges(mouth: mouths.StudyMouth, levels: GreyLevels, canals: list[Canal]) -> list[dict[str, Any]]:
    arch, rows = mouths.true_arch(mouth), []
    jaw = mouth.scene.lower
    present = {tooth.iso for tooth in jaw.teeth if tooth.present}
    bridged = {iso for body in mouth.scene.bodies for iso in body.teeth}
    for iso, place in jaw.places.items():
        if iso in present or iso % 10 > 7 or iso in bridged:
            continue
        middle = mouth.scene.lps_from_scene.apply(np.append(jaw.curve.at(place), -9.0))
        ridge = ridge_at(
            mouth.volume, arch, arch.station_of(middle), canals=canals, levels=levels, degradation=mouth.check
        )
        truth = mouths.true_section(mouth, ridge)
        row: dict[str, Any] = {"site": iso, "reasons": dict(ridge.reasons), "widths": {}}
        if truth is not None and ridge.crest_lps_mm is not None and ridge.outline is not None:
            crest = float(ridge.outline.to_plane(ridge.crest_lps_mm)[1])
            row["crest_error_mm"] = crest - truth[0]
            for depth, width in ridge.width_mm.items():
                if width is not None and depth in truth[1]:
                    row["widths"][depth] = (width - truth[1][depth], ridge.width_sigma_mm[depth])
            top = mouths.true_canal_top(mouth, ridge)
            row["height_refused"] = ridge.height_to == "canal" and ridge.height_mm is None
            if ridge.height_to == "canal" and ridge.height_mm is not None and top is not None:
                row["height"] = (ridge.height_mm - (truth[0] - top), ridge.height_sigma_mm)
        rows.append(row)
    return rows


def _teeth(mouth: mouths.StudyMouth, levels: GreyLevels, rng: np.random.Generator) -> list[dict[str, Any]]:
    arch, rows = mouths.true_arch(mouth), []
    restored = {iso for body in mouth.scene.bodies for iso in body.teeth}
    present = [t.iso for t in mouth.scene.lower.teeth if t.present and t.iso % 10 <= 7]
    for iso in rng.permutation(present)[:TEETH]:
        matrix = mouth.scene.lower.tooth(int(iso)).jaw_from_tooth
        point = mouth.scene.lps_from_scene.apply((matrix @ [0.0, 0.0, 0.5, 1.0])[:3])
        click = point + rng.normal(0, mouths.CLICK_SD_MM, 3)
        if not mouth.volume.contains(click[None] + np.diag([9.0] * 3)).all():
            continue
        size = tooth_size(str(iso))
        block = tooth_block(mouth.volume, arch, click, size, levels)
        mask = tooth_mask(block, size, click[None], np.zeros((0, 3)), levels, degradation=mouth.check)
        row: dict[str, Any] = {"site": int(iso), "restored": int(iso) in restored}
        rows.append(row)
        # What the program would refuse to give, or gives with a doubt, counts apart.
        row["refused"] = not could_be_tooth(mask, size)
        row["doubted"] = size_doubt(str(iso), mask, size) is not None
        if not row["refused"]:
            row["root_dice"], row["crown_dice"] = mouths.tooth_dice(mouth, int(iso), block, mask)
    return rows


def _numbers(values: list[float]) -> dict[str, float]:
    if not values:
        return {"n": 0}
    array = np.array(values)
    return {
        "n": len(array),
        "mean": round(float(array.mean()), 3),
        "p95": round(float(np.quantile(array, 0.95)), 3),
        "max": round(float(array.max()), 3),
        "min": round(float(array.min()), 3),
    }


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Give the tables for all mouths, and with and without restorations apart."""
    out: dict[str, Any] = {}
    for name, part in (
        ("all", rows),
        ("plain", [row for row in rows if not row["restored"]]),
        ("restored", [row for row in rows if row["restored"]]),
    ):
        if part:
            out[name] = _part(part)
    out["mouths"] = rows
    return out


def _part(rows: list[dict[str, Any]]) -> dict[str, Any]:
    canals = [canal for row in rows for canal in row["canals"]]
    ridges = [ridge for row in rows for ridge in row["ridge"]]
    widths = [pair for ridge in ridges for pair in ridge["widths"].values()]
    heights = [ridge["height"] for ridge in ridges if "height" in ridge]
    all_teeth = [tooth for row in rows for tooth in row["teeth"]]
    teeth = [tooth for tooth in all_teeth if not tooth["refused"]]
    asked = 4 * len(ridges)
    arch = [error for row in rows for error in row["arch"]["errors_mm"]]
    lost = sum(row["arch"]["teeth"] for row in rows if "refused" in row["arch"])
    lengths = [canal["certain"] for canal in canals]
    return {
        "canal_mean_mm": _numbers([canal["mean_mm"] for canal in canals]),
        "canal_max_outside_streaks_mm": _numbers([canal["max_outside_streaks_mm"] for canal in canals]),
        "canal_max_certain_mm": _numbers([canal["max_certain_mm"] for canal in canals]),
        "canal_certain_share": _numbers(lengths),
        "canal_coverage": _numbers([canal["covered"] for canal in canals]),
        "canal_diameter_error_mm": _numbers([abs(canal["diameter_error_mm"]) for canal in canals]),
        "canal_seconds": _numbers([canal["seconds"] for canal in canals]),
        "canal_processor_seconds": _numbers([canal["processor_seconds"] for canal in canals]),
        "ridge_sites": len(ridges),
        "ridge_widths_refused": round(1.0 - len(widths) / max(1, asked), 3),
        "ridge_width_within_0_3": _within(widths, 0.3),
        "ridge_width_error_mm": _numbers([abs(error) for error, _ in widths]),
        "ridge_width_coverage": _covered(widths),
        "ridge_heights_refused": sum(ridge.get("height_refused", False) for ridge in ridges),
        "ridge_height_within_0_5": _within(heights, 0.5),
        "ridge_height_error_mm": _numbers([abs(error) for error, _ in heights]),
        "ridge_height_coverage": _covered(heights),
        "crest_error_mm": _numbers([abs(ridge["crest_error_mm"]) for ridge in ridges if "crest_error_mm" in ridge]),
        "teeth_refused": round(1.0 - len(teeth) / max(1, len(all_teeth)), 3),
        "teeth_doubted": round(float(np.mean([tooth["doubted"] for tooth in teeth])), 3) if teeth else None,
        "root_dice_share_0_9": round(float(np.mean([t["root_dice"] >= 0.9 for t in teeth])), 3) if teeth else None,
        "root_dice": _numbers([tooth["root_dice"] for tooth in teeth]),
        "root_dice_under_restorations": _numbers([t["root_dice"] for t in teeth if t["restored"]]),
        "crown_dice": _numbers([tooth["crown_dice"] for tooth in teeth if not tooth["restored"]]),
        "arch_error_mm": _numbers(arch),
        "arch_within_1_mm": round(float(np.sum(np.array(arch) <= 1.0)) / max(1, len(arch) + lost), 3),
        "arch_refused": sum("refused" in row["arch"] for row in rows),
    }


def _within(pairs: list[tuple[float, float]], limit: float) -> float | None:
    """Share of errors within a limit."""
    return round(float(np.mean([abs(error) <= limit for error, _ in pairs])), 3) if pairs else None


def _covered(pairs: list[tuple[float, float]]) -> float | None:
    """Share of errors inside 1.96 standard deviations."""
    if not pairs:
        return None
    return round(float(np.mean([abs(error) <= 1.96 * sigma for error, sigma in pairs])), 3)


def table(result: dict[str, Any]) -> str:
    """Give the result as text."""
    parts = [name for name in ("all", "plain", "restored") if name in result]
    lines = [f"{result['phantoms']} mouths, seed {result['seed']}; targets {result['targets']}", ""]
    for key in result[parts[0]]:
        cells = []
        for name in parts:
            value = result[name][key]
            if isinstance(value, dict):
                shown = ("mean", "p95", "max", "n") if "dice" not in key else ("mean", "min", "n")
                value = " ".join(f"{word} {value[word]:g}" for word in shown if word in value)
            cells.append(f"{name}: {value}")
        lines.append(f"{key:32s} " + "   ".join(cells))
    return "\n".join(lines)
