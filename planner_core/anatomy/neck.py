"""The middle of the tooth row at a station: of the neck where a tooth stands, of the crest where none does."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.edges import enamel_from
from planner_core.anatomy.outline import jaw_frame
from planner_core.anatomy.sections import sample_section
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

SLAB_MM = 1.0
PIXEL_MM = 0.4
ACROSS_MM = 9.0
"""Hard tissue further than this from the curve is not the ridge, mm (our choice)."""

CREST_DEPTH_MM = 2.0
"""Depth below the crest at which a toothless ridge's middle is taken, mm (our choice: past the crest's
rounding)."""

TALLEST_MM = 13.0
"""Hard tissue higher than this over the curve belongs to the opposing jaw, mm (the tallest crowns are 11 to 12 mm;
M)."""

EDGE_MM = 7.0
"""Sections whose middle lies closer than this to the edge of the scan are not read, mm (our choice: half a
ridge)."""

BITE_REACH_MM = 3.5
"""The jaws meet within this of the plane between their rows of crowns, mm (the occlusal curve rises and falls by
1 to 3 mm; M)."""

HARD_SHARES, WELL_FOUNDED = (0.45, 0.3), 0.5
"""Shares of the soft-to-bone step from which tissue is hard: the next one is tried where the first founds a middle
by no more than this weight, since a thin plate that it misses leaves half a bone (our choice, as the outline)."""

ABOVE_NECK_MM, BELOW_NECK_MM = 2.5, 7.0
"""Heights over and under the neck or crest whose middles make the middle there, mm (our choice: the bone below is
what the streaks of crowns reach least)."""

FULL_WIDTH, WIDTH_POWER = 0.65, 3.0
LEAST_WIDE_MM, MOST_WIDE_MM = 3.0, 16.0
"""A row narrower than this share of the usual width counts by this power of it, and only between these widths at
all, mm (our choice: an incisor is two thirds as wide as its bone; teeth and ridges are 4 to 14 mm wide; M)."""

WIDER_THAN_BONE = 1.15
"""A crown wider than the bone under it by this factor is streaked and counts less (our choice)."""

BRIGHT_SHARE = 0.5
"""Enamel and restorations that span this share of a row are the crown there (our choice: a root filling or a
fixture spans less of its bone)."""

MARROW_MM = 9.0
"""Plates no further apart than this are those of one bone, mm (the widest ridge less its plates; M)."""

FULL_SHARE, FULL_POWER = 0.65, 3.0
"""A middle of whose rows the first share counts is fully founded; below that its weight falls by the second power
of what counts (our choice, tests/studies anatomy: neighbours know better than half a crown)."""

NECK_MM, DEEP_WEIGHT = 2.0, 0.5
"""Rows deeper than the first under the neck count by the second (our choice)."""

SCATTER_MM, LEAN_COST = 0.5, 2.0
"""A row off the line by the first (mm) counts half; the second holds back how fast the middle moves with height
(our choice: ten rows 2 mm off the neck)."""

CROWN_LEAST_MM, FRONT_CROWN_MM, NECK_WITHIN_MM = 6.0, 9.0, 9.0
CROWN_MOST_MM = 13.0
"""A bulge lies within the first of the top of the tooth, mm; where nothing narrows below it is a front tooth, whose
crown is as high as the second; a neck lies within the third of the bulge, a crown with its neck within the last of
the top (crowns are 7 to 11 mm high, lower front ones 9; M)."""


def station_middles(
    volume: Volume,
    arch: ArchCurve,
    stations_mm: FloatArray,
    levels: GreyLevels,
    bite: tuple[FloatArray, FloatArray] | None = None,
    level: bool = False,
) -> tuple[FloatArray, NDArray[np.str_]]:
    """Give the middle (mm outward, mm up over the curve) and its weight (0..1) at each station, shape (n, 3).

    What it belongs to comes second.

    The kinds are ``"teeth"``, ``"ridge"`` and ``"neighbours"`` (nothing was found: zero is given). `bite` is a
    point and the normal of the plane in which the jaws meet. `level` says that the curve already runs at the
    necks' height: the middles are then taken there.
    """
    middles, kinds = np.zeros((len(stations_mm), 3)), []
    for k, station in enumerate(stations_mm):
        found = _middle_at(volume, arch, float(station), levels, bite, level)
        kinds.append("neighbours" if found is None else found[1])
        middles[k] = (0.0, 0.0, 0.0) if found is None else found[0]
    return middles, np.array(kinds)


def _middle_at(
    volume: Volume,
    arch: ArchCurve,
    station_mm: float,
    levels: GreyLevels,
    bite: tuple[FloatArray, FloatArray] | None,
    level: bool,
) -> tuple[tuple[float, float, float], str] | None:
    frame = jaw_frame(arch, station_mm)
    frame = type(frame)(
        frame.origin_lps_mm, frame.right_lps, frame.down_lps, frame.width_mm, frame.height_mm, PIXEL_MM
    )
    picture = sample_section(volume, frame, SLAB_MM)
    outside = np.isnan(picture)
    middle = frame.to_pixel(arch.point_at(station_mm))[:2]
    window = [slice(max(0, round(m - EDGE_MM / PIXEL_MM)), round(m + EDGE_MM / PIXEL_MM) + 1) for m in middle]
    if outside.mean() > 0.8 or outside[tuple(window)].mean() > 0.15:
        return None
    picture = np.nan_to_num(picture, nan=levels.air)
    base = frame.to_pixel(arch.point_at(station_mm))
    up_mm = (base[0] - np.arange(picture.shape[0])) * PIXEL_MM
    out_mm = (np.arange(picture.shape[1]) - base[1]) * PIXEL_MM
    if arch.jaw is Jaw.UPPER:
        picture, up_mm = picture[::-1], -up_mm[::-1]
    sign = 1.0 if arch.jaw is Jaw.LOWER else -1.0
    bite_mm = None if bite is None else sign * float((bite[0] - arch.point_at(station_mm)) @ bite[1])
    bright = picture > enamel_from(levels)
    smooth = ndimage.gaussian_filter(picture, 0.7)
    best: tuple[tuple[float, float, float], str] | None = None
    for share in HARD_SHARES:
        hard = smooth > levels.soft_tissue + share * (levels.bone - levels.soft_tissue)
        body = _own_body(hard, up_mm, out_mm, bite_mm)
        found = None if body is None else _neck_or_crest(body, bright & body, up_mm, out_mm, level)
        if found is not None and (best is None or found[0][2] > best[0][2]):
            best = found
        if best is not None and best[0][2] > WELL_FOUNDED:
            break
    return None if best is None else ((best[0][0], sign * best[0][1], best[0][2]), best[1])


def _own_body(
    hard: NDArray[np.bool_], up_mm: FloatArray, out_mm: FloatArray, bite_mm: float | None
) -> NDArray[np.bool_] | None:
    """Give the piece of hard tissue that reaches from near the curve downwards, marrow filled."""
    if bite_mm is not None:
        hard = _below_bite(hard, up_mm, out_mm, (bite_mm - BITE_REACH_MM, bite_mm + BITE_REACH_MM))
    pieces, count = ndimage.label(hard)
    if count == 0:
        return None
    near = (
        np.exp(-((out_mm / 6.0) ** 2))[None, :] * np.exp(-((up_mm / 14.0) ** 2))[:, None] * (up_mm < 6.0)[:, None]
    )
    score = ndimage.sum_labels(np.broadcast_to(near, hard.shape), pieces, np.arange(1, count + 1))
    best = int(np.argmax(score)) + 1
    body = pieces == best
    if body.sum() * PIXEL_MM**2 < 20.0:
        return None
    # A bridge's pontic over a ridge is the nearer piece; the bone under it is the one that goes deep.
    for other in np.argsort(-np.asarray(score))[:3] + 1:
        if other != best and score[other - 1] > 0.2 * score[best - 1]:
            deep = up_mm[np.flatnonzero((pieces == other).any(axis=1))].min()
            if deep < up_mm[np.flatnonzero(body.any(axis=1))].min() - 8.0:
                body = pieces == other
    if bite_mm is None:
        body = _below_bite(body, up_mm, out_mm, (3.0, TALLEST_MM))
    closed = ndimage.binary_closing(np.pad(body, 6), iterations=4)[6:-6, 6:-6]
    return np.asarray(ndimage.binary_fill_holes(closed | body))


def _below_bite(
    body: NDArray[np.bool_], up_mm: FloatArray, out_mm: FloatArray, between_mm: tuple[float, float]
) -> NDArray[np.bool_]:
    """Cut off the opposing teeth: at the scarcest row of the heights between which the jaws can meet."""
    low, high = between_mm
    if not body[up_mm > high].any():
        return body
    count = ndimage.gaussian_filter1d(body[:, np.abs(out_mm) < ACROSS_MM].sum(axis=1).astype(np.float64), 1.0)
    score = np.where((up_mm > low) & (up_mm < high), count, np.inf)
    if not np.isfinite(score).any():
        return body
    cut = body.copy()
    cut[up_mm >= up_mm[int(np.argmin(score))]] = False
    return cut


def _neck_or_crest(
    body: NDArray[np.bool_], bright: NDArray[np.bool_], up_mm: FloatArray, out_mm: FloatArray, level: bool
) -> tuple[tuple[float, float, float], str] | None:
    """Give the middle (outward, up), how far it is founded (0..1) and whether it is a tooth's or a ridge's."""
    rows = np.flatnonzero((body & (np.abs(out_mm) < ACROSS_MM)[None, :]).any(axis=1))
    if len(rows) == 0:
        return None
    top = int(rows[0])
    spans = _spans(body, bright, out_mm, top, round((CROWN_MOST_MM + BELOW_NECK_MM) / PIXEL_MM) + top)
    if len(spans) < 6:
        return None
    crowned = round(CROWN_MOST_MM / PIXEL_MM)
    crown = float(np.count_nonzero(bright[top : top + min(len(spans), crowned)])) * PIXEL_MM**2 > 1.5
    place = _neck(spans[:crowned, 1] - spans[:crowned, 0]) if crown else 0
    if level:
        # The curve itself runs at the necks' height already, which one section alone tells badly.
        at = int(np.argmin(np.abs(up_mm))) - top
    else:
        at = place if crown else round(CREST_DEPTH_MM / PIXEL_MM)
    middle, founded = _line_through(spans, min(max(at, -round(CREST_DEPTH_MM / PIXEL_MM)), len(spans) - 1))
    return (middle, float(up_mm[top + place]), founded), "teeth" if crown else "ridge"


def _neck(width: FloatArray) -> int:
    """Give the row of the narrowest place under the crown's bulge; a usual one for front teeth, which have none."""
    smooth = ndimage.gaussian_filter1d(width, 1.5, mode="nearest")
    bulge = int(np.argmax(smooth[: round(CROWN_LEAST_MM / PIXEL_MM)]))
    below = int(np.argmin(smooth[bulge : min(len(smooth), bulge + round(NECK_WITHIN_MM / PIXEL_MM))]))
    if below == 0:
        return min(round(FRONT_CROWN_MM / PIXEL_MM), len(smooth) - 1)
    return bulge + below


def _line_through(spans: FloatArray, at: int) -> tuple[float, float]:
    """Give the middle (mm outward) at a row, from a line through the middles of the rows about it, and its weight.

    A streak takes the crown or one plate away; what it leaves is narrower than the rest and counts less.
    """
    first, stop = max(0, at - round(ABOVE_NECK_MM / PIXEL_MM)), max(at, 0) + round(BELOW_NECK_MM / PIXEL_MM)
    part = spans[first:stop]
    height = (np.arange(len(part)) + first - at) * PIXEL_MM
    middle, width = part.mean(axis=1), part[:, 1] - part[:, 0]
    usual = float(np.quantile(width, 0.8))
    weight = np.minimum(width / (FULL_WIDTH * usual), 1.0) ** WIDTH_POWER
    weight *= (width > LEAST_WIDE_MM) & (width < MOST_WIDE_MM)
    bone = width[height > NECK_MM]
    if len(bone):
        most = WIDER_THAN_BONE * float(np.median(bone))
        weight *= np.where(height < 0.0, np.minimum(most / width, 1.0) ** WIDTH_POWER, 1.0)
    # Bone leans away from the row of its teeth with depth.
    weight[height > NECK_MM] *= DEEP_WEIGHT
    if weight.sum() < 1.0:
        return float(np.median(middle)), 0.0
    current, line = weight, np.array([float(np.average(middle, weights=weight)), 0.0])
    design = np.stack([np.ones(len(part)), height], axis=1)
    for _ in range(6):
        off = middle - design @ line
        current = weight / (1.0 + (off / SCATTER_MM) ** 2)
        normal = design.T @ (current[:, None] * design)
        normal[1, 1] += LEAN_COST
        line = np.linalg.solve(normal + 1e-9 * np.eye(2), design.T @ (current * middle))
    return float(line[0]), float(min(1.0, current.sum() / (FULL_SHARE * len(part))) ** FULL_POWER)


def _spans(
    body: NDArray[np.bool_], bright: NDArray[np.bool_], out_mm: FloatArray, first: int, stop: int
) -> FloatArray:
    """Give inner and outer end (mm) of the stretch nearest the middle so far, row by row downwards.

    Two stretches close to each other are the plates of one bone whose marrow a streak opened.
    Enamel or a restoration that fills most of a stretch is its measure: what hangs on to it is a bright streak.
    """
    spans: list[tuple[float, float]] = []
    centre = 0.0
    for row in range(first, min(stop, len(body))):
        change = np.diff(np.concatenate([[0], body[row].astype(np.int8), [0]]))
        starts, stops = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
        if len(starts) == 0:
            break
        ends = np.stack([out_mm[starts] - PIXEL_MM / 2, out_mm[stops - 1] + PIXEL_MM / 2], axis=1)
        gap = np.maximum(np.maximum(ends[:, 0] - centre, centre - ends[:, 1]), 0.0)
        best = int(np.argmin(gap))
        low, high = ends[best]
        for other in (*range(best - 1, -1, -1), *range(best + 1, len(ends))):
            apart = max(ends[other, 0] - high, low - ends[other, 1])
            if apart < MARROW_MM and max(high, ends[other, 1]) - min(low, ends[other, 0]) < MOST_WIDE_MM:
                low, high = min(low, ends[other, 0]), max(high, ends[other, 1])
        dense = out_mm[bright[row] & (out_mm > low) & (out_mm < high)]
        if len(dense) and dense[-1] - dense[0] > BRIGHT_SHARE * (high - low):
            low, high = dense[0] - PIXEL_MM / 2, dense[-1] + PIXEL_MM / 2
        spans.append((float(low), float(high)))
        centre = 0.5 * (low + high)
    return np.array(spans).reshape(-1, 2)
