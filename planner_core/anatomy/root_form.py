"""Long axis, neck, ends and form of a tooth's root."""

from __future__ import annotations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy import ndimage

from planner_core.anatomy.marked import RootForm
from planner_core.anatomy.tooth_grid import GRID_MM, ToothBlock
from planner_core.geometry.frames import FloatArray, unit


@frozen(eq=False)
class RootShape:
    """Long axis, ends and form of a tooth's root."""

    axis: FloatArray
    neck: FloatArray
    tip: FloatArray
    apex: FloatArray
    form: RootForm


def root_shape(block: ToothBlock, mask: NDArray[np.bool_]) -> RootShape:
    """Measure a tooth's axis, ends and root from its mask (rows run from the root to the crown)."""
    rows = np.flatnonzero(mask.any(axis=(1, 2)))
    areas = mask.sum(axis=(1, 2)).astype(np.float64) * GRID_MM**2
    centres = np.array([[row, *np.argwhere(mask[row]).mean(axis=0)] for row in rows])
    line = block.to_lps(centres)
    weight = areas[rows]
    middle = np.average(line, axis=0, weights=weight)
    _, vectors = np.linalg.eigh(np.cov((line - middle).T, aweights=weight))
    axis = vectors[:, -1] * np.sign(float(vectors[:, -1] @ -block.axes[0]) or 1.0)
    along = (block.to_lps(np.argwhere(mask)) - middle) @ axis
    tip, apex = middle + axis * float(along.min()), middle + axis * float(along.max())
    neck_row = _neck_row(areas, rows)
    neck = block.to_lps([[neck_row, *centres[int(np.argmin(np.abs(rows - neck_row)))][1:]]])[0]
    neck = middle + axis * float((neck - middle) @ axis)
    root = rows[rows < neck_row]
    if len(root) < 8:
        return RootShape(unit(axis), neck, tip, apex, RootForm())
    mid = int(root[len(root) // 2])
    inside = np.argwhere(mask[mid]).astype(np.float64)
    spread = np.linalg.eigvalsh(np.cov(inside.T) + 1e-9 * np.eye(2))
    lower = int(root[len(root) // 4])
    pieces, count = ndimage.label(ndimage.binary_opening(mask[lower]))
    sizes = np.bincount(pieces.ravel())[1:] if count else np.array([1])
    roots = int((sizes > 0.15 * sizes.sum()).sum())
    own = line[np.isin(rows, root)]
    half = len(own) // 2
    low, high = _direction(own[:half]), _direction(own[half:])
    bend = float(np.degrees(np.arccos(np.clip(abs(float(low @ high)), 0.0, 1.0))))
    form = RootForm(float(np.sqrt(spread[0] / spread[1])), bend, max(1, roots))
    return RootShape(unit(axis), neck, tip, apex, form)


def _neck_row(areas: FloatArray, rows: NDArray[np.intp]) -> float:
    """Give the row of the neck: where the section falls fastest from the crown to the root."""
    smooth = ndimage.gaussian_filter1d(areas, 3.0)
    top = int(rows[-1])
    crown = rows[(rows > rows[0] + 0.35 * len(rows)) & (rows < top)]
    if len(crown) < 6:
        return float(np.median(rows))
    bulge = int(crown[np.argmax(smooth[crown])])
    below = np.arange(max(int(rows[0]) + 1, bulge - round(7.0 / GRID_MM)), bulge)
    slope = np.gradient(smooth)[below]
    return float(below[int(np.argmax(slope))])


def _direction(line: FloatArray) -> FloatArray:
    centred = line - line.mean(axis=0)
    return np.asarray(np.linalg.svd(centred, full_matrices=False)[2][0])
