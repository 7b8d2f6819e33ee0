"""What the cross-section's outline says of the ridge's sides: spans and the hollow towards the tongue."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from planner_core.geometry.frames import FloatArray

NOT_MEASURABLE = "not measurable here"

NOTCH_STEP_MM, NOTCH_FALL, NOTCH_DEPTH_MM = 0.5, 2.0, 6.0
"""A ridge that narrows by more than this many mm per mm of depth, looked at in these steps down to this depth, is
an outline that lost its way among streaks (our choice: an undercut of 45 degrees on both sides narrows as fast)."""

HORN_RISE = 7.0
"""Below its first half millimetre a crest that widens by more mm than this per mm of depth carries a horn of mucosa
or streak (our choice: a flat crest that leans by 8 degrees widens as fast; simulated ridges reach 5)."""


def crossings(plane: FloatArray, height: float) -> tuple[FloatArray, NDArray[np.intp]]:
    """Give where the outline crosses a height: (outward positions, index of the point before), sorted."""
    ahead = np.roll(plane, -1, axis=0)
    hit = np.nonzero((plane[:, 1] > height) != (ahead[:, 1] > height))[0]
    share = (height - plane[hit, 1]) / (ahead[hit, 1] - plane[hit, 1])
    across = plane[hit, 0] + share * (ahead[hit, 0] - plane[hit, 0])
    order = np.argsort(across)
    return across[order], hit[order]


def span_at(plane: FloatArray, crest: FloatArray, depth: float) -> tuple[float, float, int, int] | None:
    """Give the stretch of bone at a depth that lies under the crest: (inner, outer, index, index)."""
    across, hit = crossings(plane, float(crest[1]) - depth)
    for k in range(0, len(across) - 1, 2):
        if across[k] - 1.0 <= crest[0] <= across[k + 1] + 1.0:
            return float(across[k]), float(across[k + 1]), int(hit[k]), int(hit[k + 1])
    return None


def _widths_below(plane: FloatArray, crest: FloatArray) -> FloatArray:
    """Give the width in steps of depth below the crest, nan where there is none (mm)."""
    depths = np.arange(NOTCH_STEP_MM, NOTCH_DEPTH_MM, NOTCH_STEP_MM)
    spans = [span_at(plane, crest, float(depth)) for depth in depths]
    return np.array([np.nan if span is None else span[1] - span[0] for span in spans])


def notched(plane: FloatArray, crest: FloatArray) -> bool:
    """Tell whether the outline narrows below the crest faster than a ridge does."""
    return bool((np.diff(_widths_below(plane, crest)) < -NOTCH_FALL * NOTCH_STEP_MM).any())


def horned(plane: FloatArray, crest: FloatArray) -> bool:
    """Tell whether the outline widens below its top faster than a ridge does: the top is none of the bone."""
    return bool((np.diff(_widths_below(plane, crest)) > HORN_RISE * NOTCH_STEP_MM).any())


def concavity(plane: FloatArray, crest: FloatArray) -> tuple[float, FloatArray] | None:
    """Give how far the tongue side is hollow under its overhang, and where it is deepest (mm, plane)."""
    heights = np.arange(float(crest[1]) - 3.0, float(plane[:, 1].min()) + 2.0, -0.5)
    inner = []
    for height in heights:
        across, _ = crossings(plane, height)
        inner.append(float(across[0]) if len(across) else np.nan)
    edge = np.array(inner)
    good = np.isfinite(edge)
    if good.sum() < 6:
        return None
    edge, heights = edge[good], heights[good]
    # The overhang is the most lingual place so far on the way down; the hollow is how far the bone recedes below
    # it.
    overhang = np.minimum.accumulate(edge)
    below = np.minimum.accumulate(edge[::-1])[::-1]
    depth = edge - np.maximum(overhang, below)
    deepest = int(np.argmax(edge - overhang))
    hollow = int(np.argmax(depth))
    if edge[deepest] - overhang[deepest] < 0.5:
        return 0.0, np.array([edge[hollow], heights[hollow]])
    return float(edge[deepest] - overhang[deepest]), np.array([edge[deepest], heights[deepest]])
