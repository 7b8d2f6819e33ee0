"""Faults that are not scatter have their own words, and none of them makes a scatter flag."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from planner_core.geometry.volume import Volume
from planner_core.imaging.faults_bite import teeth_in_contact
from planner_core.imaging.faults_rings import strongest_ring
from planner_core.imaging.grey_scale import calibrate_grey
from planner_core.imaging.scan_check import check_scan
from planner_core.imaging.scatter_cells import Cells

AFFINE = np.array([[0.0, 0.0, 0.5, -40.0], [0.0, 0.5, 0.0, -40.0], [0.5, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]])


def _head(noise: float = 40.0, shape: tuple[int, int, int] = (40, 160, 160)) -> NDArray[np.float64]:
    """A round head with a bone ring inside it, air around."""
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[: shape[1], : shape[2]] - shape[1] // 2
    radius = np.hypot(rows, columns)
    plane = 1000.0 / (1.0 + np.exp((radius - 66.0) * 1.5)) + np.where(np.abs(radius - 40) < 5, 1200.0, 0.0)
    return np.repeat(plane[np.newaxis], shape[0], axis=0) + rng.normal(0.0, noise, shape)


def _codes(grey: NDArray[np.float64]) -> set[str]:
    check = check_scan(Volume(np.rint(np.clip(grey, -1000, 8000)).astype(np.int16), AFFINE))
    assert check.degraded_slices == ()
    assert check.degradation is None
    return {finding.code for finding in check.findings}


def test_a_quiet_head_has_none_of_the_faults():
    assert (
        _codes(_head()) & {"noise", "movement", "rings", "truncation", "teeth-in-contact", "clipped-greys"} == set()
    )


def test_noise_is_noise_and_never_scatter():
    assert "noise" in _codes(_head(noise=180.0))


def test_double_contours_are_movement():
    """A move of 3 mm between two halves of the scan; below about 2.5 mm the two steps run into one."""
    head = _head(noise=15.0)
    assert "movement" in _codes(0.5 * head + 0.5 * np.roll(head, 6, axis=2))


def test_rings_are_found_with_their_radius():
    head = _head(noise=20.0)
    rows, columns = np.mgrid[:160, :160] - 79.5
    head += np.where(np.abs(np.hypot(rows, columns) - 24.0) < 0.7, 200.0, 0.0)
    volume = Volume(np.rint(head).astype(np.int16), AFFINE)
    ring = strongest_ring(volume, calibrate_grey(volume))
    assert ring.radius_mm == pytest.approx(12.0, abs=0.6)
    assert "rings" in _codes(head)


def test_a_jaw_that_leaves_the_field_in_front_is_said_to():
    head = np.roll(_head(), -60, axis=1)[:, :120]
    check = check_scan(Volume(np.rint(head[:, 20:]).astype(np.int16), AFFINE))
    truncated = [finding for finding in check.findings if finding.code == "truncation"]
    assert len(truncated) == 1
    assert "front" in truncated[0].where


def _rows_of_teeth(gap_mm: float) -> Cells:
    """Two horseshoes of crowns 7 mm high, `gap_mm` apart."""
    relative = np.ones((50, 90, 90), np.float32)
    y, x = np.mgrid[:90, :90] - 45.0
    row = np.abs(np.hypot(y, x) - 28.0) < 4.0
    row &= y < 10.0
    for low in (12, 12 + round((7.0 + gap_mm) / 0.8)):
        for k in range(9):
            # Cusps: the row is narrower towards the bite.
            relative[low + k][row] = 3.2
    return Cells(relative, np.zeros_like(relative), np.ones(relative.shape, bool), 0.8, np.eye(4))


@pytest.mark.parametrize(("gap_mm", "touching"), [(1.0, True), (3.0, False), (9.0, False)])
def test_rows_of_teeth_touch_when_nothing_dark_lies_between_them(gap_mm: float, touching: bool):
    assert teeth_in_contact(_rows_of_teeth(gap_mm), 2.0) is touching
