"""The outline of one jaw's bone in a cross-section, set on the local border along its own normals."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy import ndimage
from skimage.measure import find_contours

from planner_core.anatomy.edges import (
    INSIDE_TO_MM,
    STEP_MM,
    THICK_FROM,
    THIN_MM,
    THIN_TO,
    Edges,
    enamel_from,
    find_edges,
    profiles_along,
)
from planner_core.anatomy.masks import largest_piece
from planner_core.anatomy.sections import SectionFrame, cross_section_frame, sample_section
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels

PIXEL_MM = 0.2
"""Pixel of the section that is searched, mm (our choice: no coarser than a fine scan)."""

HALF_WIDTH_MM = 16.0
"""How far to either side of the arch the bone is searched, mm (half a mandible's widest section is about 9; M)."""

BELOW_MM, ABOVE_MM = 48.0, 14.0
"""How far from the arch curve towards the jaw's base and beyond its crest the section reaches, mm (a mandible is
about 30 mm high and its crowns 10; M)."""

SLAB_MM = 0.6
"""Thickness of the section against noise, mm (our choice: two voxels of a usual scan)."""

FIRST_LEVELS = (0.4, 0.3, 0.22, 0.16)
"""Shares of the soft-to-bone step at which the outline is first drawn, before each point is set locally; a thin
plate that the first one leaves open may close at the next (our
choice)."""

CLOSE_MM = 1.5
"""Half width of gaps in the cortex that are bridged (the mental foramen is about 3 mm high: Int J Dent
2018:4571895; S)."""

SPUR_MM = 0.8
"""Half width of spurs that are cut off there, mm (our choice: two voxels)."""

SOLID_MM, SOLID_SHARE = 4.0, 0.78
"""A mask that grows beyond its area over this share when gaps of twice 4 mm are bridged is an open ring (our
choice: a lingual hollow of 3 mm adds about a tenth)."""

LEAST_THICKNESS_MM, THIN_FROM_MM = 4.0, 12.0
"""A lower jaw higher than the second that is thinner than the first on the average is one plate of it only, mm (our
choice: thin jaws are 5 to 6 mm wide; M)."""

LEAST_AREA_MM2 = 25.0
"""Smaller pieces are no jaw (our choice)."""

CONTOUR_STEP_MM = 0.2
REACH_MM = 1.4
"""How far a point of the outline looks along its normal, mm (our choice)."""

SMOOTH_MM = 0.35
"""Standard deviation of the smoothing of the shifts along the outline, mm (our choice: about a voxel)."""

MOST_BLUR_MM, BLUR_OVER_MM = 3.0, 3.0
"""A step that is wider than the first, or not found, counts as so wide; the second is the length of the outline
over which the middle width is taken, mm (our choice)."""

SHARP_MM, SHARP_VOXELS = 0.9, 2.2
BLUR_SHARE, MOST_SHIFT_MM = 0.6, 0.5
"""A sharp border's step is as wide as the first, mm, or as the second times the voxel; by this share of what
exceeds it the border of a thin plate lies inside the middle of its step, up to the last, mm (a plate much thinner
than a blur s, normal law: step 1.65 s wide, half its top 1.18 s from its middle, so 0.7; our choice below)."""

ENAMEL_AREA_MM2 = 1.5
"""Less of what is as bright as enamel may be noise or a dense spot (our choice)."""


OPEN_WITHIN_MM, OPEN_GAP_MM, OPEN_DEPTH_MM = 8.0, 1.5, 1.5
"""A jaw is open at its crest when, this near to it, plates stand further apart than this over more than this depth,
mm (our choice: a knife edge or an undercut never shows two plates side by side)."""


@frozen(eq=False)
class Outline:
    """A closed outline in the plane across the arch.

    Parameters
    ----------
    station_mm : float
    points_mm : array of shape (k, 2)
        (mm outwards from the arch curve, mm along `up_lps` over it), turning once round the bone.
    normals : array of shape (k, 2)
        Out of the bone.
    rise : array of shape (k,)
        Grey-value step from soft tissue to bone at each point; nan where no border was found locally.
    frame : SectionFrame
        The section that it was found in.
    tooth : bool
        Enamel or a restoration belongs to the outline: its end is no ridge crest.
    cut : bool
        The outline leaves the scanned volume.
    solid : bool
        False where the cortex is not seen all the way round: the outline runs through the marrow.
    rough_mm : float
        How far the local borders scatter about the smooth outline: noise and streaks, mm.
    blur_mm : array of shape (k,)
        Width of the step from soft tissue to bone about each point: its rise over its steepest slope, mm.
    """

    station_mm: float
    points_mm: FloatArray
    normals: FloatArray
    rise: FloatArray
    frame: SectionFrame
    base_lps_mm: FloatArray
    outward_lps: FloatArray
    up_lps: FloatArray
    tooth: bool
    cut: bool
    solid: bool = True
    rough_mm: float = 0.0
    blur_mm: FloatArray = field(converter=readonly, factory=lambda: np.zeros(0))

    def to_lps(self, points_mm: FloatArray) -> FloatArray:
        """Take (outwards, up) points of shape (..., 2) to LPS mm."""
        points = np.asarray(points_mm, dtype=np.float64)
        return np.asarray(self.base_lps_mm + points[..., 0:1] * self.outward_lps + points[..., 1:2] * self.up_lps)

    def to_plane(self, points_lps_mm: FloatArray) -> FloatArray:
        """Take LPS points (..., 3) to (outwards, up, mm along the arch)."""
        offset = np.asarray(points_lps_mm, dtype=np.float64) - self.base_lps_mm
        along = np.cross(self.up_lps, self.outward_lps)
        return np.stack([offset @ self.outward_lps, offset @ self.up_lps, offset @ along], axis=-1)


def jaw_frame(arch: ArchCurve, station_mm: float) -> SectionFrame:
    """Give the section across the arch that holds one jaw from beyond its crest to its base."""
    towards_base = -1.0 if arch.jaw is Jaw.LOWER else 1.0
    middle = towards_base * (BELOW_MM - ABOVE_MM) / 2.0
    return cross_section_frame(
        arch, station_mm, 2 * HALF_WIDTH_MM, BELOW_MM + ABOVE_MM, PIXEL_MM, centre_height_mm=middle
    )


def bone_outline(volume: Volume, arch: ArchCurve, station_mm: float, levels: GreyLevels) -> Outline | None:
    """Give the outline of the jaw's bone at a station, or None where there is none in the scan."""
    frame = jaw_frame(arch, station_mm)
    picture = sample_section(volume, frame, SLAB_MM)
    outside = ~np.isfinite(picture)
    if outside.mean() > 0.95:
        return None
    picture = np.where(outside, np.float32(levels.air), picture)
    base, up = arch.point_at(station_mm), np.asarray(arch.up_lps)
    outward = arch.outward_at(station_mm)
    middle_pixel = frame.to_pixel(base)
    mask, solid = None, False
    for share in FIRST_LEVELS:
        tried = _jaw_mask(picture, middle_pixel[:2], arch.jaw, levels, share)
        if tried is None:
            continue
        mask = tried if mask is None else mask
        if _is_solid(tried, arch.jaw):
            mask, solid = tried, True
            break
    if mask is None:
        return None
    contour = max(find_contours(mask, 0.5), key=len)
    unseen = np.pad(outside, 1, constant_values=True)
    cut = bool((ndimage.binary_dilation(mask, iterations=2) & unseen).any())
    plane = np.stack(
        [(contour[:, 1] - 1 - middle_pixel[1]) * PIXEL_MM, (middle_pixel[0] - (contour[:, 0] - 1)) * PIXEL_MM],
        axis=1,
    )
    plane = _even(ndimage.gaussian_filter1d(plane, 2.0, axis=0, mode="wrap"))
    normals = _normals(plane)
    outline = Outline(
        station_mm, plane, normals, np.full(len(plane), np.nan), frame, base, outward, up,
        _holds_tooth(picture, mask[1:-1, 1:-1], levels), cut, solid,
    )  # fmt: skip
    return _set_locally(volume, outline, levels)


def _jaw_mask(
    picture: NDArray[np.float32], middle: FloatArray, jaw: Jaw, levels: GreyLevels, share: float
) -> NDArray[np.bool_] | None:
    """Give the filled mask of the jaw's own bone in the section, padded by one pixel."""
    threshold = levels.soft_tissue + share * (levels.bone - levels.soft_tissue)
    hard = np.pad(ndimage.gaussian_filter(picture, 0.8) > threshold, 1)
    labelled: tuple[NDArray[np.int32], int] = ndimage.label(hard)
    pieces, count = labelled
    if count == 0:
        return None
    sizes = np.bincount(pieces.ravel())
    best, best_score = 0, 0.0
    for piece in range(1, count + 1):
        if sizes[piece] * PIXEL_MM**2 < LEAST_AREA_MM2:
            continue
        inside = pieces == piece
        rows, columns = np.nonzero(inside)
        up_mm = (middle[0] + 1 - rows) * PIXEL_MM
        out_mm = (columns - middle[1] - 1) * PIXEL_MM
        towards = -up_mm if jaw is Jaw.LOWER else up_mm
        # Bone on the base side of the arch and close to its curve counts; the other jaw does not.
        score = float(
            np.sum((towards > -2.0) * np.exp(-((out_mm / 9.0) ** 2)) * np.exp(-np.maximum(towards, 0) / 25.0))
        )
        if score > best_score:
            best, best_score = piece, score
    if best == 0:
        return None
    radius = CLOSE_MM / PIXEL_MM
    outside = ndimage.distance_transform_edt(pieces != best) > radius
    closed = np.asarray(ndimage.distance_transform_edt(np.pad(~outside, 1)) > radius)[1:-1, 1:-1]
    solid = ndimage.binary_fill_holes(closed)
    inner = ndimage.distance_transform_edt(solid) > radius + 1
    filled = ndimage.binary_fill_holes((pieces == best) | inner | (solid & ~closed))
    if share < FIRST_LEVELS[1]:
        # So low a level lets noise of the soft tissue hang on to the bone.
        deep = ndimage.distance_transform_edt(np.pad(filled, 1))[1:-1, 1:-1] > SPUR_MM / PIXEL_MM
        filled = filled & (ndimage.distance_transform_edt(~deep) <= SPUR_MM / PIXEL_MM + 0.5)
    return largest_piece(np.asarray(filled))


def _is_solid(mask: NDArray[np.bool_], jaw: Jaw) -> bool:
    """Tell whether the mask is a filled bone and not a cortex that opens into the marrow."""
    high = np.count_nonzero(mask.any(axis=1)) * PIXEL_MM
    if jaw is Jaw.LOWER and high > THIN_FROM_MM and mask.sum() * PIXEL_MM**2 < LEAST_THICKNESS_MM * high:
        return False
    if _is_open_at_crest(mask, jaw):
        return False
    radius = SOLID_MM / PIXEL_MM
    padded = np.pad(mask, round(radius) + 2)
    outside = ndimage.distance_transform_edt(~padded) > radius
    closed = ndimage.binary_fill_holes(ndimage.distance_transform_edt(~outside) > radius)
    return float(mask.sum()) >= SOLID_SHARE * float(closed.sum())


def _is_open_at_crest(mask: NDArray[np.bool_], jaw: Jaw) -> bool:
    """Tell whether two plates stand at the crest with nothing between them: its thin cortex was missed."""
    rows = np.flatnonzero(mask.any(axis=1))
    top = rows if jaw is Jaw.LOWER else rows[::-1]
    near = mask[top[: round(OPEN_WITHIN_MM / PIXEL_MM)]]
    extent = mask.shape[1] - np.argmax(near, axis=1) - np.argmax(near[:, ::-1], axis=1)
    gap = (extent - near.sum(axis=1)) * PIXEL_MM
    return bool(np.count_nonzero(gap > OPEN_GAP_MM) * PIXEL_MM > OPEN_DEPTH_MM)


def _holds_tooth(picture: NDArray[np.float32], mask: NDArray[np.bool_], levels: GreyLevels) -> bool:
    return float(np.count_nonzero(picture[mask] > enamel_from(levels))) * PIXEL_MM**2 > ENAMEL_AREA_MM2


def _even(points: FloatArray) -> FloatArray:
    """Space a closed outline evenly."""
    closed = np.vstack([points, points[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(closed, axis=0), axis=1))])
    count = max(12, round(along[-1] / CONTOUR_STEP_MM))
    wanted = np.linspace(0.0, along[-1], count, endpoint=False)
    return np.stack([np.interp(wanted, along, closed[:, k]) for k in (0, 1)], axis=1)


def _normals(points: FloatArray) -> FloatArray:
    """Unit normals out of a closed outline."""
    slope = np.roll(points, -2, axis=0) - np.roll(points, 2, axis=0)
    normal = np.stack([slope[:, 1], -slope[:, 0]], axis=1)
    x, y = points.T
    area = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    normal *= np.sign(area)
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9))


def _set_locally(volume: Volume, outline: Outline, levels: GreyLevels) -> Outline:
    """Move each point along its normal to the middle of the local step, smoothly along the outline."""
    out_lps = outline.normals @ np.stack([outline.outward_lps, outline.up_lps])
    start = outline.to_lps(outline.points_mm) + REACH_MM * out_lps
    along = np.cross(outline.up_lps, outline.outward_lps)
    spread = np.outer((-0.3, 0.0, 0.3), along)
    profiles = profiles_along(volume, start, -out_lps, REACH_MM + 2.0, spread)
    profiles = ndimage.gaussian_filter1d(profiles, 0.15 / STEP_MM, axis=1, mode="nearest")
    edges = find_edges(profiles, levels, known_density=False)
    step_mm = _step_widths(profiles, edges)
    shift = (
        REACH_MM - edges.at_mm - _blur_shift(step_mm, _thinness(profiles, edges), float(np.mean(volume.spacing_mm)))
    )
    good = np.isfinite(shift) & (np.abs(shift) < REACH_MM - 0.15)
    weight = good.astype(np.float64)
    sigma = SMOOTH_MM / CONTOUR_STEP_MM
    total = ndimage.gaussian_filter1d(np.where(good, shift, 0.0), sigma, mode="wrap")
    share = ndimage.gaussian_filter1d(weight, sigma, mode="wrap")
    smooth = np.divide(total, share, out=np.zeros_like(total), where=share > 0.05)
    points = outline.points_mm + smooth[:, None] * outline.normals
    scatter = np.abs((shift - smooth)[good])
    rough = 1.48 * float(np.median(scatter)) if len(scatter) else REACH_MM
    rise = np.where(good, edges.rise, np.nan)
    return Outline(
        outline.station_mm, points, _normals(points), rise, outline.frame, outline.base_lps_mm, outline.outward_lps,
        outline.up_lps, outline.tooth, outline.cut, outline.solid, rough, _blur(step_mm, good),
    )  # fmt: skip


def _step_widths(profiles: FloatArray, edges: Edges) -> FloatArray:
    """Give the width of the step at each border: its rise over its steepest slope (mm); nan where there is none."""
    slope = np.gradient(profiles, STEP_MM, axis=1)
    place = np.round(np.where(edges.found, edges.at_mm, 0.0) / STEP_MM).astype(int)
    near = np.clip(place[:, None] + np.arange(-5, 6)[None], 0, profiles.shape[1] - 1)
    steepest = np.take_along_axis(slope, near, axis=1).max(axis=1)
    width = np.minimum(edges.rise / np.maximum(steepest, 1e-9), MOST_BLUR_MM)
    return np.asarray(np.where(edges.found, width, np.nan))


def _thinness(profiles: FloatArray, edges: Edges) -> FloatArray:
    """Give how thin the plate behind each border looks, 0 (thick) to 1: how far it falls again behind its top."""
    count = profiles.shape[1]
    place = np.round(np.where(edges.found, edges.at_mm, 0.0) / STEP_MM).astype(int)
    within = np.clip(place[:, None] + np.arange(round(INSIDE_TO_MM / STEP_MM)), 0, count - 1)
    top = place + np.take_along_axis(profiles, within, axis=1).argmax(axis=1)
    behind = np.clip(top[:, None] + np.arange(round(THIN_MM / STEP_MM) + 1), 0, count - 1)
    lowest = np.take_along_axis(profiles, behind, axis=1).min(axis=1)
    left = 1.0 - (edges.inside - lowest) / np.maximum(edges.rise, 1e-9)
    return np.asarray(np.clip((THICK_FROM - left) / (THICK_FROM - THIN_TO), 0.0, 1.0))


def _blur_shift(width_mm: FloatArray, thin: FloatArray, voxel_mm: float) -> FloatArray:
    """Give how far inside the middle of its step a border lies (mm) where blur has widened a thin plate.

    Blur lowers the top of a plate and leaves its foot where it was, so half of the top is met before the border.
    """
    sharp = max(SHARP_MM, SHARP_VOXELS * voxel_mm)
    return np.asarray(np.clip(BLUR_SHARE * thin * (width_mm - sharp), 0.0, MOST_SHIFT_MM))


def _blur(step_mm: FloatArray, good: NDArray[np.bool_]) -> FloatArray:
    """Give the width of the step about each point: the middle one of its surroundings (mm)."""
    width = np.where(good, step_mm, MOST_BLUR_MM)
    return np.asarray(ndimage.median_filter(width, round(BLUR_OVER_MM / CONTOUR_STEP_MM), mode="wrap"))
