"""The scan in cells: what a cell holds is the mean of what lies in it, whatever the voxels are."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.scatter_cells import cells_of

GREY = GreyLevels(air=0.0, soft_tissue=1000.0, bone=2000.0, noise_sd=1.0, lowest=0.0, highest=30000.0)


def scan(spacing_mm: float, field_mm: float = 24.0) -> tuple[Volume, np.ndarray]:
    """A slope of 100 a millimetre along each axis in turn, and the places of its voxels."""
    n = round(field_mm / spacing_mm)
    place = np.diag([spacing_mm, spacing_mm, spacing_mm, 1.0])[:, [2, 1, 0, 3]]
    index = np.stack(np.mgrid[0:n, 0:n, 0:n], axis=-1).reshape(-1, 3)
    points = index @ place[:3, :3].T
    return Volume(np.zeros((n, n, n), np.int16), place), points


@pytest.mark.parametrize("spacing_mm", [0.2, 0.25, 0.3, 0.4, 0.45, 0.5, 0.6])
def test_a_slope_is_the_same_slope_in_cells(spacing_mm: float) -> None:
    empty, points = scan(spacing_mm)
    for axis in range(3):
        stored = np.rint(100.0 * points[:, axis]).astype(np.int16).reshape(empty.shape)
        cells = cells_of(Volume(stored, empty.lps_from_index), GREY, dense=1e6)
        index = np.stack(np.meshgrid(*(np.arange(n) for n in cells.shape), indexing="ij"), axis=-1)
        middle = index @ cells.lps_from_cell[:3, :3].T + cells.lps_from_cell[:3, 3]
        off_mm = np.abs(10.0 * cells.relative - middle[..., axis])[1:-1, 1:-1, 1:-1]
        assert float(off_mm.max()) <= 0.12, "one voxel a cell would be 0.25 mm off"


def test_a_dense_ball_fills_its_share_of_the_cells() -> None:
    empty, points = scan(0.5)
    inside = np.linalg.norm(points - 12.0, axis=1) < 4.0
    stored = np.where(inside, 9000, 0).astype(np.int16).reshape(empty.shape)
    cells = cells_of(Volume(stored, empty.lps_from_index), GREY, dense=5000.0)
    volume_mm3 = float(cells.dense_share.sum()) * cells.cell_mm**3
    assert volume_mm3 == pytest.approx(4.0 / 3.0 * np.pi * 4.0**3, rel=0.03)
