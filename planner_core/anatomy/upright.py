"""A scan turned upright: which way is up in the mouth, and where hard tissue and crowns lie in that frame."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.edges import enamel_from
from planner_core.anatomy.grid import Grid
from planner_core.anatomy.structures import Jaw
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly, unit
from planner_core.imaging.grey_scale import GreyLevels

STEP_MM = 1.0
"""Edge of the upright frame's voxels, mm (our choice: enough to find a jaw, quick)."""

LEAST_CROWN_VOXELS = 12
"""Smaller bright pieces are no crown (our choice: noise, a root canal filling)."""

LEAST_CROWNS_MM3 = 150.0
"""Crowns weigh in from this volume on, mm^3: the enamel of a molar (M)."""

LARGEST_TILT_DEG = 30.0
"""A head lies no more askew than this, degrees (our choice; beyond it the scanner's own up is kept)."""

TWO_ROWS_MM = 9.0
"""Enamel over less height than this belongs to one row of crowns, mm (enamel caps are 5 to 8 mm high; M)."""

ROOTS_FOLLOW_MM = 5.0
ROOTED_SHARE = 0.25
"""A row of crowns stands in the jaw on whose side, within 5 mm, hard tissue still fills a quarter of its own
largest section (our choice: necks and interdental bone)."""

LEAST_BONE_MM3 = 1500.0
"""A jaw has at least this much hard tissue in the scan, mm^3 (our choice: a small field of view)."""


BITE_WEIGHT = 0.4
"""Weight of the gap between two rows of crowns against how flat they lie: teeth that bite together part only along
the occlusal plane (our choice, tests/studies anatomy)."""


@frozen(eq=False)
class Upright:
    """Hard tissue in a frame whose axes are (up, back, left), spaced `STEP_MM`.

    Parameters
    ----------
    hard, crowns, seen : bool arrays of shape (h, y, x)
        Bone and teeth; enamel and restorations; inside the scan.
    axes : array of shape (3, 3)
        Rows: up, back, left in LPS.
    origin_lps_mm : array of shape (3,)
        Place of voxel (0, 0, 0).
    """

    hard: NDArray[np.bool_]
    crowns: NDArray[np.bool_]
    seen: NDArray[np.bool_]
    axes: FloatArray = field(converter=readonly)
    origin_lps_mm: FloatArray = field(converter=readonly)

    def to_lps(self, places: FloatArray) -> FloatArray:
        """Take (up, back, left) voxel places of shape (n, 3) to LPS mm."""
        return np.asarray(self.origin_lps_mm + STEP_MM * np.asarray(places, dtype=np.float64) @ self.axes)


def up_direction(grid: Grid, levels: GreyLevels) -> FloatArray:
    """Give the unit vector out of the chewing plane towards the head.

    The direction in which the crowns lie most closely in rows: their heights along it fill the fewest bins. Rows
    that the scan shows only in part do not mislead it as they would a principal axis.
    """
    world = np.array([0.0, 0.0, 1.0])
    crowns = _crown_mask(grid.grey, levels)
    if crowns.sum() * grid.voxel_mm3 < LEAST_CROWNS_MM3:
        return world
    points = grid.to_lps(np.argwhere(crowns))
    points = points[:: max(1, len(points) // 4000)]
    points = points - points.mean(axis=0)
    pitch, roll = 0.0, 0.0
    for reach, step in ((24.0, 4.0), (4.0, 1.0)):
        tried = np.arange(-reach, reach + step / 2, step)
        places = [(pitch + a, roll + b) for a in tried for b in tried]
        best = max(places, key=lambda place: _rowness(points, _tilted(*place)))
        pitch, roll = best
    return _tilted(pitch, roll)


def _tilted(pitch_deg: float, roll_deg: float) -> FloatArray:
    """Give the unit vector tilted backwards and to the left from straight up."""
    return unit(np.array([np.tan(np.radians(roll_deg)), np.tan(np.radians(pitch_deg)), 1.0]))


def _rowness(points: FloatArray, up: FloatArray) -> float:
    """Give how closely points lie in rows across a direction, less for a head that lies more askew."""
    heights = points @ up
    low = heights.min()
    counts = np.bincount(((heights - low) / 0.5).astype(int)).astype(np.float64)
    counts = ndimage.gaussian_filter1d(np.pad(counts, 4), 2.0)
    tilt = float(np.degrees(np.arccos(np.clip(up[2], -1.0, 1.0))))
    rows = float((counts**2).sum() / counts.sum() ** 2) * (1.0 - 0.25 * (tilt / LARGEST_TILT_DEG) ** 2)
    return rows * (1.0 + BITE_WEIGHT * _bite_depth(heights - low))


def _bite_depth(heights_mm: FloatArray) -> float:
    """Give how empty it is between two rows of points, 0 (one heap) to 1 (nothing there)."""
    counts = np.bincount((heights_mm / 0.5).astype(int)).astype(np.float64)
    counts = ndimage.gaussian_filter1d(np.pad(counts, 4), 1.0)
    sides = np.minimum(np.maximum.accumulate(counts), np.maximum.accumulate(counts[::-1])[::-1])
    counted = sides > 0.25 * counts.max()
    return float(np.where(counted, 1.0 - counts / np.maximum(sides, 1e-9), 0.0).max())


def _crown_mask(grey: NDArray[np.float32], levels: GreyLevels) -> NDArray[np.bool_]:
    bright = grey > enamel_from(levels)
    # Enamel is as thin as a voxel here, so small pieces are dropped instead of opening the mask.
    pieces, _ = ndimage.label(bright, structure=np.ones((3, 3, 3)))
    sizes = np.bincount(pieces.ravel())
    sizes[0] = 0
    return np.asarray((sizes >= LEAST_CROWN_VOXELS)[pieces])


def upright(grid: Grid, levels: GreyLevels, up: FloatArray) -> Upright:
    """Turn a grid upright."""
    back = unit(np.array([0.0, 1.0, 0.0]) - up * up[1])
    axes = np.stack([up, back, np.cross(back, up)])
    ends = grid.to_lps([[i * (grid.grey.shape[0] - 1), j * (grid.grey.shape[1] - 1), k * (grid.grey.shape[2] - 1)]
                        for i in (0, 1) for j in (0, 1) for k in (0, 1)])  # fmt: skip
    places = ends @ axes.T
    low, high = places.min(axis=0), places.max(axis=0)
    counts = np.ceil((high - low) / STEP_MM).astype(int) + 1
    origin = low @ axes
    inverse = np.linalg.inv(grid.lps_from_index)
    matrix = inverse[:3, :3] @ axes.T * STEP_MM
    start = inverse[:3, :3] @ origin + inverse[:3, 3]
    grey = ndimage.affine_transform(
        grid.grey, matrix, start, output_shape=tuple(counts), order=1, mode="constant", cval=np.nan
    )
    seen = np.isfinite(grey)
    grey = np.where(seen, grey, np.float32(levels.air))
    threshold = levels.soft_tissue + 0.4 * (levels.bone - levels.soft_tissue)
    return Upright(grey > threshold, _crown_mask(grey, levels), seen, axes, origin)


def jaw_tissue(frame: Upright, jaw: Jaw) -> tuple[NDArray[np.bool_], float | None]:
    """Give the hard tissue of one jaw (bone with its teeth) in an upright frame, and the height of the bite.

    The height is in voxels, None where the scan does not show both jaws.

    Raises
    ------
    PlannerError
        If the scan does not show this jaw.
    """
    near_crowns = ndimage.binary_dilation(frame.crowns, iterations=1)
    bone = frame.hard & ~near_crowns
    pieces, count = ndimage.label(bone)
    sizes = np.bincount(pieces.ravel(), minlength=count + 1) * STEP_MM**3
    sizes[0] = 0.0
    candidates = [k for k in range(1, count + 1) if sizes[k] >= LEAST_BONE_MM3]
    if not candidates:
        raise PlannerError("No jaw was found in the scan.", "Set the arch by clicks.")
    middles = {k: np.argwhere(pieces == k) for k in candidates}
    front = min(float(np.quantile(places[:, 1], 0.02)) for places in middles.values())
    # The spine and the skull base start far behind the chin and the front of the upper jaw.
    jaws = [k for k in candidates if np.quantile(middles[k][:, 1], 0.02) < front + 20.0 / STEP_MM]
    level = _split_level(frame, [middles[k] for k in jaws], jaw)
    chosen = [k for k in jaws if (float(np.median(middles[k][:, 0])) < level) == (jaw is Jaw.LOWER)]
    if not chosen:
        raise PlannerError(
            f"The scan does not show the {jaw.value} jaw.", "Choose the other jaw or set the arch by clicks."
        )
    own = np.isin(pieces, chosen)
    heights = np.arange(frame.hard.shape[0])[:, None, None]
    side = heights < level if jaw is Jaw.LOWER else heights >= level
    teeth = near_crowns & frame.hard & side
    both = 0.0 < level < len(frame.hard) and frame.hard[: round(level)].any() and frame.hard[round(level) :].any()
    return np.asarray((own & side) | teeth), level if both else None


def _split_level(frame: Upright, jaws: list[NDArray[np.int64]], jaw: Jaw) -> float:
    """Give the height (voxels) between the jaws; beyond the scan where only the wanted one seems to be there."""
    crown_rows = frame.crowns.sum(axis=(1, 2)).astype(np.float64)
    if crown_rows.sum() * STEP_MM**3 >= LEAST_CROWNS_MM3:
        return _level_by_crowns(frame, crown_rows)
    rows = np.zeros(frame.hard.shape[0])
    for places in jaws:
        front = places[places[:, 1] < np.quantile(places[:, 1], 0.5)]
        rows += np.bincount(front[:, 0], minlength=len(rows))
    valley = _valley(ndimage.gaussian_filter1d(rows, 1.5), 0.5)
    if valley is not None:
        return valley
    # One toothless jaw alone looks alike from both sides: the user's word counts.
    return float(len(rows)) if jaw is Jaw.LOWER else 0.0


def _valley(rows: FloatArray, share: float) -> float | None:
    """Give the row of the deepest valley that falls below `share` of the lower of its two sides, or None."""
    left = np.maximum.accumulate(rows)
    right = np.maximum.accumulate(rows[::-1])[::-1]
    sides = np.minimum(left, right)
    # Sides that hold next to nothing (noise, a crown's tip) make no valley.
    depth = np.where(sides > 0.1 * rows.max(), sides - rows, 0.0)
    k = int(np.argmax(depth))
    if depth[k] <= 0 or rows[k] > share * sides[k]:
        return None
    # The middle of a flat floor, not its first row.
    floor = np.flatnonzero((depth >= 0.98 * depth[k]) & (np.abs(np.arange(len(rows)) - k) < 20))
    return float(np.mean(floor))


def _level_by_crowns(frame: Upright, crown_rows: FloatArray) -> float:
    """Give the level between two rows of crowns, or on the free side of a single one."""
    smooth = ndimage.gaussian_filter1d(crown_rows, 1.0)
    band = np.flatnonzero(smooth > 0.12 * smooth.max())
    low, high = int(band[0]), int(band[-1])
    # Two rows that touch leave a shallow valley only, but stand higher than one row can.
    for share, least in ((0.7, TWO_ROWS_MM), (0.9, 1.5 * TWO_ROWS_MM)):
        valley = _valley(smooth, share)
        if valley is not None and (high - low) * STEP_MM > least:
            return valley
    footprint = ndimage.binary_dilation(frame.crowns.any(axis=0), iterations=3)
    hard = (frame.hard & footprint).sum(axis=(1, 2)).astype(np.float64)
    # Roots and bone follow crowns at once; an opposing ridge comes only after a gap.
    near = round(ROOTS_FOLLOW_MM / STEP_MM)
    below = float(hard[max(0, low - near) : max(0, low - 1)].mean()) if low > 2 else 0.0
    above = float(hard[high + 2 : high + 1 + near].mean()) if high + 3 < len(hard) else 0.0
    rooted = ROOTED_SHARE * float(hard[low : high + 1].max())
    if below > max(2.0 * above, rooted):
        return float(high + 1)
    if above > max(2.0 * below, rooted) or (below < rooted and high + 3 >= len(hard)):
        return float(low - 1)
    if below < rooted and above < rooted:
        return float(low - 1) if low > len(hard) - high else float(high + 1)
    # Both jaws bite together: their contact lies in the middle of the joint band.
    inner = np.arange(low, high + 1)
    return float(np.average(inner, weights=smooth[inner]))
