"""The ridge at a station: crest, widths, plates and height, each with its uncertainty or the reason why not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType
from typing import Protocol

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from planner_core.anatomy.bone import Degradation
from planner_core.anatomy.canal_height import canal_top_at
from planner_core.anatomy.outline import Outline, bone_outline
from planner_core.anatomy.ridge_plates import Plates, plates
from planner_core.anatomy.ridge_sides import NOT_MEASURABLE, concavity, horned, notched, span_at
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal, Jaw
from planner_core.geometry.frames import FloatArray, readonly_or_none
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey

WIDTH_DEPTHS_MM = (0.5, 1.0, 3.0, 5.0)
"""Depths below the crest at which the width is given, mm (0.5: Spray et al. 2000, Ann Periodontol 5:119, S; the
others common practice, no source)."""

UNREADABLE_LEVEL = 0.5
"""Degradation of the scan (0..1) from which a border is not read (our choice: half of the scale)."""

CREST_SIGMA_MM, TOP_SHARE = 1.0, 0.85
"""The crest is as well known as the border within the first of it, mm; its top, from a parabola through several of
its points, errs by the second of that (our choice, tests/studies anatomy)."""

FLOOR_SIGMA_MM, BLUR_SIGMA_PER_MM, ROUGH_SIGMA_SHARE, STREAK_SIGMA_MM = 0.04, 0.11, 2.0, 0.8
"""What makes the standard deviation of a border in a section: a floor (mm), the square of the width of the step
from soft tissue to bone as measured there (mm per mm^2: blur mixes a thin plate with what lies behind it), a
multiple of the scatter of the local borders, and mm per unit of the scan check's level (our choice: set on
simulated jaws, tests/studies anatomy; patients differ more, and the bone's own surface keeps its larger one)."""


class AirSpace(Protocol):
    """A sinus or nasal floor whose lower surface can be asked."""

    @property
    def name(self) -> str:
        """What it is, for example ``"sinus floor"``."""

    def floor_over(self, point_lps_mm: FloatArray, up_lps: FloatArray) -> tuple[float, float] | None:
        """Give the height (mm along `up_lps`) from a point to the floor over it and its sigma, or None."""


NEAR_CREST_MM = 1.0
"""What lies this near to the crest belongs to it, mm (our choice, tests/studies anatomy: the tip of a horn)."""

LEAST_RIDGE_MM = 2.0
"""A ridge that is nowhere wider than this is more likely one plate, the other opened by a streak or the canal, mm
(our choice: two plates of about a millimetre)."""

END_MM = 0.8
"""How much must be seen beyond a border, mm (our choice: two voxels)."""


@frozen(eq=False)
class Ridge:
    """What was measured at one station.

    Parameters
    ----------
    station_mm : float
    crest_lps_mm : array of shape (3,) or None
        The crest's highest point (lower jaw; lowest in the upper jaw).
    width_mm : mapping
        Width by depth below the crest (mm); None where it could not be measured (see `reasons`).
    height_mm : float or None
        Along the arch's `up_lps` from the crest to `height_to`.
    height_to : str
        ``"canal"``, ``"sinus floor"``, ``"nasal floor"`` or ``"lower border"``.
    border_lps_mm : array of shape (3,) or None
        The lower border of a lower jaw.
    cheek_plate_mm, tongue_plate_mm : mapping
        Thickness of the plates by depth below the crest.
    cheek_plate_sigma_mm, tongue_plate_sigma_mm : mapping
        Standard deviation of each (mm).
    concavity_mm : float or None
        How far the tongue side of a lower jaw is hollow under its overhang (mm).
    concavity_lps_mm : array of shape (3,) or None
        Deepest place of the hollow.
    sigma_mm : float
        Standard deviation of the border's place along its normal at the crest (mm).
    width_sigma_mm : mapping
        Standard deviation of each width (mm).
    height_sigma_mm : float or None
    reasons : mapping
        Why something is None, by ``"crest"``, ``"width 0.5"``, ``"height"``, ``"cheek plate 3"`` and so on.
    outline : Outline or None
    """

    station_mm: float
    crest_lps_mm: FloatArray | None = field(converter=readonly_or_none)
    width_mm: Mapping[float, float | None]
    height_mm: float | None
    height_to: str
    border_lps_mm: FloatArray | None = field(converter=readonly_or_none, default=None)
    cheek_plate_mm: Mapping[float, float | None] = field(factory=dict)
    tongue_plate_mm: Mapping[float, float | None] = field(factory=dict)
    cheek_plate_sigma_mm: Mapping[float, float | None] = field(factory=dict)
    tongue_plate_sigma_mm: Mapping[float, float | None] = field(factory=dict)
    concavity_mm: float | None = None
    concavity_lps_mm: FloatArray | None = field(converter=readonly_or_none, default=None)
    sigma_mm: float = float("nan")
    width_sigma_mm: Mapping[float, float | None] = field(factory=dict)
    height_sigma_mm: float | None = None
    reasons: Mapping[str, str] = field(factory=dict)
    outline: Outline | None = field(default=None, repr=False)


def _nothing(station_mm: float, jaw: Jaw, reason: str) -> Ridge:
    reasons = {"crest": reason, "height": reason}
    reasons |= {f"width {depth:g}": reason for depth in WIDTH_DEPTHS_MM}
    empty: dict[float, float | None] = dict.fromkeys(WIDTH_DEPTHS_MM)
    plates = Plates().thickness_mm
    to = "lower border" if jaw is Jaw.LOWER else "sinus floor"
    return Ridge(
        station_mm, None, empty, None, to, cheek_plate_mm=plates, tongue_plate_mm=plates, width_sigma_mm=empty,
        reasons=MappingProxyType(reasons),
    )  # fmt: skip


def ridge_at(
    volume: Volume,
    arch: ArchCurve,
    station_mm: float,
    bone: BoneSurface | None = None,
    canals: Sequence[Canal] = (),
    spaces: Sequence[AirSpace] = (),
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
    crest_cut: tuple[FloatArray, FloatArray] | None = None,
) -> Ridge:
    """Measure the ridge in the section across the arch at a station.

    Parameters
    ----------
    bone : BoneSurface, optional
        Not needed (borders are found in the scan itself); its sigma is taken where it is larger.
    canals, spaces : sequences
        What the height is measured to, where it lies at this station.
    degradation : optional
        The scan check; borders where the scan is streaked are not read.
    crest_cut : (point, normal), optional
        A planned bone reduction: what lies beyond the plane (on the normal's side) is gone.
    """
    levels = calibrate_grey(volume) if levels is None else levels
    outline = bone_outline(volume, arch, station_mm, levels)
    if outline is None:
        return _nothing(station_mm, arch.jaw, f"{NOT_MEASURABLE}: no bone of this jaw in the scan")
    if outline.tooth and crest_cut is None:
        return _nothing(station_mm, arch.jaw, f"{NOT_MEASURABLE}: a tooth or a restoration stands on the ridge")
    if not outline.solid:
        return _nothing(station_mm, arch.jaw, f"{NOT_MEASURABLE}: the cortex is not seen all the way round")
    return _measure(volume, arch, outline, bone, canals, spaces, levels, degradation, crest_cut)


def _measure(
    volume: Volume,
    arch: ArchCurve,
    outline: Outline,
    bone: BoneSurface | None,
    canals: Sequence[Canal],
    spaces: Sequence[AirSpace],
    levels: GreyLevels,
    degradation: Degradation | None,
    crest_cut: tuple[FloatArray, FloatArray] | None,
) -> Ridge:
    # Upper jaws are measured upside down, so that the crest is always on top.
    sign = 1.0 if arch.jaw is Jaw.LOWER else -1.0
    plane = outline.points_mm * (1.0, sign)
    if crest_cut is not None:
        plane = _after_cut(outline, crest_cut, sign)
        if len(plane) < 8:
            return _nothing(outline.station_mm, arch.jaw, f"{NOT_MEASURABLE}: the planned cut leaves no bone here")
    level = _level(outline, plane, sign, degradation)
    ends = _where_the_scan_ends(volume, outline, plane, sign)
    read = ((level <= UNREADABLE_LEVEL) & ~ends).astype(np.float64)
    sigmas = _border_sigmas(outline, plane, sign, level, 0.0 if bone is None else bone.sigma_mm)
    reasons: dict[str, str] = {}
    crest = _crest(plane)
    if ends[np.linalg.norm(plane - crest, axis=1) < NEAR_CREST_MM].any():
        return _nothing(outline.station_mm, arch.jaw, f"{NOT_MEASURABLE}: the scan ends at the crest")
    if not _near_is_read(plane, read, crest) and crest_cut is None:
        return _nothing(outline.station_mm, arch.jaw, f"{NOT_MEASURABLE}: the scan is streaked at the crest")
    if crest_cut is None and horned(plane, crest):
        text = f"{NOT_MEASURABLE}: a horn stands on the crest found here, as streaks make one; look at the section"
        return _nothing(outline.station_mm, arch.jaw, text)
    at_crest = np.linalg.norm(plane - crest, axis=1) < CREST_SIGMA_MM
    sigma = float(np.sqrt(np.mean(sigmas[at_crest] ** 2)))
    widths, width_sigma = _widths(plane, read, ends, crest, sigmas, sigma, reasons)
    wide = [width for width in widths.values() if width is not None]
    if wide and max(wide) < LEAST_RIDGE_MM:
        text = f"{NOT_MEASURABLE}: the bone found here is as thin as one of its plates; look at the section"
        return _nothing(outline.station_mm, arch.jaw, text)
    border = plane[int(np.argmin(plane[:, 1]))]
    height, height_to, height_sigma = _height(
        outline, plane, crest, border, sign, canals, spaces, TOP_SHARE * sigma, reasons
    )
    cheek, tongue = plates(volume, outline, plane, read, sigmas, crest, sign, levels, reasons)
    hollow = concavity(plane, crest) if arch.jaw is Jaw.LOWER else None

    def lps(point: FloatArray) -> FloatArray:
        return outline.to_lps(np.asarray(point) * (1.0, sign))

    return Ridge(
        station_mm=outline.station_mm,
        crest_lps_mm=lps(crest),
        width_mm=MappingProxyType(widths),
        height_mm=height,
        height_to=height_to,
        border_lps_mm=None if outline.cut else lps(border),
        cheek_plate_mm=MappingProxyType(cheek.thickness_mm),
        tongue_plate_mm=MappingProxyType(tongue.thickness_mm),
        cheek_plate_sigma_mm=MappingProxyType(cheek.sigma_mm),
        tongue_plate_sigma_mm=MappingProxyType(tongue.sigma_mm),
        concavity_mm=None if hollow is None else hollow[0],
        concavity_lps_mm=None if hollow is None else lps(hollow[1]),
        sigma_mm=sigma,
        width_sigma_mm=MappingProxyType(width_sigma),
        height_sigma_mm=height_sigma,
        reasons=MappingProxyType(reasons),
        outline=outline,
    )


def _after_cut(outline: Outline, cut: tuple[FloatArray, FloatArray], sign: float) -> FloatArray:
    """Clip the outline with a plane (Sutherland and Hodgman 1974, M)."""
    point, normal = (np.asarray(part, dtype=np.float64) for part in cut)
    over = (outline.to_lps(outline.points_mm) - point) @ normal
    points = outline.points_mm
    kept: list[FloatArray] = []
    for k in range(len(points)):
        n = (k + 1) % len(points)
        if over[k] <= 0:
            kept.append(points[k])
        if (over[k] <= 0) != (over[n] <= 0):
            share = over[k] / (over[k] - over[n])
            kept.append(points[k] + share * (points[n] - points[k]))
    return np.asarray(np.array(kept).reshape(-1, 2) * (1.0, sign))


def _level(outline: Outline, plane: FloatArray, sign: float, degradation: Degradation | None) -> FloatArray:
    """Give the scan check's level at each point of the outline, 0 without a check."""
    if degradation is None:
        return np.zeros(len(plane))
    return np.asarray(degradation.level_at(outline.to_lps(plane * (1.0, sign))), dtype=np.float64)


def _border_sigmas(
    outline: Outline, plane: FloatArray, sign: float, level: FloatArray, least_mm: float
) -> FloatArray:
    """Give the standard deviation of the border at each point along its normal (mm)."""
    _, own = cKDTree(outline.points_mm * (1.0, sign)).query(plane)
    blur = outline.blur_mm[own] if len(outline.blur_mm) else np.zeros(len(plane))
    square = FLOOR_SIGMA_MM**2 + (BLUR_SIGMA_PER_MM * blur**2) ** 2
    square = square + (ROUGH_SIGMA_SHARE * outline.rough_mm) ** 2 + (STREAK_SIGMA_MM * level) ** 2
    return np.asarray(np.maximum(np.sqrt(square), least_mm))


def _where_the_scan_ends(volume: Volume, outline: Outline, plane: FloatArray, sign: float) -> NDArray[np.bool_]:
    """Tell where the outline is no border of bone but the end of the scan: nothing is seen just beyond it."""
    away = plane - plane.mean(axis=0)
    away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
    return ~volume.contains(outline.to_lps((plane + END_MM * away) * (1.0, sign)))


def _near_is_read(plane: FloatArray, read: FloatArray, crest: FloatArray) -> bool:
    near = np.linalg.norm(plane - crest, axis=1) < NEAR_CREST_MM
    return bool(read[near].mean() > 0.5) if near.any() else False


def _crest(plane: FloatArray) -> FloatArray:
    """Give the topmost place of the outline, from a parabola through its top (noise would lift a bare maximum)."""
    top = int(np.argmax(plane[:, 1]))
    around = np.take(plane, np.arange(top - 4, top + 5), axis=0, mode="wrap")
    around = around[np.abs(around[:, 0] - plane[top, 0]) < 1.2]
    if len(around) >= 5 and np.ptp(around[:, 0]) > 0.6:
        shift = around[:, 0] - plane[top, 0]
        a, b, c = np.polyfit(shift, around[:, 1], 2)
        if a < -1e-3:
            at = float(np.clip(-b / (2 * a), -0.6, 0.6))
            return np.array([plane[top, 0] + at, min(c + b * at + a * at * at, plane[top, 1])])
    return np.asarray(plane[top])


def _widths(
    plane: FloatArray,
    read: FloatArray,
    ends: NDArray[np.bool_],
    crest: FloatArray,
    sigmas: FloatArray,
    crest_sigma: float,
    reasons: dict[str, str],
) -> tuple[dict[float, float | None], dict[float, float | None]]:
    widths: dict[float, float | None] = dict.fromkeys(WIDTH_DEPTHS_MM)
    errors: dict[float, float | None] = dict.fromkeys(WIDTH_DEPTHS_MM)
    if notched(plane, crest):
        text = f"{NOT_MEASURABLE}: the outline found here is notched as no bone is; look at the section"
        reasons.update({f"width {depth:g}": text for depth in WIDTH_DEPTHS_MM})
        return widths, errors
    for depth in WIDTH_DEPTHS_MM:
        span = span_at(plane, crest, depth)
        if span is None:
            reasons[f"width {depth:g}"] = f"{NOT_MEASURABLE}: the ridge ends above this depth"
            continue
        if read[span[2]] < 1.0 or read[span[3]] < 1.0:
            why = "the scan ends here" if ends[span[2]] or ends[span[3]] else "the scan is streaked here"
            reasons[f"width {depth:g}"] = f"{NOT_MEASURABLE}: {why}"
            continue
        widths[depth] = span[1] - span[0]
        # A wrong crest moves the depth: near a round crest the width changes fast with it.
        above, below = span_at(plane, crest, max(depth - 0.3, 0.05)), span_at(plane, crest, depth + 0.3)
        slope = 0.0
        if above is not None and below is not None:
            slope = ((below[1] - below[0]) - (above[1] - above[0])) / (depth + 0.3 - max(depth - 0.3, 0.05))
        sides = sigmas[span[2]] ** 2 + sigmas[span[3]] ** 2
        errors[depth] = float(np.sqrt(sides + (slope * crest_sigma) ** 2))
    return widths, errors


def _height(
    outline: Outline,
    plane: FloatArray,
    crest: FloatArray,
    border: FloatArray,
    sign: float,
    canals: Sequence[Canal],
    spaces: Sequence[AirSpace],
    sigma: float,
    reasons: dict[str, str],
) -> tuple[float | None, str, float | None]:
    best: tuple[float, str, float] | None = None
    for canal in canals:
        top = canal_top_at(canal, outline)
        if top is not None:
            height = float(crest[1]) - sign * top[0]
            if height > 0 and (best is None or height < best[0]):
                best = (height, "canal", float(np.hypot(sigma, top[1])))
    crest_lps = outline.to_lps(crest * (1.0, sign))
    for space in spaces:
        found = space.floor_over(crest_lps, outline.up_lps)
        if found is not None and (best is None or found[0] < best[0]):
            best = (found[0], space.name, float(np.hypot(sigma, found[1])))
    if best is not None and not np.isfinite(best[2]):
        reasons["height"] = f"{NOT_MEASURABLE}: the marked canal ends here; click on where it goes on"
        return None, best[1], None
    if best is not None:
        return best
    if sign < 0:
        reasons["height"] = f"{NOT_MEASURABLE}: no sinus or nasal floor is marked over this place"
        return None, "sinus floor", None
    if outline.cut:
        reasons["height"] = f"{NOT_MEASURABLE}: the lower border lies outside the scan"
        return None, "lower border", None
    return float(crest[1] - border[1]), "lower border", float(np.sqrt(2.0) * sigma)
