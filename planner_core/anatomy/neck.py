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

CROWN_MOST_MM = 13.0
"""A crown and its neck lie within this of the top of the tooth, mm (crowns are 7 to 11 mm high; M)."""


def station_middles(
    volume: Volume,
    arch: ArchCurve,
    stations_mm: FloatArray,
    levels: GreyLevels,
    bite: tuple[FloatArray, FloatArray] | None = None,
) -> tuple[FloatArray, NDArray[np.str_]]:
    """Give the middle (mm outward, mm up over the curve) at each station, shape (n, 2), and what it belongs to.

    The kinds are ``"teeth"``, ``"ridge"`` and ``"neighbours"`` (nothing was found: zero is given). `bite` is a
    point and the normal of the plane in which the jaws meet.
    """
    middles, kinds = np.zeros((len(stations_mm), 2)), []
    for k, station in enumerate(stations_mm):
        found = _middle_at(volume, arch, float(station), levels, bite)
        kinds.append("neighbours" if found is None else found[1])
        middles[k] = (0.0, 0.0) if found is None else found[0]
    return middles, np.array(kinds)


def _middle_at(
    volume: Volume,
    arch: ArchCurve,
    station_mm: float,
    levels: GreyLevels,
    bite: tuple[FloatArray, FloatArray] | None,
) -> tuple[tuple[float, float], str] | None:
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
    threshold = levels.soft_tissue + 0.45 * (levels.bone - levels.soft_tissue)
    hard = ndimage.gaussian_filter(picture, 0.7) > threshold
    sign = 1.0 if arch.jaw is Jaw.LOWER else -1.0
    bite_mm = None if bite is None else sign * float((bite[0] - arch.point_at(station_mm)) @ bite[1])
    body = _own_body(hard, up_mm, out_mm, bite_mm)
    if body is None:
        return None
    bright = picture > enamel_from(levels)
    found = _neck_or_crest(body, bright & body, up_mm, out_mm)
    return None if found is None else ((found[0][0], sign * found[0][1]), found[1])


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
    body: NDArray[np.bool_], bright: NDArray[np.bool_], up_mm: FloatArray, out_mm: FloatArray
) -> tuple[tuple[float, float], str] | None:
    rows = np.flatnonzero((body & (np.abs(out_mm) < ACROSS_MM)[None, :]).any(axis=1))
    if len(rows) == 0:
        return None
    top = int(rows[0])
    spans = _spans(body, out_mm, top, round(CROWN_MOST_MM / PIXEL_MM) + top)
    if len(spans) < 6:
        return None
    width = spans[:, 1] - spans[:, 0]
    middle = spans.mean(axis=1)
    crown = float(np.count_nonzero(bright[top : top + len(spans)])) * PIXEL_MM**2 > 1.5
    if not crown:
        at = min(round(CREST_DEPTH_MM / PIXEL_MM), len(spans) - 1)
        part = slice(max(0, at - 2), at + 3)
        return (float(np.mean(middle[part])), float(up_mm[top])), "ridge"
    smooth = ndimage.gaussian_filter1d(width, 1.5, mode="nearest")
    low = round(4.0 / PIXEL_MM)
    bulge = int(np.argmax(smooth[: max(low, len(smooth) // 2)]))
    neck = bulge + int(np.argmin(smooth[bulge : min(len(smooth), bulge + round(9.0 / PIXEL_MM))]))
    part = slice(max(0, neck - 2), neck + 3)
    return (float(np.mean(middle[part])), float(up_mm[top + neck])), "teeth"


def _spans(body: NDArray[np.bool_], out_mm: FloatArray, first: int, stop: int) -> FloatArray:
    """Give inner and outer end (mm) of the stretch nearest the middle so far, row by row downwards."""
    spans: list[tuple[float, float]] = []
    centre = 0.0
    for row in range(first, min(stop, len(body))):
        change = np.diff(np.concatenate([[0], body[row].astype(np.int8), [0]]))
        starts, stops = np.flatnonzero(change == 1), np.flatnonzero(change == -1)
        if len(starts) == 0:
            break
        ends = np.stack([out_mm[starts], out_mm[stops - 1]], axis=1)
        gap = np.maximum(np.maximum(ends[:, 0] - centre, centre - ends[:, 1]), 0.0)
        best = ends[int(np.argmin(gap))]
        spans.append((float(best[0]) - PIXEL_MM / 2, float(best[1]) + PIXEL_MM / 2))
        centre = 0.5 * (spans[-1][0] + spans[-1][1])
    return np.array(spans).reshape(-1, 2)
