"""One jaw with its teeth as a mask, from one click: parted from the other jaw, the spine and the skull base."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage
from skimage.segmentation import watershed

from planner_core.anatomy.grid import Grid, coarse_grid
from planner_core.anatomy.structures import Jaw
from planner_core.anatomy.upright import STEP_MM, Upright, jaw_tissue, up_direction, upright
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray, readonly
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels, calibrate_grey
from planner_core.progress import Progress, silent

BONE_SHARE = 0.12
"""Share of the soft-to-bone step above which a voxel belongs to a jaw: marrow counts, muscle does not (our
choice)."""

CLEAR_MM = 4.0
"""Tissue nearer than this to the level between the jaws is not marked for either, mm (our choice: crowns
overlap)."""

FRONT_MM = 34.0
"""How far behind the front of the jaws the opposing jaw is marked, mm; the ramus lies further back (M)."""

CLICK_REACH_MM = 4.0
"""A click may miss the bone by this, mm (our choice)."""

CLOSE_MM = 1.5
"""Half width of gaps that are bridged before inner spaces are filled, mm (our choice: as in the bone surface)."""


@frozen(eq=False)
class JawMask:
    """A jaw as voxels.

    Parameters
    ----------
    mask : bool array
        On `lps_from_index`.
    lps_from_index : array of shape (4, 4)
    """

    mask: NDArray[np.bool_]
    lps_from_index: FloatArray = field(converter=readonly)

    @property
    def volume_mm3(self) -> float:
        """Volume of the jaw, mm^3."""
        return float(self.mask.sum()) * abs(float(np.linalg.det(self.lps_from_index[:3, :3])))


def find_jaw(
    volume: Volume,
    jaw: Jaw,
    click_lps_mm: ArrayLike,
    grid_mm: float = 0.8,
    progress: Progress = silent,
    levels: GreyLevels | None = None,
) -> JawMask:
    """Part one jaw with its teeth from everything else, from one click on its body.

    Raises
    ------
    PlannerError
        If the click is not on hard tissue of that jaw.
    """
    levels = calibrate_grey(volume) if levels is None else levels
    progress(0.0, "Parting the jaws")
    rough = coarse_grid(volume, STEP_MM)
    frame = upright(rough, levels, up_direction(rough, levels))
    grid = coarse_grid(volume, grid_mm)
    hard = _hard(grid, levels)
    markers = _markers(grid, hard, frame, jaw, np.asarray(click_lps_mm, dtype=np.float64))
    progress(0.5, "Parting the jaws")
    depth = ndimage.distance_transform_edt(hard, sampling=grid.spacing_mm)
    # Dense bone leads the flood as much as thickness does: a joint or a contact is both thin and dim.
    strength = depth * np.clip((grid.grey - levels.soft_tissue) / (levels.bone - levels.soft_tissue), 0.1, 1.0)
    labels = watershed(-ndimage.gaussian_filter(strength, 0.7), markers, mask=hard)
    own = labels == 1
    reach = CLOSE_MM
    outside = ndimage.distance_transform_edt(~own, sampling=grid.spacing_mm) > reach
    closed = ndimage.distance_transform_edt(~outside, sampling=grid.spacing_mm) > reach
    filled = ndimage.binary_fill_holes(closed | own) & (labels != 2) & (grid.grey > levels.air_threshold)
    return JawMask(np.asarray(filled), grid.lps_from_index)


def _hard(grid: Grid, levels: GreyLevels) -> NDArray[np.bool_]:
    threshold = levels.soft_tissue + BONE_SHARE * (levels.bone - levels.soft_tissue)
    hard = ndimage.gaussian_filter(grid.grey, 0.5) > threshold
    return np.asarray(ndimage.binary_opening(hard))


def _markers(grid: Grid, hard: NDArray[np.bool_], frame: Upright, jaw: Jaw, click: FloatArray) -> NDArray[np.int32]:
    """Mark the wanted jaw's body (1) and the other jaw, the spine and far tissue (2) on the grid."""
    own, _ = jaw_tissue(frame, jaw)
    places = (grid.to_lps(np.argwhere(hard)) - frame.origin_lps_mm) @ frame.axes.T / STEP_MM
    rows = np.argwhere(own)
    level = float(np.quantile(rows[:, 0], 0.999 if jaw is Jaw.LOWER else 0.001))
    front = float(np.quantile(rows[:, 1], 0.01))
    towards = places[:, 0] - level if jaw is Jaw.LOWER else level - places[:, 0]
    behind = places[:, 1] - front
    index = np.clip(np.round(places), 0, np.array(own.shape) - 1).astype(int)
    inside = own[tuple(index.T)]
    label = np.zeros(len(places), np.int32)
    label[inside & (towards < -CLEAR_MM / STEP_MM) & (behind < FRONT_MM / STEP_MM)] = 1
    label[(towards > CLEAR_MM / STEP_MM) & (behind < FRONT_MM / STEP_MM)] = 2
    # The spine: middle and behind; a jaw's arms lie to the sides.
    middle = float(np.median(rows[:, 2]))
    central = np.abs(places[:, 2] - middle) < 22.0 / STEP_MM
    label[central & (behind > 1.4 * FRONT_MM / STEP_MM)] = 2
    markers = np.zeros(hard.shape, np.int32)
    markers[tuple(np.argwhere(hard).T)] = label
    near = np.linalg.norm(grid.to_lps(np.argwhere(hard)) - click, axis=1)
    if not len(near) or float(near.min()) > CLICK_REACH_MM:
        raise PlannerError(f"The click for the {jaw.value} jaw is not on bone.", "Click on the body of the jaw.")
    if label[int(np.argmin(near))] == 2:
        raise PlannerError(f"The click is not on the {jaw.value} jaw.", "Click on the body of the jaw.")
    markers[tuple(np.argwhere(hard)[int(np.argmin(near))])] = 1
    return markers
