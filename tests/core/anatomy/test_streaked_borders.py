"""What streaks do to a neck, a ridge's border and a canal's section, on drawn shapes of known truth."""

from __future__ import annotations

import numpy as np
import pytest

from planner_core.anatomy import outline as outline_module
from planner_core.anatomy.arch_proposal import HALF_WIDTHS_MM, _arch_shape
from planner_core.anatomy.neck import PIXEL_MM, _neck_or_crest
from planner_core.anatomy.outline import _blur_shift
from planner_core.anatomy.ridge import ridge_at
from planner_core.anatomy.tube_course import _usual_radii
from tests.core.anatomy.phantom_shapes import LEVELS, jaw_bar

UP_MM = np.arange(12.0, -22.0, -PIXEL_MM)
OUT_MM = np.arange(-14.0, 14.0, PIXEL_MM)


def molar() -> tuple[np.ndarray, np.ndarray]:
    """Body and enamel of a molar on its bone: crown 10 mm wide and 7 mm high, neck 8 mm at height 0, bone 11 mm."""
    up, out = np.meshgrid(UP_MM, OUT_MM, indexing="ij")
    half = np.where(up > 1.0, 5.0, np.where(up > -1.0, 4.0, 5.5))
    body = (np.abs(out) < half) & (up < 8.0) & (up > -20.0)
    return body, body & (up > 1.0) & (np.abs(out) > 3.0)


def middle_of(body: np.ndarray, bright: np.ndarray) -> tuple[float, float]:
    """Middle and weight at the height of the curve."""
    found = _neck_or_crest(body, bright & body, UP_MM, OUT_MM, True)
    assert found is not None
    assert found[1] == "teeth"
    return found[0][0], found[0][2]


def test_a_whole_tooth_has_its_neck_in_the_middle() -> None:
    middle, weight = middle_of(*molar())
    assert middle == pytest.approx(0.0, abs=0.1)
    assert weight == pytest.approx(1.0)


def test_half_a_crown_lost_in_a_dark_streak_does_not_move_the_middle() -> None:
    body, bright = molar()
    body &= ~((UP_MM > -1.5)[:, None] & (OUT_MM < 1.0)[None, :])
    middle, weight = middle_of(body, bright)
    # What is left of crown and neck has its middle at 3 mm.
    assert abs(middle) < 0.8
    assert weight < 0.8, "its neighbours know better"


def test_a_bright_streak_beside_a_crown_does_not_move_the_middle() -> None:
    body, bright = molar()
    body |= ((UP_MM > 1.0) & (UP_MM < 8.0))[:, None] & ((OUT_MM > -11.0) & (OUT_MM < 0.0))[None, :]
    assert abs(middle_of(body, bright)[0]) < 0.5


def test_two_plates_whose_marrow_a_streak_opened_are_one_bone() -> None:
    body, bright = molar()
    body &= ~((UP_MM < -1.0) & (UP_MM > -12.0))[:, None] | (np.abs(OUT_MM) > 4.0)[None, :]
    assert middle_of(body, bright)[0] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("half_width", HALF_WIDTHS_MM)
def test_the_arch_that_is_laid_over_a_jaw_does_not_close_behind(half_width: float) -> None:
    shape = _arch_shape(45.0, half_width)
    assert np.all(np.diff(np.abs(shape[shape[:, 1] > 0][:, 1])) > 0)
    assert np.all(np.diff(shape[shape[:, 1] > 0][:, 0]) > 0)


@pytest.mark.parametrize("plate_mm", [0.8, 1.2])
def test_the_border_of_a_thin_plate_holds_in_blur(plate_mm: float, monkeypatch: pytest.MonkeyPatch) -> None:
    bar = jaw_bar(noise=10.0, plate_mm=plate_mm, blur_voxels=2.0)
    width = ridge_at(bar.volume, bar.arch, 3.0, levels=LEVELS).width_mm[5.0]
    monkeypatch.setattr(outline_module, "BLUR_SHARE", 0.0)
    without = ridge_at(bar.volume, bar.arch, 3.0, levels=LEVELS).width_mm[5.0]
    assert width is not None
    assert without is not None
    assert without - bar.width_mm > 0.3, "the middle of the step lies too far out"
    assert abs(width - bar.width_mm) < 0.3


def test_a_thick_plate_stays_where_the_middle_of_its_step_is() -> None:
    bar = jaw_bar(noise=10.0, plate_mm=2.0, blur_voxels=2.0)
    width = ridge_at(bar.volume, bar.arch, 3.0, levels=LEVELS).width_mm[5.0]
    assert width == pytest.approx(bar.width_mm, abs=0.3)


def test_a_sharp_step_is_left_where_it_is() -> None:
    width, thin = np.array([0.5, 0.9, 1.4, 1.4, 9.0, np.nan]), np.array([1.0, 1.0, 1.0, 0.0, 1.0, 1.0])
    np.testing.assert_allclose(_blur_shift(width, thin, 0.3), [0.0, 0.0, 0.3, 0.0, 0.5, np.nan], atol=1e-9)
    assert _blur_shift(np.array([1.3]), np.ones(1), 0.6)[0] == 0.0, "coarse voxels make wide steps by themselves"


def test_a_pocket_narrower_than_the_canal_is_not_the_canal() -> None:
    radii = np.array([0.7, 0.95, 1.2, 1.5, 1.8, 2.2])
    match = np.full((20, 6, 3, 3), 0.2, np.float32)
    match[:, 3, 1, 1] = 0.8
    match[8:12, 0, 2, 2] = 0.95
    np.testing.assert_array_equal(_usual_radii(match, radii), [False, False, True, True, True, False])
