"""Plates of known thickness, in scans of usual and of poor sharpness: the number and whether its error holds."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.anatomy.ridge import Ridge, ridge_at
from planner_core.anatomy.ridge_plates import PLATE_DEPTHS_MM
from tests.core.anatomy.phantom_shapes import LEVELS, jaw_bar

STATIONS_MM = (-8.0, 0.0, 8.0)


def plates_of(ridge: Ridge) -> list[tuple[float, float]]:
    sides = (
        (ridge.cheek_plate_mm, ridge.cheek_plate_sigma_mm),
        (ridge.tongue_plate_mm, ridge.tongue_plate_sigma_mm),
    )
    found = []
    for values, sigmas in sides:
        for depth in PLATE_DEPTHS_MM:
            value, sigma = values[depth], sigmas[depth]
            assert (value is None) == (sigma is None)
            if value is not None and sigma is not None:
                found.append((value, sigma))
    return found


@pytest.mark.parametrize("blur_voxels", [0.8, 1.4, 2.0])
@pytest.mark.parametrize("plate_mm", [0.8, 1.0, 1.6, 2.6])
def test_a_plates_thickness_and_its_error_hold_in_blur(plate_mm: float, blur_voxels: float) -> None:
    bar = jaw_bar(plate_mm=plate_mm, blur_voxels=blur_voxels, noise=25.0)
    ridges = [ridge_at(bar.volume, bar.arch, station, levels=LEVELS) for station in STATIONS_MM]
    found = np.array([pair for ridge in ridges for pair in plates_of(ridge)])
    assert len(found) == 2 * len(PLATE_DEPTHS_MM) * len(STATIONS_MM)
    error = np.abs(found[:, 0] - plate_mm)
    assert error.max() < 0.3
    assert (error < 1.96 * found[:, 1]).mean() >= 0.9
    assert found[:, 1].max() < 0.45, "an error so wide that it always holds would say nothing"


def test_a_plate_under_two_voxels_is_not_measured() -> None:
    bar = jaw_bar(plate_mm=0.5, noise=25.0)
    ridge = ridge_at(bar.volume, bar.arch, 0.0, levels=LEVELS)
    assert not plates_of(ridge)
    assert "two voxels" in ridge.reasons["cheek plate 5"]
