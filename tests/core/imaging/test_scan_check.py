"""Dense bodies and what they spoil are found, and places far from them are not blamed."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest

from planner_core.geometry.volume import Volume
from planner_core.imaging.scan_check import ScanCheck, check_scan
from tests.shared_data import shared_data

AFFINE = np.diag([0.5, 0.5, 0.5, 1.0])


def _mouth(metal: bool, gain: float = 1.0, offset: float = 0.0) -> Volume:
    """A round head of soft tissue with a bone ring, and, if wanted, one dense block with streaks in its slices."""
    rng = np.random.default_rng(3)
    rows, columns = np.mgrid[:160, :160] - 80
    radius = np.hypot(rows, columns)
    plane = np.where(radius < 70, 1000.0, 0.0) + np.where(np.abs(radius - 40) < 5, 1200.0, 0.0)
    grey = np.repeat(plane[np.newaxis], 60, axis=0)
    if metal:
        grey[20:30, 72:88, 114:128] = 9000.0
        angle = np.arctan2(rows, columns - 41)
        fan = 500.0 * np.sin(24.0 * angle) * np.exp(-np.hypot(rows, columns - 41) / 40.0)
        grey[20:30] += np.where(radius < 70, fan, 0.0)
    grey += rng.normal(0.0, 40.0, grey.shape)
    grey = np.clip(grey, -1000.0, 4095.0)
    return Volume(np.rint(grey * gain + offset).astype(np.int16), AFFINE)


@pytest.fixture(scope="module")
def check() -> ScanCheck:
    return check_scan(_mouth(metal=True))


def test_the_dense_body_is_measured(check: ScanCheck):
    assert len(check.restorations) == 1
    body = check.restorations[0]
    assert body.saturated
    assert body.volume_mm3 == pytest.approx(10 * 16 * 14 * 0.125, rel=0.03)
    assert body.centre_lps_mm == pytest.approx([24.5 * 0.5, 79.5 * 0.5, 120.5 * 0.5], abs=0.3)
    assert body.extent_mm == pytest.approx([5.0, 8.0, 7.0], abs=0.6)


def test_degraded_slices_are_those_of_the_body_and_their_neighbours(check: ScanCheck):
    (first, last), *rest = check.degraded_slices
    assert not rest
    assert 16 <= first <= 20
    assert 29 <= last <= 33
    assert check.slice_scores[:10].max() < 0.05
    assert f"Slices {first + 1} to {last + 1} of 60" in check.findings[0].text


def test_sites_are_judged(check: ScanCheck):
    beside = check.readable_at([12.0, 40.0, 52.0])
    assert not beside.readable
    assert "dense body" in beside.why
    assert check.readable_at([26.0, 40.0, 60.0]).readable
    assert check.readable_at([12.0, 40.0, 20.0]).level < beside.level


def test_the_map_has_the_scans_shape_and_agrees_with_points(check: ScanCheck):
    full = check.degradation
    assert full is not None
    assert full.shape == (60, 160, 160)
    assert float(full.min()) >= 0.0
    assert float(full.max()) <= 1.0
    index = np.array([[24, 80, 100], [5, 30, 30], [30, 60, 90]])
    assert check.level_at(index * 0.5) == pytest.approx([float(full[tuple(i)]) for i in index], abs=0.01)


@pytest.mark.parametrize(("gain", "offset"), [(0.5, -300.0), (2.0, 1200.0)])
def test_gain_and_offset_change_nothing(check: ScanCheck, gain: float, offset: float):
    other = check_scan(_mouth(metal=True, gain=gain, offset=offset))
    assert len(other.restorations) == 1
    assert other.slice_scores == pytest.approx(check.slice_scores, abs=0.03)


def test_a_scan_without_restorations_is_not_blamed():
    check = check_scan(_mouth(metal=False))
    assert check.restorations == ()
    assert check.degraded_slices == ()
    assert check.degradation is None
    assert check.readable_at([12.0, 40.0, 40.0]).readable


def test_a_head_without_metal_has_no_degraded_slices():
    """Its enamel saturates in 177 voxels and there is no clear metal (data/headct_jaws/SOURCE.txt)."""
    image = nibabel.load(shared_data("headct_jaws/jaws_crop.nii.gz"))
    head = np.asarray(image.dataobj).astype(np.int16).transpose(2, 1, 0)
    check = check_scan(Volume(np.ascontiguousarray(head), np.diag([1.5, 0.8, 0.8, 1.0])))
    assert check.degraded_slices == ()
    assert sum(body.volume_mm3 for body in check.restorations) < 100.0


def test_slices_with_more_metal_score_higher():
    """Slices 08 and 10 of data/dental_metal_slices are the same anatomy with 85 and 160 metal pixels."""
    scores = []
    for name in ("08", "10"):
        values = np.fromfile(shared_data(f"dental_metal_slices/{name}.raw"), "<f4").reshape(1, 512, 512)
        volume = Volume(values.astype(np.int16).repeat(3, axis=0), np.diag([1.0, 0.45, 0.45, 1.0]))
        scores.append(float(check_scan(volume).slice_scores.mean()))
    assert scores[0] < scores[1]
