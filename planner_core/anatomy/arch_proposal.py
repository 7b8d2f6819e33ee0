"""The arch curve proposed from a scan: a curve family laid over the jaw, then drawn to the necks and the ridge."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import make_smoothing_spline

from planner_core.anatomy.grid import coarse_grid
from planner_core.anatomy.neck import station_middles
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.anatomy.upright import STEP_MM, Upright, jaw_tissue, up_direction, upright
from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray, readonly, unit
from planner_core.geometry.polyline import at_lengths, lengths_mm, tangents
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

HALF_WIDTHS_MM = (22.0, 26.0, 30.0, 34.0)
DEPTHS_MM = (34.0, 42.0, 50.0, 60.0)
YAWS_DEG = (-16.0, -8.0, 0.0, 8.0, 16.0)
"""Half ellipses that are laid over the jaw (arch half widths of 23 to 30 mm and depths of 40 to 55 mm to the last
molars; common practice, no source)."""

STRAIGHT_FROM_DEG, STRAIGHT_MM = 70.0, 24.0
"""From this angle on the half ellipses go straight on, for so many mm: jaws do not close again behind (M)."""

PLACE_STEP_MM = 3.0
"""Spacing of the places tried for the curve's front, mm (our choice: the next step pulls 8 mm)."""

PULL_MM = 9.0
"""How far the curve may move across itself, mm (our choice)."""

BEND_COST = 0.35
"""Cost of a step across per mm along the curve, against the ridge's likeness of 0 to 1 (our choice)."""

LONGEST_MM = 66.0
"""Length of the curve to either side of the midline at most, mm: a half arch with its third molar is about 62
(M)."""

CONTROL_SPACING_MM = 9.0
"""Spacing of the proposed control points, mm (our choice: few enough to drag, dense enough for a tooth row)."""

TURNS = 3
"""How often the curve is drawn to the middles found from it; the last time they are taken at its own height (our
choice: a first guess of up that is ten degrees off needs two)."""

SHORTEST_MM = 15.0
"""A shorter stretch of arch is not proposed (our choice: two teeth)."""

STRAY_ACROSS_MM, STRAY_UP_MM = 3.0, 7.0
"""A middle further than this from the running median over 15 mm is left out, mm (our choice: half a crown)."""

LEAST_FOUNDED = 0.15
"""A middle of less weight than this counts as not found (our choice)."""

ACROSS_STIFFNESS, UP_STIFFNESS = 300.0, (300.0, 3000.0)
"""Smoothing of the course across and along up, the weight of its bending: while up is still a guess, the
heights must follow it, the last time they need not (our choice, tests/studies anatomy)."""

GAP_ACROSS_MM = 1.5
"""In a gap between teeth the ridge counts only this close to their row, mm (our choice: the bone of a molar's gap
is wider than the row, and its middle lies outside of it)."""

CONTINUE_MM = 8.0
"""How far the curve is led straight on where the scan ends, mm (our choice: a tooth)."""

PLANE_REACH_MM = 46.0
"""Only what lies within this of the midline makes the plane, mm: behind the first molars the crest climbs (M)."""

LARGEST_TURN_DEG = 15.0
"""The plane through the course may differ by this much from the first guess of up, degrees (our choice)."""

SIGMA_TEETH_MM, SIGMA_RIDGE_MM = 0.5, 0.8
"""Standard deviation of the curve across itself where it follows teeth or a toothless ridge, mm (our choice,
tests/studies anatomy)."""


@frozen(eq=False)
class ArchProposal:
    """A proposed arch curve and how well it is founded.

    Parameters
    ----------
    arch : ArchCurve
    sigma_mm : array of shape (k,)
        Standard deviation of each control point across the curve, mm.
    follows : tuple of str
        What each control point follows: ``"teeth"``, ``"ridge"`` or ``"neighbours"`` (nothing was found there).
    findings : tuple of Finding
    """

    arch: ArchCurve
    sigma_mm: FloatArray = field(converter=readonly)
    follows: tuple[str, ...]
    findings: tuple[Finding, ...] = ()


def propose_arch(
    volume: Volume,
    jaw: Jaw,
    progress: Progress = silent,
    levels: GreyLevels | None = None,
) -> ArchProposal:
    """Propose the arch curve of a jaw from the scan alone.

    Works with a tilted head, a partial field of view, missing teeth, restorations and streaks; what it could not
    found on anything is said in the findings.

    Raises
    ------
    PlannerError
        If the scan does not show the jaw or only a stretch too short for an arch.
    """
    progress(0.0, "Looking for the jaws")
    levels = calibrate_grey(volume) if levels is None else levels
    grid = coarse_grid(volume, STEP_MM)
    up = up_direction(grid, levels)
    frame = upright(grid, levels, up)
    tissue, level = jaw_tissue(frame, jaw)
    progress(0.35, "Laying the arch")
    likeness, seen = ridge_map(frame, tissue, jaw)
    rough, middle = _rough_curve(likeness, seen)
    rough = _pulled(likeness, rough)
    height = _crest_heights(tissue, rough, jaw)
    # Up is still a guess: the plane between the jaws is held at the middle of the arch.
    bite = None if level is None else frame.to_lps(np.array([[level, *rough.mean(axis=0)]]))[0]
    points = frame.to_lps(np.column_stack([height, rough]))
    midline = frame.to_lps(np.array([[np.median(height), *middle]]))[0]
    progress(0.6, "Following the necks and the ridge")
    return _along_ridge(volume, jaw, points, up, midline, levels, bite)


def ridge_map(frame: Upright, tissue: NDArray[np.bool_], jaw: Jaw) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Give, seen from above, how much a place looks like ridge or tooth row (0..1), and what the scan shows.

    The hard tissue within 14 mm of the jaw's free side counts, so that the lower border does not.
    """
    depth = round(14.0 / STEP_MM)
    column = tissue if jaw is Jaw.UPPER else tissue[::-1]
    first = np.where(column.any(axis=0), column.argmax(axis=0), column.shape[0])
    top = ndimage.percentile_filter(np.where(first < column.shape[0], first, np.nan_to_num(np.inf)), 20, size=9)
    heights = np.arange(column.shape[0])[:, None, None]
    counted = (column & (heights < top + depth)).sum(axis=0).astype(np.float32) / depth
    likeness = ndimage.gaussian_filter(np.minimum(counted, 1.0), 2.0 / STEP_MM)
    shown = frame.seen.any(axis=0)
    return np.asarray(likeness, dtype=np.float32), np.asarray(shown)


def _rough_curve(likeness: NDArray[np.float32], seen: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Lay half ellipses over the map; give the best one's points (n, 2) as (back, left) and its front."""
    rows, columns = likeness.shape
    # Places that the scan does not show neither help nor harm.
    value = np.where(seen, likeness - 0.12, 0.0).astype(np.float32)
    fronts_y = np.arange(-12.0, rows * 0.7, PLACE_STEP_MM / STEP_MM)
    fronts_x = np.arange(-20.0, columns + 20.0, PLACE_STEP_MM / STEP_MM)
    best, best_score = None, -np.inf
    for yaw in np.radians(YAWS_DEG):
        for width in HALF_WIDTHS_MM:
            for depth in DEPTHS_MM:
                shape = _arch_shape(depth, width) / STEP_MM
                turn = np.array([[np.cos(yaw), -np.sin(yaw)], [np.sin(yaw), np.cos(yaw)]])
                shape = shape @ turn.T
                weight = np.gradient(lengths_mm(shape)) * STEP_MM
                y = np.round(fronts_y[:, None, None] + shape[None, None, :, 0]).astype(int)
                x = np.round(fronts_x[None, :, None] + shape[None, None, :, 1]).astype(int)
                inside = (y >= 0) & (y < rows) & (x >= 0) & (x < columns)
                picked = np.where(inside, value[np.clip(y, 0, rows - 1), np.clip(x, 0, columns - 1)], 0.0)
                # The length that is founded on tissue, less what runs through emptiness.
                score = (picked * weight).sum(axis=2)
                k = int(np.argmax(score))
                if score.flat[k] > best_score:
                    i, j = np.unravel_index(k, score.shape)
                    best_score = float(score.flat[k])
                    best = shape + np.array([fronts_y[i], fronts_x[j]])
    if best is None or best_score < 0.2 * SHORTEST_MM:
        raise PlannerError("No arch was found in the scan.", "Set the arch by clicks.")
    return best, np.asarray(best[len(best) // 2])


def _arch_shape(depth_mm: float, half_width_mm: float) -> FloatArray:
    """Give half an ellipse that goes straight on behind, shape (n, 2) as (back, left), mm, front at the origin."""
    turns = np.radians(np.linspace(-STRAIGHT_FROM_DEG, STRAIGHT_FROM_DEG, 45))
    bow = np.stack([depth_mm * (1.0 - np.cos(turns)), half_width_mm * np.sin(turns)], axis=1)
    leg = np.linspace(0.0, 1.0, 9)[1:, None] * STRAIGHT_MM
    right, left = bow[0] + leg * unit(bow[0] - bow[1]), bow[-1] + leg * unit(bow[-1] - bow[-2])
    return np.vstack([right[::-1], bow, left])


def _pulled(likeness: NDArray[np.float32], curve: FloatArray) -> FloatArray:
    """Pull the curve across itself onto the ridge (dynamic programming along it; Amini et al. 1990, M)."""
    along = lengths_mm(curve)
    even = at_lengths(curve, np.arange(0.0, along[-1], 1.0 / STEP_MM))
    slope = tangents(even)
    across = np.stack([-slope[:, 1], slope[:, 0]], axis=1)
    shifts = np.arange(-PULL_MM, PULL_MM + 0.5, 1.0) / STEP_MM
    places = even[:, None, :] + shifts[None, :, None] * across[:, None, :]
    gain = ndimage.map_coordinates(likeness, places.reshape(-1, 2).T, order=1, mode="constant", cval=0.0).reshape(
        places.shape[:2]
    )
    total = np.zeros_like(gain)
    came = np.zeros(gain.shape, int)
    total[0] = gain[0]
    step_cost = BEND_COST * np.abs(shifts[:, None] - shifts[None, :])
    for k in range(1, len(gain)):
        reached = total[k - 1][None, :] - step_cost
        came[k] = np.argmax(reached, axis=1)
        total[k] = gain[k] + reached[np.arange(len(shifts)), came[k]]
    way = [int(np.argmax(total[-1]))]
    for k in range(len(gain) - 1, 0, -1):
        way.append(int(came[k, way[-1]]))
    chosen = places[np.arange(len(gain)), way[::-1]]
    smooth = ndimage.gaussian_filter1d(chosen, 4.0, axis=0, mode="nearest")
    rows, columns = likeness.shape
    value = ndimage.map_coordinates(likeness, smooth.T, order=1, mode="constant", cval=0.0)
    good = (smooth > 1).all(axis=1) & (smooth[:, 0] < rows - 2) & (smooth[:, 1] < columns - 2) & (value > 0.1)
    if good.sum() < SHORTEST_MM / STEP_MM:
        raise PlannerError("Too little of the jaw's arch is in the scan.", "Set the arch by clicks.")
    ends = np.flatnonzero(good)
    return np.asarray(smooth[ends[0] : ends[-1] + 1])


def _crest_heights(tissue: NDArray[np.bool_], curve: FloatArray, jaw: Jaw) -> FloatArray:
    """Give the height of the jaw's free side under each place of the curve, smooth (voxels)."""
    near = ndimage.binary_dilation(tissue, structure=np.ones((1, 5, 5), bool))
    y, x = np.round(curve.T).astype(int)
    columns = near[:, np.clip(y, 0, near.shape[1] - 1), np.clip(x, 0, near.shape[2] - 1)]
    number = np.arange(len(columns))[:, None]
    filled = np.where(columns, number, np.nan)
    with np.errstate(invalid="ignore"):
        any_there = columns.any(axis=0)
        height = np.full(len(curve), np.nan)
        picked = np.nanmax if jaw is Jaw.LOWER else np.nanmin
        height[any_there] = picked(filled[:, any_there], axis=0)
    known = np.flatnonzero(np.isfinite(height))
    height = np.interp(np.arange(len(curve)), known, height[known])
    return np.asarray(
        ndimage.gaussian_filter1d(ndimage.median_filter(height, 9, mode="nearest"), 4.0, mode="nearest")
    )


def _along_ridge(
    volume: Volume,
    jaw: Jaw,
    points: FloatArray,
    up: FloatArray,
    midline: FloatArray,
    levels: GreyLevels,
    bite: FloatArray | None,
) -> ArchProposal:
    """Draw the curve to the middles of necks and ridge found in sections across it, `TURNS` times."""
    curve = points
    if curve[0, 0] > curve[-1, 0]:
        curve = curve[::-1]
    kinds: NDArray[np.str_] = np.array([], dtype=str)
    for turn in range(TURNS):
        arch = ArchCurve(jaw, _controls(curve, CONTROL_SPACING_MM), up, midline)
        stations = np.arange(max(arch.stations_mm[0], -LONGEST_MM), min(arch.stations_mm[-1], LONGEST_MM), 1.0)
        plane = None if bite is None else (bite, up)
        last = turn == TURNS - 1
        found, kinds = station_middles(volume, arch, stations, levels, plane, last)
        curve, kinds = _smooth_course(arch, stations, found, kinds, UP_STIFFNESS[int(last)])
        up = _plane_up(curve, kinds, up, midline)
        # The next turn looks further: a ridge behind the last tooth may only now lie near the curve.
        curve, kinds = _continued(volume, curve, kinds)
    length = float(lengths_mm(curve)[-1])
    if length < SHORTEST_MM:
        raise PlannerError("Too little of the jaw's arch is in the scan.", "Set the arch by clicks.")
    controls = _controls(curve, CONTROL_SPACING_MM)
    arch = ArchCurve(jaw, controls, up, midline)
    near = [int(np.argmin(np.linalg.norm(curve - point, axis=1))) for point in controls]
    follows = tuple(str(kinds[k]) for k in near)
    sigma = {"teeth": SIGMA_TEETH_MM, "ridge": SIGMA_RIDGE_MM, "neighbours": 2.0 * SIGMA_RIDGE_MM}
    along = np.array([arch.station_of(point) for point in curve])
    return ArchProposal(arch, [sigma[kind] for kind in follows], follows, _findings(kinds, along))


def _controls(curve: FloatArray, spacing: float) -> FloatArray:
    length = float(lengths_mm(curve)[-1])
    count = max(4, round(length / spacing) + 1)
    return at_lengths(curve, np.linspace(0.0, length, count))


def _smooth_course(
    arch: ArchCurve, stations: FloatArray, found: FloatArray, kinds: NDArray[np.str_], up_stiffness: float
) -> tuple[FloatArray, NDArray[np.str_]]:
    """Smooth the middles (outward, up) over the stations, teeth counting more, and give the course in LPS.

    The course ends where nothing founds it any more.
    """
    weight = np.select([kinds == "teeth", kinds == "ridge"], [1.0, 0.5], 0.0) * found[:, 2]
    weight[weight < LEAST_FOUNDED] = 0.0
    # A middle far from the running median is another structure (ramus, a neighbour's restoration).
    for axis, most in ((0, STRAY_ACROSS_MM), (1, STRAY_UP_MM)):
        values = np.where(weight > 0, found[:, axis], np.nan)
        weight[np.abs(values - _running_median(values, 15)) > most] = 0.0
    weight[_off_the_tooth_row(stations, found[:, 0], kinds, weight)] = 0.0
    if (weight > 0).sum() < 6:
        raise PlannerError("Too little of the jaw's arch is in the scan.", "Set the arch by clicks.")
    known = weight > 0
    smooth = np.zeros((len(found), 2))
    for axis, stiffness in ((0, ACROSS_STIFFNESS), (1, up_stiffness)):
        values, current = found[known, axis], weight[known].copy()
        for _ in range(3):
            spline = make_smoothing_spline(stations[known], values, current, lam=stiffness)
            off = np.abs(values - spline(stations[known]))
            # A neck that lies apart from its neighbours is a mistake or a crowded tooth: it pulls less.
            current = weight[known] / (1.0 + (off / 0.8) ** 2)
        low, high = stations[known][0], stations[known][-1]
        smooth[:, axis] = spline(np.clip(stations, low, high))
    base = np.array([arch.point_at(s) for s in stations])
    outward = np.array([arch.outward_at(s) for s in stations])
    course = base + smooth[:, 0:1] * outward + smooth[:, 1:2] * arch.up_lps
    inside = (stations >= low - 0.5) & (stations <= high + 0.5)
    kept = np.where(known, kinds, "neighbours")
    return np.asarray(course[inside]), np.asarray(kept[inside])


def _off_the_tooth_row(
    stations: FloatArray, across: FloatArray, kinds: NDArray[np.str_], weight: FloatArray
) -> NDArray[np.bool_]:
    """Tell which middles of a toothless ridge lie off the row of the teeth to both sides of the gap."""
    teeth = (kinds == "teeth") & (weight > 0)
    if teeth.sum() < 8:
        return np.zeros(len(stations), bool)
    places = stations[teeth]
    spline = make_smoothing_spline(places, across[teeth], lam=60.0)
    between = (stations > places[0]) & (stations < places[-1])
    return np.asarray(between & (kinds == "ridge") & (np.abs(across - spline(stations)) > GAP_ACROSS_MM))


def _running_median(values: FloatArray, width: int) -> FloatArray:
    half = width // 2
    padded = np.pad(values, half, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(padded, width)
    out = np.zeros(len(values))
    there = np.isfinite(windows).any(axis=1)
    out[there] = np.nanmedian(windows[there], axis=1)
    return out


def _continued(volume: Volume, curve: FloatArray, kinds: NDArray[np.str_]) -> tuple[FloatArray, NDArray[np.str_]]:
    """Lead the course straight on to the edge of the scan, at most `CONTINUE_MM`, where sections are cut."""
    for _ in range(2):
        way = unit(curve[-1] - curve[-6]) if len(curve) > 6 else unit(curve[-1] - curve[0])
        further = curve[-1] + np.arange(1.0, CONTINUE_MM + 0.5)[:, None] * way
        inside = np.logical_and.accumulate(volume.contains(further) & volume.contains(further + 2.0 * way))
        curve = np.vstack([curve, further[inside]])[::-1]
        kinds = np.concatenate([kinds, np.full(int(inside.sum()), "neighbours")])[::-1]
    return curve, kinds


def _plane_up(course: FloatArray, kinds: NDArray[np.str_], up: FloatArray, midline: FloatArray) -> FloatArray:
    """Give the normal of the plane through the necks and the crest where it is wide enough to tell, else `up`.

    Behind the last molars the crest climbs the ramus: points off the plane lose their weight.
    """
    along = lengths_mm(course)
    along = along - along[int(np.argmin(np.linalg.norm(course - midline, axis=1)))]
    used = (kinds != "neighbours") & (np.abs(along) < PLANE_REACH_MM)
    points = course[used]
    if len(points) < 10:
        return up
    weight = np.where(kinds[used] == "teeth", 1.0, 0.3)
    current, normal = weight, up
    for _ in range(8):
        middle = np.average(points, axis=0, weights=current)
        values, vectors = np.linalg.eigh(np.cov((points - middle).T, aweights=current))
        if values[1] < 40.0:
            return up
        normal = vectors[:, 0] * np.sign(float(vectors[:, 0] @ up) or 1.0)
        current = weight / (1.0 + ((points - middle) @ normal / 0.7) ** 2)
    return unit(normal) if float(normal @ up) > np.cos(np.radians(LARGEST_TURN_DEG)) else up


def _findings(kinds: NDArray[np.str_], stations: FloatArray) -> tuple[Finding, ...]:
    missing = kinds == "neighbours"
    if not missing.any():
        return ()
    share = float(missing.mean())
    first, last = float(stations[missing][0]), float(stations[missing][-1])
    text = (
        f"Over {100 * share:.0f} % of its length the arch follows only its neighbours: no neck or ridge was found."
    )
    return (Finding(Severity.NOTE, "arch-not-founded", text, f"stations {first:.0f} to {last:.0f} mm"),)
