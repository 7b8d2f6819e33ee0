"""Proposals against a brute-force search over random analytic mouths.

`python -m tests.studies propose --sites 60 --seed S --json`. For each mouth the proposal's shape is placed at many
poses (a coarse grid, then a fine one round the best), each judged exactly. Where the brute force finds a pose that
keeps every margin, the proposal must keep them too, with a leeway over need within 5 % of the best found.
"""

from __future__ import annotations

import argparse
import time
from typing import Any

import numpy as np

from planner_core.planning.guide_inputs import GuideInputs
from planner_core.planning.obstacles import ObstacleKind
from planner_core.planning.proposal import propose
from planner_core.planning.site_search import ENOUGH, TILT_LIMIT_DEG, SiteSearch, leeway_over_need, search_frame
from tests.studies.mouths import Mouth, random_mouth

NAME = "propose"
WITHIN = 0.05


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the study's arguments."""
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--skip", type=int, default=0, help="leave out the first of the sites, to run in pieces")
    parser.add_argument("--minutes", type=float, default=0.0, help="stop then, and tell of the sites done")


def brute_force(mouth: Mouth, search: SiteSearch, shape: Any) -> tuple[float, float]:
    """Give (slack, leeway over need) of the best pose of a shape over a grid refined twice, judged exactly."""
    low, high = search.frame.bounds
    best: tuple[float, float, float, np.ndarray] = (-np.inf, -np.inf, -np.inf, (low + high) / 2.0)

    def look(x: np.ndarray) -> None:
        nonlocal best
        fixture = search.fixture(shape, x)
        if search.frame.lean_deg(fixture.pose) > TILT_LIMIT_DEG:
            return
        rows = search.rows(fixture)
        slack = min((r.distance_mm - r.margin_mm for r in rows), default=np.inf)
        if slack < 0.0:
            if slack > best[0] and best[1] < 0.0:
                best = (slack, slack, -np.inf, x)
            return
        _, budget = search.exact(fixture)
        ratio = min(leeway_over_need(budget.harms), ENOUGH)
        if ratio > best[0] or best[1] < 0.0:
            best = (ratio, slack, ratio, x)

    for a in np.linspace(-1.0, 1.0, 3):
        for f in np.linspace(-2.0, 2.0, 9):
            for ef in np.linspace(low[3], high[3], 5):
                for d in np.linspace(low[4], high[4], 4):
                    look(np.array([a, f, 0.5 * a, ef, d]))
    rng = np.random.default_rng(7)
    for reach in (0.8, 0.4, 0.2, 0.1):
        centre = best[3]
        for _ in range(150):
            look(np.clip(centre + reach * rng.uniform(-1.0, 1.0, 5), low, high))
            if best[1] >= 0.0:
                centre = best[3]
    return best[1], best[2]


def run(args: argparse.Namespace) -> dict[str, Any]:
    """Run the study and give its numbers."""
    rng = np.random.default_rng(args.seed)
    guide = GuideInputs()
    times, shortfalls, missed, legal, outside = [], [], 0, 0, 0
    begin, done = time.monotonic(), 0
    for number in range(args.sites):
        if args.minutes and time.monotonic() - begin > 60.0 * args.minutes:
            break
        mouth = random_mouth(rng)
        if number < args.skip:
            continue
        done += 1
        if done == 1:  # The first one may have to compile the kernels, once for all.
            propose(mouth.site, tooth=mouth.tooth, obstacles=mouth.obstacles, guide=guide)
        start = time.process_time()
        proposal = propose(mouth.site, tooth=mouth.tooth, obstacles=mouth.obstacles, guide=guide)
        times.append(time.process_time() - start)
        best = proposal.best
        surface = next(o.geometry for o in mouth.obstacles if o.kind == ObstacleKind.BONE_SURFACE)
        search = SiteSearch(search_frame(mouth.tooth, surface), mouth.obstacles, guide, None, {})
        slack, ratio = brute_force(mouth, search, best.fixture.shape)
        codes = {f.code for f in proposal.findings}
        leaves_bone = any(r.kind == ObstacleKind.BONE_SURFACE and r.distance_mm <= 0 for r in best.rows)
        outside += leaves_bone and "outside-bone" not in codes
        if slack >= 0.0:
            legal += 1
            if not best.keeps_margins:
                missed += 1
            else:
                shortfalls.append(1.0 - min(best.leeway_over_need, ENOUGH) / ratio)
    worst = max(shortfalls, default=0.0)
    return {
        "sites": done,
        "seed": args.seed,
        "skipped": args.skip,
        "sites_with_a_legal_pose": legal,
        "margins_broken_where_a_legal_pose_exists": missed,
        "leeway_shortfall_worst": worst,
        "leeway_shortfall_mean": float(np.mean(shortfalls)) if shortfalls else 0.0,
        "outside_bone_unsaid": int(outside),
        "seconds_cpu_median": float(np.median(times)),
        "seconds_cpu_worst": float(np.max(times)),
        "within_limits": bool(missed == 0 and worst <= WITHIN and outside == 0),
    }


def table(result: dict[str, Any]) -> str:
    """Give the result as a table for people."""
    rows = [
        ("sites, with a legal pose", f"{result['sites']}, {result['sites_with_a_legal_pose']}"),
        ("margins broken where a legal pose exists", str(result["margins_broken_where_a_legal_pose_exists"])),
        ("leeway less than brute force, worst", f"{100 * result['leeway_shortfall_worst']:.1f} %"),
        ("leeway less than brute force, mean", f"{100 * result['leeway_shortfall_mean']:.1f} %"),
        ("outside bone without saying so", str(result["outside_bone_unsaid"])),
        (
            "processor time, median and worst",
            f"{result['seconds_cpu_median']:.2f}, {result['seconds_cpu_worst']:.2f} s",
        ),
    ]
    return "\n".join(f"{name:<45}{value}" for name, value in rows)
