"""The grey scale is found whatever offset and gain the scanner used."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest

from planner_core.errors import PlannerError
from planner_core.geometry.volume import Volume
from planner_core.imaging.grey_scale import calibrate_grey
from tests.shared_data import shared_data


def _head() -> np.ndarray:
    """A head CT of both jaws in CT numbers; air lies at -920, its water at 0 (data/headct_jaws/SOURCE.txt)."""
    image = nibabel.load(shared_data("headct_jaws/jaws_crop.nii.gz"))
    return np.asarray(image.dataobj).astype(np.int16).transpose(2, 1, 0)


def _volume(values: np.ndarray, **how: float) -> Volume:
    return Volume(np.ascontiguousarray(values.astype(np.int16)), np.diag([1.5, 0.8, 0.8, 1.0]), **how)


def test_levels_of_a_calibrated_scan_lie_where_ct_numbers_say():
    levels = calibrate_grey(_volume(_head()))
    assert levels.air == pytest.approx(-920, abs=40)
    assert levels.soft_tissue == pytest.approx(50, abs=40)  # muscle 40 to 60 HU (common practice, no source)
    assert 900 < levels.bone < 1700  # compact bone of the jaw, CT numbers (common practice, no source)
    assert levels.saturated
    assert levels.highest == 3071  # 4095 - 1024, the end of that scanner's scale


@pytest.mark.parametrize(("gain", "offset"), [(0.4, 0), (0.7, 900), (1.6, -2000)])
def test_levels_follow_any_gain_and_offset(gain: float, offset: float):
    head = _head()
    plain = calibrate_grey(_volume(head))
    other = calibrate_grey(_volume(np.clip(head * gain + offset, -32768, 32767)))
    for name in ("air", "soft_tissue", "bone"):
        assert (getattr(other, name) - offset) / gain == pytest.approx(getattr(plain, name), abs=40), name
    assert other.noise_sd / gain == pytest.approx(plain.noise_sd, rel=0.25)


def test_scale_and_offset_of_the_volume_are_applied():
    head = _head()
    plain = calibrate_grey(_volume(head))
    scaled = calibrate_grey(_volume(head, scale=0.5, offset=100.0))
    assert scaled.soft_tissue == pytest.approx(0.5 * plain.soft_tissue + 100.0, abs=1.0)


def test_small_fields_of_view_keep_the_scale():
    head = _head()
    rng = np.random.default_rng(4)
    off = 0
    for _ in range(40):
        z, y, x = (int(rng.integers(0, n - m + 1)) for n, m in zip(head.shape, (40, 60, 60), strict=True))
        part = head[z : z + 40, y : y + 60, x : x + 60]
        if np.mean(part > 500) < 0.02:
            continue  # no jaw in it: nobody plans there
        levels = calibrate_grey(_volume(part + rng.normal(0, 60, part.shape)))
        off += not (abs(levels.soft_tissue) < 130 and 700 < levels.bone < 1700)
    assert off <= 1


def test_padding_outside_the_field_of_view_is_no_tissue():
    head = _head().copy()
    rows, columns = np.mgrid[: head.shape[1], : head.shape[2]]
    head[:, np.hypot(rows - 75, columns - 98) > 74] = -2000
    levels = calibrate_grey(_volume(head))
    assert -1050 < levels.air < -850  # never -2000, the padding
    assert levels.soft_tissue == pytest.approx(50, abs=60)


def test_noise_is_measured():
    rng = np.random.default_rng(1)
    values = np.zeros((30, 80, 80))
    values[:, 20:60, 20:60] = 1000
    values[:, 30:45, 30:45] = 2300
    levels = calibrate_grey(_volume(values + rng.normal(0, 45, values.shape)))
    assert levels.noise_sd == pytest.approx(45, rel=0.1)


def test_a_scan_of_one_value_is_refused():
    with pytest.raises(PlannerError, match="same grey value"):
        calibrate_grey(_volume(np.full((4, 20, 20), 7)))
