"""One tooth out of a scan by one click: crown and root as a surface with its long axis."""

from __future__ import annotations

import numpy as np
from attrs import evolve
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from skimage.measure import marching_cubes

from planner_core.anatomy.bone import Degradation, surface_sigma_mm
from planner_core.anatomy.marked import MarkedTooth
from planner_core.anatomy.masks import largest_piece
from planner_core.anatomy.meshes import keep_large_pieces
from planner_core.anatomy.root_form import root_shape
from planner_core.anatomy.sampling import grey_at
from planner_core.anatomy.structures import ArchCurve, Jaw
from planner_core.anatomy.tooth_border import (
    BORDER_OF_DENTINE,
    LEAST_SHARE,
    border_share,
    dentine_by_row,
    in_the_gap,
)
from planner_core.anatomy.tooth_course import (
    UNREAD_LEVEL,
    led_on,
    without_bites,
    without_leaks,
    without_plates,
)
from planner_core.anatomy.tooth_flood import Flood, flooded
from planner_core.anatomy.tooth_grid import GRID_MM, ToothBlock
from planner_core.anatomy.tooth_sizes import ToothSize, tooth_size
from planner_core.errors import PlannerError
from planner_core.findings import Finding, Severity
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

SIDE_MARGIN_MM = 3.5
"""How far beyond the tooth's usual size its neighbourhood reaches, mm (our choice)."""

TOP_SHARE = 2.2
"""Brighter values are cut to this share of the soft-to-bone step: enamel; a restoration must not outweigh it
(M)."""

STREAKED_LEVEL = 0.5
"""Degradation (0..1) from which a crown is not taken at its word (our choice: half of the scale)."""

DARKENED_SHARE = 0.75
"""Where the scan cannot be read, dentine may be darker than it should by this factor (our choice, tests/studies
anatomy: a streak darkens one side of a root and not the other)."""

LEAST_MM3 = 60.0
"""A smaller result is no tooth, mm^3 (a lower incisor is about 250; M)."""

USUAL_FILL = 0.4
"""Share of the box of its usual size that a tooth fills (our choice: about 280 mm^3 of a lower first incisor)."""

LEAST_OF_USUAL, MOST_OF_USUAL, LONGEST_OF_USUAL = 0.5, 1.6, 1.3
"""A result outside these shares of the usual volume and length is doubted (our choice: of 82 simulated teeth those
outside had the wrong thing in hand or lost to their neighbour)."""


LEAST_OF_TOOTH, MOST_OF_TOOTH, SHORTEST_OF_TOOTH, LONGEST_OF_TOOTH = 0.3, 2.4, 0.55, 1.5
"""Outside these shares of the usual volume and length what one click found is no tooth, and is not given (our
choice)."""


def find_tooth(
    volume: Volume,
    arch: ArchCurve,
    site: str,
    plus_lps_mm: ArrayLike,
    minus_lps_mm: ArrayLike = (),
    progress: Progress = silent,
    levels: GreyLevels | None = None,
    degradation: Degradation | None = None,
) -> MarkedTooth:
    """Cut one tooth out of the scan.

    Parameters
    ----------
    arch : ArchCurve
        Of the tooth's jaw; tells which way the neighbours lie.
    site : str
        ISO 3950 number; its usual size bounds the search.
    plus_lps_mm : array of shape (n, 3), n >= 1
        On the tooth, the first one about the middle of its crown or neck; more ones add what was missed.
    minus_lps_mm : array of shape (m, 3)
        On what was taken wrongly.
    degradation : optional
        The scan check: a streaked crown is bounded by the tooth's usual size, and said to be uncertain.

    Raises
    ------
    PlannerError
        If there is no tooth at the click or the number is none.
    """
    plus = np.asarray(plus_lps_mm, dtype=np.float64).reshape(-1, 3)
    minus = np.asarray(minus_lps_mm, dtype=np.float64).reshape(-1, 3)
    size = tooth_size(site)
    if len(plus) == 0 or not volume.contains(plus).all():
        raise PlannerError("The click for the tooth lies outside the scan.", "Click on the tooth's crown or neck.")
    levels = calibrate_grey(volume) if levels is None else levels
    progress(0.0, f"Finding tooth {site}")
    block = tooth_block(volume, arch, plus[0], size, levels)
    mask = tooth_mask(block, size, plus, minus, levels, progress, degradation)
    if mask.sum() * GRID_MM**3 < LEAST_MM3:
        raise PlannerError(f"No tooth was found at the click for {site}.", "Click in the middle of its neck.")
    if len(plus) + len(minus) == 1 and not could_be_tooth(mask, size):
        share, length = usual_shares(mask, size)
        raise PlannerError(
            f"What the click found at {site} is no tooth: it has {share:.1f} of the usual volume and "
            f"{length:.1f} of the usual length.",
            "Click in the middle of its neck, or add clicks on what belongs to it and what does not.",
        )
    progress(0.8, f"Finding tooth {site}")
    tooth = _as_tooth(volume, site, block, mask, plus, minus, levels, degradation)
    doubt = size_doubt(site, mask, size)
    return tooth if doubt is None else evolve(tooth, findings=(*tooth.findings, doubt))


def size_doubt(site: str, mask: NDArray[np.bool_], size: ToothSize) -> Finding | None:
    """Say so where what was found is too small, too large or too long for this tooth."""
    share, length = usual_shares(mask, size)
    if LEAST_OF_USUAL <= share <= MOST_OF_USUAL and length <= LONGEST_OF_USUAL:
        return None
    text = (
        f"What was found at {site} has {share:.1f} of the usual volume and {length:.1f} of the usual length of "
        "this tooth: it may not be the tooth. Look at it, and add clicks on what is missing or wrong."
    )
    return Finding(Severity.WARNING, "tooth-size-doubtful", text, site)


def could_be_tooth(mask: NDArray[np.bool_], size: ToothSize) -> bool:
    """Tell whether what was found is anything near as large and long as this tooth."""
    share, length = usual_shares(mask, size)
    return LEAST_OF_TOOTH <= share <= MOST_OF_TOOTH and SHORTEST_OF_TOOTH <= length <= LONGEST_OF_TOOTH


def usual_shares(mask: NDArray[np.bool_], size: ToothSize) -> tuple[float, float]:
    """Give volume and length of what was found over those usual for this tooth."""
    usual = USUAL_FILL * size.width_mm * size.depth_mm * (size.crown_mm + size.root_mm)
    rows = np.flatnonzero(mask.any(axis=(1, 2)))
    length = float(np.ptp(rows)) * GRID_MM / (size.crown_mm + size.root_mm) if len(rows) else 0.0
    return float(mask.sum()) * GRID_MM**3 / usual, length


def tooth_block(
    volume: Volume, arch: ArchCurve, click: FloatArray, size: ToothSize, levels: GreyLevels
) -> ToothBlock:
    """Sample the neighbourhood of a click, as large as the tooth can be, whichever part of it was clicked."""
    station = arch.station_of(click)
    crown_way = np.asarray(arch.up_lps) * (1.0 if arch.jaw is Jaw.LOWER else -1.0)
    along, outward = arch.tangent_at(station), arch.outward_at(station)
    axes = np.stack([crown_way, along, outward])
    half_along = size.width_mm / 2 + 0.45 * size.width_mm + SIDE_MARGIN_MM
    half_out = size.depth_mm / 2 + 2.0 + SIDE_MARGIN_MM
    below, above = size.crown_mm + size.root_mm + 4.0, size.crown_mm + 4.0
    counts = np.ceil(np.array([below + above, 2 * half_along, 2 * half_out]) / GRID_MM).astype(int) + 1
    origin = click - np.array([below, half_along, half_out]) @ axes
    index = np.stack(np.meshgrid(*[np.arange(n) for n in counts], indexing="ij"), axis=-1)
    places = origin + GRID_MM * index @ axes
    grey = np.nan_to_num(grey_at(volume, places), nan=levels.air)
    return ToothBlock(grey.astype(np.float32), axes, origin)


def tooth_mask(
    block: ToothBlock,
    size: ToothSize,
    plus: FloatArray,
    minus: FloatArray,
    levels: GreyLevels,
    progress: Progress = silent,
    degradation: Degradation | None = None,
) -> NDArray[np.bool_]:
    """Give the tooth's voxels in its block; with the scan check, what it cannot read of the root is led on."""
    step = levels.bone - levels.soft_tissue
    grey = np.clip((block.grey - levels.soft_tissue) / step, -0.5, TOP_SHARE)
    smooth = ndimage.gaussian_filter(grey, 0.6)
    progress(0.4, "Flooding the tooth")
    middle = block.to_index(plus[0])
    level = None if degradation is None else level_in(block, degradation)
    flood = flooded(grey, smooth, size, block.to_index(plus), block.to_index(minus), level)
    # A click may sit in the dark pulp: the tooth is the largest hard piece that was flooded from it.
    mask = largest_piece(_hard(smooth, flood, size, level))
    if not mask.any():
        return mask
    # Pulp and root canals are dark inside the tooth.
    closed = ndimage.binary_closing(np.pad(mask, 4), iterations=3)[4:-4, 4:-4, 4:-4]
    filled = ndimage.binary_fill_holes(closed & (flood.labels != 2) | mask)
    for row in range(len(filled)):
        filled[row] = ndimage.binary_fill_holes(filled[row])
    filled = without_plates(without_leaks(filled, middle), middle)
    if level is not None:
        filled = led_on(without_bites(filled, level, middle), level, middle)
    # Crumbs beside the tooth go, its thin tip stays.
    return largest_piece(filled)


def _hard(
    smooth: NDArray[np.float32], flood: Flood, size: ToothSize, level: NDArray[np.float32] | None
) -> NDArray[np.bool_]:
    """Give what is hard of what was flooded from the clicks."""
    own = flood.labels == 1
    border = border_share(smooth, flood.markers)
    dentine = dentine_by_row(smooth, own & (smooth > border), border / BORDER_OF_DENTINE)[:, None, None]
    least = np.maximum(LEAST_SHARE, BORDER_OF_DENTINE * dentine)
    hard = (smooth > least) & ~in_the_gap(smooth, flood.labels, dentine, size)
    if level is not None:
        hard |= (smooth > DARKENED_SHARE * least) & (level > UNREAD_LEVEL)
    # Where a streak under the crown parts the root from it, the core that was taken for granted joins them.
    return np.asarray(own & (flood.core | hard))


def level_in(block: ToothBlock, degradation: Degradation) -> NDArray[np.float32]:
    """Give the scan check's level at each voxel of a block."""
    index = np.moveaxis(np.indices(block.grey.shape), 0, -1).reshape(-1, 3)
    level = np.asarray(degradation.level_at(block.to_lps(index)), dtype=np.float32)
    return level.reshape(block.grey.shape)


def _as_tooth(
    volume: Volume,
    site: str,
    block: ToothBlock,
    mask: NDArray[np.bool_],
    plus: FloatArray,
    minus: FloatArray,
    levels: GreyLevels,
    degradation: Degradation | None,
) -> MarkedTooth:
    surface = _surface_of(block, mask)
    shape = root_shape(block, mask)
    sigma = surface_sigma_mm(volume, levels, levels.bone - levels.soft_tissue)
    findings: list[Finding] = []
    crown_sigma = sigma
    if degradation is not None:
        over = (surface.points_mm - shape.neck) @ shape.axis < 0
        level = np.asarray(degradation.level_at(surface.points_mm[over])) if over.any() else np.zeros(1)
        if float((level > STREAKED_LEVEL).mean()) > 0.2:
            crown_sigma = 1.0
            text = f"The crown of {site} is streaked: its outline is uncertain, the root's is not affected."
            findings.append(Finding(Severity.NOTE, "tooth-crown-streaked", text, site))
    return MarkedTooth(
        site, surface, shape.axis, shape.neck, shape.tip, shape.apex, sigma, crown_sigma, plus, minus, shape.form,
        findings=tuple(findings),
    )  # fmt: skip


def _surface_of(block: ToothBlock, mask: NDArray[np.bool_]) -> Surface:
    """Contour the mask, its steps blurred away."""
    soft = ndimage.gaussian_filter(mask.astype(np.float32), 0.7)
    index, triangles, _, _ = marching_cubes(np.pad(soft, 1), 0.5, allow_degenerate=False)
    points = block.to_lps(index - 1.0)
    if np.linalg.det(block.axes) > 0:
        triangles = triangles[:, ::-1]
    return keep_large_pieces(Surface(points, triangles), 0.1)
