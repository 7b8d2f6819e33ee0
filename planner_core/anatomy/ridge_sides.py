"""What the cross-section's outline says of the ridge's sides: spans, plates and the hollow towards the tongue."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.edges import STEP_MM, profiles_along
from planner_core.anatomy.outline import Outline
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

NOT_MEASURABLE = "not measurable here"

NOTCH_STEP_MM, NOTCH_FALL, NOTCH_DEPTH_MM = 0.5, 2.0, 6.0
"""A ridge that narrows by more than this many mm per mm of depth, looked at in these steps down to this depth, is
an outline that lost its way among streaks (our choice: an undercut of 45 degrees on both sides narrows as fast)."""

HORN_RISE = 7.0
"""Below its first half millimetre a crest that widens by more mm than this per mm of depth carries a horn of mucosa
or streak (our choice: a flat crest that leans by 8 degrees widens as fast; simulated ridges reach 5)."""

PLATE_DEPTHS_MM = (1.0, 3.0, 5.0)
"""Depths below the crest at which the plates are measured, mm (our choice, as the widths)."""

PLATE_LEAST_VOXELS = 2.0
"""A plate thinner than this many voxels is not measurable (FACTS: wall under 2 to 3 voxels means "not measurable",
not "absent"; dos Santos et al. 2019, Heimes et al. 2021; S)."""

PLATE_MOST_MM = 6.0
"""A cortex is searched this deep, mm (our choice: the thickest plates of the molar region are about 4; M)."""

PLATE_DIP = 0.3
"""The plate ends where the grey value has fallen by this share of the soft-to-bone step at least (our choice)."""

PLATE_LEAD_MM = 1.0
"""Soft tissue in front of the plate that its profile begins with, mm (our choice: mucosa is that thick)."""

THIN_PLATE_MM = 1.4
"""Plates that look thinner than this are measured by their mass instead of their width, mm (our choice: about three
times the blur of a usual scan)."""


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


def plates(
    volume: Volume,
    outline: Outline,
    plane: FloatArray,
    read: FloatArray,
    crest: FloatArray,
    sign: float,
    levels: GreyLevels,
    reasons: dict[str, str],
) -> tuple[dict[float, float | None], dict[float, float | None]]:
    """Give the thickness of the cheek's and the tongue's plate by depth below the crest; `reasons` say why not."""
    cheek: dict[float, float | None] = dict.fromkeys(PLATE_DEPTHS_MM)
    tongue: dict[float, float | None] = dict.fromkeys(PLATE_DEPTHS_MM)
    least = PLATE_LEAST_VOXELS * float(np.mean(volume.spacing_mm))
    for depth in PLATE_DEPTHS_MM:
        span = span_at(plane, crest, depth)
        for name, table, end in (("tongue plate", tongue, 2), ("cheek plate", cheek, 3)):
            key = f"{name} {depth:g}"
            if span is None:
                reasons[key] = f"{NOT_MEASURABLE}: the ridge ends above this depth"
                continue
            point = int(span[end])
            if read[point] < 1.0:
                reasons[key] = f"{NOT_MEASURABLE}: the scan is streaked or ends here"
                continue
            thickness = _plate_at(volume, outline, plane, point, sign, levels)
            if thickness is None:
                reasons[key] = f"{NOT_MEASURABLE}: no marrow behind the plate"
            elif thickness < least:
                reasons[key] = f"{NOT_MEASURABLE}: the plate is under about two voxels ({least:.1f} mm)"
            else:
                table[depth] = thickness
    return cheek, tongue


def _plate_at(
    volume: Volume, outline: Outline, plane: FloatArray, point: int, sign: float, levels: GreyLevels
) -> float | None:
    """Give the cortex's thickness along the normal at a point of the outline; None without marrow behind it."""
    before, after = plane[point - 1], plane[(point + 1) % len(plane)]
    slope = after - before
    inward = np.array([-slope[1], slope[0]])
    centre = plane.mean(axis=0)
    inward *= np.sign(float(inward @ (centre - plane[point])) or 1.0) / max(float(np.linalg.norm(inward)), 1e-9)
    start = outline.to_lps((plane[point] - PLATE_LEAD_MM * inward) * (1.0, sign))
    direction = outline.to_lps((plane[point] + inward) * (1.0, sign)) - outline.to_lps(plane[point] * (1.0, sign))
    along = np.cross(outline.up_lps, outline.outward_lps)
    spread = np.vstack([np.outer((-0.4, 0.0, 0.4), along), np.outer((-0.4, 0.4), np.cross(along, direction))])
    profile = profiles_along(volume, start, direction[None], PLATE_LEAD_MM + PLATE_MOST_MM, spread)[0]
    profile = ndimage.gaussian_filter1d(profile, 0.1 / STEP_MM, mode="nearest")
    edge = round(PLATE_LEAD_MM / STEP_MM)
    peak = edge + int(np.argmax(profile[edge : edge + round(2.5 / STEP_MM)]))
    step = levels.bone - levels.soft_tissue
    floor = float(np.min(profile[peak:]))
    if profile[peak] - floor < PLATE_DIP * step:
        return None
    # The marrow next to the plate, not the darkest spot of the whole bone: the first minimum that is deep enough.
    behind = profile[peak:]
    lowest = np.minimum.accumulate(behind)
    turned = np.nonzero((behind - lowest > 0.15 * step) & (profile[peak] - lowest > PLATE_DIP * step))[0]
    marrow = float(lowest[turned[0]]) if len(turned) else floor
    level = 0.5 * (float(profile[peak]) + marrow)
    under = np.nonzero(behind < level)[0]
    k = peak + int(under[0])
    width = float(STEP_MM * (k - 1 - edge + (profile[k - 1] - level) / (profile[k - 1] - profile[k])))
    if width > THIN_PLATE_MM:
        return width
    # Blur widens a thin plate but keeps its mass: soft tissue, plate and marrow must add up to the profile's area.
    outside, stop = float(np.median(profile[: edge - 4])), min(k + round(1.0 / STEP_MM), len(profile))
    dense = max(float(profile[peak]), levels.bone)
    area = float(profile[:stop].sum()) * STEP_MM
    flat = outside * edge * STEP_MM + marrow * (stop - edge) * STEP_MM
    return min(width, max(0.0, (area - flat) / max(dense - marrow, 1e-9)))


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
