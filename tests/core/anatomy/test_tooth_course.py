"""A root led on through streaks, and leaks taken off it, on bodies whose voxels are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from planner_core.anatomy.teeth import could_be_tooth, usual_shares
from planner_core.anatomy.tooth_course import led_on, under_the_neck, without_bites, without_leaks, without_plates
from planner_core.anatomy.tooth_flood import flooded
from planner_core.anatomy.tooth_grid import GRID_MM
from planner_core.anatomy.tooth_sizes import tooth_size

ROWS, SIDE = 80, 50
CLICK = np.array([60.0, 25.0, 25.0])
STREAKED_FROM = 45


def cone(lean: float = 0.0) -> np.ndarray:
    """A root that widens by 4 % per mm from row 10 up and leans by `lean` voxels a row; 5 mm wide at row 45."""
    row, along, out = np.indices((ROWS, SIDE, SIDE))
    radius = 8.0 * (1.0 + 0.04 * GRID_MM * (row - STREAKED_FROM))
    away = np.hypot(along - 25.0 - lean * (row - 60.0), out - 25.0)
    return np.asarray((away <= radius) & (row >= 10) & (row < 70))


def dice(a: np.ndarray, b: np.ndarray) -> float:
    return float(2 * (a & b).sum() / (a.sum() + b.sum()))


@pytest.mark.parametrize("lean", [0.0, 0.15])
@pytest.mark.parametrize("spoilt", ["eaten", "spread"])
def test_what_streaks_spoilt_under_the_click_is_led_on(lean: float, spoilt: str) -> None:
    truth = cone(lean)
    level = np.zeros(truth.shape, np.float32)
    level[STREAKED_FROM:60] = 0.9
    found = truth.copy()
    if spoilt == "eaten":
        found[STREAKED_FROM:60, 22:] = False
    else:
        found[STREAKED_FROM:60, 10:40, 15:35] = True
    part = slice(STREAKED_FROM, 60)
    assert dice(found[part], truth[part]) < 0.75
    assert dice(led_on(found, level, CLICK)[part], truth[part]) > 0.93
    assert np.array_equal(led_on(found, level, CLICK)[:STREAKED_FROM], found[:STREAKED_FROM])


def test_what_can_be_read_stays_as_it_was_found() -> None:
    found = cone()
    found[40:50, 25:27, 25] = False
    assert led_on(found, np.zeros(found.shape, np.float32), CLICK) is found
    everywhere = np.full(found.shape, 0.9, np.float32)
    assert np.array_equal(led_on(found, everywhere, CLICK), found), "nothing readable to lead on from"


def test_two_roots_are_led_on_as_their_trunk() -> None:
    row, along, out = np.indices((ROWS, SIDE, SIDE))
    roots = (np.hypot(along - 18, out - 25) <= 5) | (np.hypot(along - 32, out - 25) <= 5)
    found = roots & (row >= 10) & (row < STREAKED_FROM)
    level = np.where(row >= STREAKED_FROM, 0.9, 0.0).astype(np.float32)
    # The click bounds what is led on; a few voxels of the crown tell that the tooth goes on.
    found[64:70, 20:30, 20:30] = True
    trunk = led_on(found, level, CLICK)[50]
    assert trunk[25, 25], "between the roots"
    assert np.ptp(np.flatnonzero(trunk.any(axis=1))) == pytest.approx(24 * (1 + 0.04 * 1.8), abs=3)


def test_a_leak_is_taken_off_upwards_and_downwards_and_a_slant_is_not() -> None:
    truth = cone(0.15)
    assert dice(without_leaks(truth, CLICK), truth) > 0.99
    leaking = truth.copy()
    leaking[40:58, 20:48, 18:32] = True
    leaking[10:13, 5:45, 5:45] = True
    assert dice(leaking, truth) < 0.75
    assert dice(without_leaks(leaking, CLICK), truth) > dice(leaking, truth) + 0.1


def test_what_is_no_tooth_is_told_by_volume_and_length() -> None:
    size = tooth_size("35")
    whole = np.zeros((100, 60, 60), bool)
    rows = round((size.crown_mm + size.root_mm) / GRID_MM)
    half = round(0.5 * np.sqrt(0.4) * size.width_mm / GRID_MM)
    whole[5 : 5 + rows, 30 - half : 30 + half, 30 - half : 30 + half] = True
    share, length = usual_shares(whole, size)
    assert share == pytest.approx(1.0, abs=0.2)
    assert length == pytest.approx(1.0, abs=0.03)
    assert could_be_tooth(whole, size)
    lost = whole.copy()
    lost[: 5 + rows // 2 + 3] = False
    assert not could_be_tooth(lost, size), "half of the length: a crown without its root"
    assert not could_be_tooth(np.ones_like(whole), size)


def test_a_plate_of_bone_that_a_root_leans_on_is_taken_off() -> None:
    truth = cone()
    found = truth.copy()
    # A wall 1.2 mm thick along the root's side.
    found[22:50, 5:45, 31:35] = True
    below = np.indices(truth.shape)[0] < 60
    assert dice(found & below, truth & below) < 0.8
    assert dice(without_plates(found, CLICK) & below, truth & below) > 0.95


def test_two_roots_stay_two_roots() -> None:
    row, along, out = np.indices((ROWS, SIDE, SIDE))
    first, second = (np.hypot(along - middle, out - 25.0) for middle in (17.0, 33.0))
    trunk = (np.abs(along - 25.0) <= 15) & (np.abs(out - 25.0) <= 7)
    roots = (first <= 7.0) | (second <= 5.0)
    tooth = np.where(row > 40, trunk, roots) & (row >= 10) & (row < 70)
    assert dice(without_plates(tooth, CLICK), tooth) > 0.97


def test_the_core_under_a_click_reaches_down_to_what_can_be_read() -> None:
    size = tooth_size("35")
    smooth = np.full((ROWS, SIDE, SIDE), 0.1, np.float32)
    smooth[cone()] = 1.2
    level = np.zeros(smooth.shape, np.float32)
    read, _ = under_the_neck(smooth, size, CLICK, level)
    level[40:] = 0.9
    core, dentine = under_the_neck(smooth, size, CLICK, level)
    lowest, deeper = (int(np.flatnonzero(part.any(axis=(1, 2)))[0]) for part in (read, core))
    assert (60 - lowest) * GRID_MM == pytest.approx(3.0)
    assert (60 - deeper) * GRID_MM == pytest.approx(4.5), "never so deep that a leaning root is left"
    assert (core & ~cone()).sum() == 0
    assert dentine.any()
    assert (dentine & ~cone()).sum() == 0


def test_a_bite_is_filled_where_it_cannot_be_read_and_stays_where_it_can() -> None:
    truth = cone()
    found = truth.copy()
    found[30:36, 24:28, :25] = False
    assert np.array_equal(without_bites(found, np.zeros(found.shape, np.float32), CLICK), found)
    level = np.zeros(found.shape, np.float32)
    level[30:33] = 0.9
    filled = without_bites(found, level, CLICK)
    assert dice(filled[30:33], truth[30:33]) > 0.97
    assert np.array_equal(filled[33:], found[33:])


def test_of_two_roots_the_thinner_one_stays_and_a_plate_goes() -> None:
    row, along, out = np.indices((ROWS, SIDE, SIDE))
    high = (row >= 10) & (row < 45)
    roots = ((np.hypot(along - 16, out - 25) <= 7) | (np.hypot(along - 34, out - 25) <= 4)) & high
    trunk = (np.abs(along - 25) <= 16) & (np.abs(out - 25) <= 7) & (row >= 45) & (row < 60)
    plate = (np.abs(out - 38) <= 1) & (np.abs(along - 25) < 15) & high
    kept = without_plates(roots | trunk | plate, CLICK)
    assert (kept & high)[roots].mean() > 0.92
    assert kept[:, 30:][roots[:, 30:]].mean() > 0.8, "the thinner root"
    assert not (kept & plate).any()


def test_a_streak_that_parts_a_root_from_its_crown_does_not_lose_it() -> None:
    truth, size = cone(), tooth_size("35")
    grey = np.zeros(truth.shape, np.float32)
    grey[:49] = 0.7
    grey[ndimage.binary_dilation(truth, iterations=1)] = 0.3
    grey[truth] = 1.3
    grey[49:65] = 0.0
    level = np.zeros(grey.shape, np.float32)
    level[49:65] = 0.9
    flood = flooded(grey, ndimage.gaussian_filter(grey, 0.6), size, [CLICK], [], level)
    assert (flood.labels[12:48][truth[12:48]] == 1).mean() > 0.99
