"""What a body may be follows from its shape, and a ball that stands alone is found though enamel is as dense."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies_kind import kind_of
from planner_core.imaging.bodies_small import small_bodies
from planner_core.imaging.grey_scale import GreyLevels

STEP = 0.4
GREY = GreyLevels(-1000.0, 0.0, 1000.0, 30.0, -1000.0, 4000.0)


def _points(inside: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.argwhere(inside) * STEP


def _rod(diameter_mm: float, length_mm: float) -> NDArray[np.float64]:
    z, y, x = np.mgrid[:60, :40, :40] * STEP
    return _points((np.hypot(y - 8, x - 8) <= diameter_mm / 2) & (z <= length_mm))


def _crown(wall_mm: float, radius_mm: float = 4.0) -> NDArray[np.float64]:
    z, y, x = np.mgrid[:40, :40, :40] * STEP
    away = np.sqrt((z - 8) ** 2 + (y - 8) ** 2 + (x - 8) ** 2)
    return _points((away <= radius_mm) & (away >= radius_mm - wall_mm) & (z > 5.0))


@pytest.mark.parametrize(
    ("places", "kind"),
    [
        (_rod(4.2, 11.0), "fixture"),
        (_rod(1.8, 9.0), "post or root filling"),
        (_crown(2.0), "zirconia"),
        (_rod(1.8, 1.8), "marker or small dense body"),
        (_rod(5.0, 2.2), "filling"),
    ],
)
def test_shape_decides(places: NDArray[np.float64], kind: str):
    found, confidence = kind_of(places, len(places) * STEP**3, 1.0, 5.0, True)
    assert found == kind
    assert 0.5 <= confidence < 1.0


def _scan(with_ball: bool, beside_bone: bool = False) -> Volume:
    z, y, x = np.mgrid[:40, :50, :50] * STEP
    rng = np.random.default_rng(1)
    grey = np.where(y > 12.0, 1000.0, 0.0) if beside_bone else np.zeros(z.shape)
    if with_ball:
        away = np.sqrt((z - 8) ** 2 + (y - 10.8) ** 2 + (x - 10) ** 2)
        grey = np.maximum(grey, 2300.0 / (1.0 + np.exp((away - 0.9) / 0.12)))
    affine = np.diag([STEP, STEP, STEP, 1.0])[[2, 1, 0, 3]]
    return Volume(np.rint(grey + rng.normal(0, 30, z.shape)).astype(np.int16), affine)


def test_a_ball_that_stands_alone_is_found_where_it_is():
    scan = _scan(True)
    (voxels,) = small_bodies(scan, GREY)
    assert scan.to_lps(voxels.mean(axis=0)) == pytest.approx([10.0, 10.8, 8.0], abs=0.2)


def test_nothing_is_invented_and_a_bump_of_bone_is_no_marker():
    assert small_bodies(_scan(False), GREY) == []
    assert small_bodies(_scan(True, beside_bone=True), GREY) == []
