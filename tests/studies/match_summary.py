"""Tables of the match study: errors at the sites, refusals, and whether the stated error holds."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import Any

import numpy as np
from scipy.stats import beta, binom

WORST_OF = 200
"""Number of marker trials whose worst one is reported."""

STATED = 0.95

ROADS = (
    ("markers, full ceramic arch", "markers", "ceramic"),
    ("surface, full ceramic arch", "surface", "ceramic"),
    ("combined, full ceramic arch", "combined", "ceramic"),
    ("surface, clean mouth", "surface", "clean"),
    ("surface, streaked mouth", "surface", "streaked"),
)


def interval(hits: int, count: int) -> tuple[float, float]:
    """Give the exact 95 % interval of a share (Clopper & Pearson 1934)."""
    low = 0.0 if hits == 0 else float(beta.ppf(0.025, hits, count - hits + 1))
    high = 1.0 if hits == count else float(beta.ppf(0.975, hits + 1, count - hits))
    return low, high


def around_stated(count: float) -> tuple[float, float]:
    """Give where the share of `count` independent trials lies in 95 of 100 studies if 95 % is the truth (exact)."""
    whole = max(1, int(count))
    return tuple(float(binom.ppf(p, whole, STATED)) / whole for p in (0.025, 0.975))  # type: ignore[return-value]


def summary(rows: list[dict[str, Any]], trials: int, seed: int) -> dict[str, Any]:
    """Give the tables of the study."""
    result: dict[str, Any] = {
        "trials": trials,
        "done": len(rows),
        "seed": seed,
        "versions": sorted({row["version"] for row in rows}),
        "roads": {},
    }
    for name, road, kind in ROADS:
        mine = [
            {**row["roads"][road], "mouth": row["mouth"], "what": row["what"], "upper": row.get("upper", False)}
            for row in rows
            if row["kind"] == kind and road in row["roads"]
        ]
        if mine:
            result["roads"][name] = road_row(mine)
            result["roads"][name] |= forecast_row([row for row in rows if row["kind"] == kind], road)
    for kind in ("clean", "streaked"):
        peer = _against_peer([row for row in rows if row["kind"] == kind and row.get("peer_mm")])
        if peer:
            result[f"peer_{kind}"] = peer
    return result


def _against_peer(rows: list[dict[str, Any]]) -> dict[str, Any] | None:
    mine = [row for row in rows if "errors_mm" in row["roads"]["surface"]]
    if not mine:
        return None
    # The peer is given the better of its two surfaces over the whole study.
    peers = np.array([row["peer_mm"] for row in mine])
    best = int(np.argmin(np.median(peers, axis=0)))
    ours = np.array([max(row["roads"]["surface"]["errors_mm"]) for row in mine])
    return {
        "trials": len(mine),
        "ours_median_mm": float(np.median(ours)),
        "peer_median_mm": float(np.median(peers[:, best])),
        "ratio": float(np.median(ours) / np.median(peers[:, best])),
    }


def road_row(outcomes: list[dict[str, Any]]) -> dict[str, Any]:
    """Give the numbers of one road: errors of trusted matches, refusals, calibration of the stated error."""
    done = [o for o in outcomes if "errors_mm" in o]
    trusted = [o for o in done if o["trusted"]]
    errors = np.array([max(o["errors_mm"]) for o in trusted])
    row = {
        "trials": len(outcomes),
        "mouths": len({o["mouth"] for o in outcomes}),
        "refused_share": 1.0 - len(trusted) / max(1, len(outcomes)),
        "refusals": _counted(
            [r for o in outcomes if not o.get("trusted") for r in [*o.get("reasons", []), o.get("refused", "")]]
        ),
        "median_mm": None,
        "untrusted_median_mm": _median([max(o["errors_mm"]) for o in done if not o["trusted"]]),
    }
    if not trusted:
        return row
    return {
        **row,
        "median_mm": float(np.median(errors)),
        "p95_mm": float(np.quantile(errors, 0.95)),
        "worst_mm": float(errors.max()),
        "worst_of_200_mm": float(errors[:WORST_OF].max()),
        "trusted_beyond_half_mm": int((errors > 0.5).sum()),
        **calibration(trusted),
    }


def forecast_row(rows: list[dict[str, Any]], road: str) -> dict[str, Any]:
    """Compare the forecast of the table of roads with the errors that came: 95 % forecast, 95 % of the errors.

    Forecasts are of the whole arch, so that partial scans and scans with moved or missing markers are left out.
    """
    forecast = [p for r in rows if "forecast" in r for p in r["forecast"]["p95_mm"].get(road, [])]
    errors = [
        e
        for r in rows
        if r["what"] == "whole" and r["roads"].get(road, {}).get("trusted")
        for e in r["roads"][road]["errors_mm"]
    ]
    if not forecast or not errors:
        return {}
    happened = float(np.quantile(errors, 0.95))
    return {"forecast_p95_mm": float(np.mean(forecast)), "happened_p95_mm": happened}


def calibration(trusted: list[dict[str, Any]]) -> dict[str, Any]:
    """Say whether the stated 95 % error holds, one site of each trial in turn.

    Trials in one jaw share the errors that its streaks make, so that they are fewer than they look: the number of
    independent ones is taken from how much the jaws' own shares differ.
    """
    sites = [number % len(o["errors_mm"]) for number, o in enumerate(trusted)]
    inside = np.array([o["errors_mm"][k] <= o["stated_p95_mm"][k] for k, o in zip(sites, trusted, strict=True)])
    hits, count = int(inside.sum()), len(inside)
    by_jaw: dict[Any, list[bool]] = defaultdict(list)
    for o, one in zip(trusted, inside, strict=True):
        by_jaw[o["mouth"], o["upper"]].append(bool(one))
    every = [e <= s for o in trusted for e, s in zip(o["errors_mm"], o["stated_p95_mm"], strict=True)]
    independent = independent_count(list(by_jaw.values()))
    return {
        "inside_stated_p95": hits / count,
        "interval": interval(hits, count),
        "jaws": len(by_jaw),
        "independent": independent,
        "around_stated": around_stated(independent),
        "inside_all_sites": float(np.mean(every)),
        "mean_stated_p95_mm": float(np.mean([s for o in trusted for s in o["stated_p95_mm"]])),
        "squares_per_direction": float(np.mean([site_squares(o) for o in trusted])),
    }


def independent_count(groups: list[list[bool]]) -> float:
    """Give how many independent trials grouped ones amount to.

    Design effect of a ratio over groups (Kish 1965, Survey Sampling; M).
    """
    count = sum(len(g) for g in groups)
    share = sum(sum(g) for g in groups) / count
    expected = share * (1.0 - share) * count
    if len(groups) < 2 or expected <= 0:
        return float(count)
    between = sum((sum(g) - share * len(g)) ** 2 for g in groups) * len(groups) / (len(groups) - 1)
    return float(count / max(1.0, between / expected))


def site_squares(trial: dict[str, Any]) -> float:
    """Give squared error over stated variance, per direction, mean over sites: 1 where the covariance holds."""
    covariance, about = np.array(trial["covariance"]), np.array(trial["about_lps_mm"])
    total = []
    for away, site in zip(np.array(trial["away_mm"]), np.array(trial["sites_lps_mm"]), strict=True):
        x, y, z = site - about
        jacobian = np.hstack([np.array([[0, z, -y], [-z, 0, x], [y, -x, 0]]), np.eye(3)])
        total.append(float(away @ np.linalg.solve(jacobian @ covariance @ jacobian.T, away)) / 3.0)
    return float(np.mean(total))


def _median(values: list[float]) -> float | None:
    return float(np.median(values)) if values else None


def _counted(reasons: list[str]) -> dict[str, int]:
    """Count reasons by their beginning, numbers left out."""
    keys = (" ".join("#" if any(c.isdigit() for c in word) else word for word in r.split()[:9]) for r in reasons)
    return dict(Counter(key for key in keys if key))


def table(result: dict[str, Any]) -> str:
    """Give the result as text."""
    head = (
        f"{'road':28} {'n':>4} {'mouths':>6} {'median':>7} {'p95':>6} {'worst':>6} {'refused':>8} {'in 95 %':>8} "
        f"{'should be':>13} {'squares':>8}"
    )
    lines = [
        f"{result['done']} of {result['trials']} trials, seed {result['seed']}; errors in mm at entry and apex",
        head,
    ]
    if len(result["versions"]) > 1:
        lines.insert(0, f"Trials of {len(result['versions'])} versions of the code are mixed: use a fresh store.")
    for name, row in result["roads"].items():
        if row["median_mm"] is None:
            lines.append(f"{name:28} {row['trials']:4} {row['mouths']:6} refused all")
            continue
        low, high = row["around_stated"]
        lines.append(
            f"{name:28} {row['trials']:4} {row['mouths']:6} {row['median_mm']:7.3f} {row['p95_mm']:6.3f} "
            f"{row['worst_mm']:6.3f} {100 * row['refused_share']:7.1f}% {100 * row['inside_stated_p95']:7.1f}% "
            f"{100 * low:6.1f}-{100 * high:.1f}% {row['squares_per_direction']:8.2f}"
        )
    for kind in ("clean", "streaked"):
        if f"peer_{kind}" in result:
            peer = result[f"peer_{kind}"]
            lines.append(
                f"{kind}: ours {peer['ours_median_mm']:.3f}, point-to-plane ICP {peer['peer_median_mm']:.3f}, "
                f"ratio {peer['ratio']:.2f}, {peer['trials']} trials from one start"
            )
    for name, row in result["roads"].items():
        if "forecast_p95_mm" in row:
            lines.append(
                f"{name}: table of roads forecasts {row['forecast_p95_mm']:.3f} (95 %), "
                f"{row['happened_p95_mm']:.3f} came, ratio {row['forecast_p95_mm'] / row['happened_p95_mm']:.2f}"
            )
        lines += [f"{name}: {count} x {reason} ..." for reason, count in row["refusals"].items()]
    return "\n".join(lines)
