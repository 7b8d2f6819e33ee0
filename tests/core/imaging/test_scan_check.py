"""Dense bodies and what they spoil are found, and places far from them are not blamed."""

from __future__ import annotations

import nibabel
import numpy as np
import pytest

from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.scan_check import ScanCheck, check_scan
from planner_core.imaging.scatter_estimate import no_enamel
from tests.shared_data import shared_data

# Slices go up the patient, rows to the back, columns to the left.
AFFINE = np.array([[0.0, 0.0, 0.5, 0.0], [0.0, 0.5, 0.0, 0.0], [0.5, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 1.0]])


def _upright(slice_mm: float, pixel_mm: float) -> np.ndarray:
    affine = np.zeros((4, 4))
    affine[2, 0], affine[1, 1], affine[0, 2], affine[3, 3] = slice_mm, pixel_mm, pixel_mm, 1.0
    return affine


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
        fan = 500.0 * np.sin(8.0 * angle) * np.exp(-np.hypot(rows, columns - 41) / 40.0)
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
    assert body.centre_lps_mm == pytest.approx([120.5 * 0.5, 79.5 * 0.5, 24.5 * 0.5], abs=0.3)
    assert body.extent_mm == pytest.approx([7.0, 8.0, 5.0], abs=0.6)


def test_slices_of_the_body_score_higher_than_the_others(check: ScanCheck):
    """Painted streaks are no physics, so only the order counts here; amounts are tested on the shipped sample."""
    assert check.slice_scores[20:30].min() > check.slice_scores[:14].max()
    assert check.slice_scores[:10].max() < 0.01
    assert check.slice_scores[45:].max() < 0.01
    assert check.slice_scores.max() <= 1.0


def test_a_clump_of_enamel_is_no_restoration_however_large():
    """Teeth in contact join their caps.

    On simulated mouths (seeds 556001, 556002, 555) clumps of 227 and 301 mm3 had chances of 0.00 and 0.05, crowns
    of 333 mm3 and more 0.45 and more.
    """

    def body(volume_mm3: float) -> Restoration:
        return Restoration(np.zeros(3), volume_mm3, np.full(3, 8.0), True, "zirconia", 0.5)

    clump, crown, cap, filling = body(300.0), body(339.0), body(50.0), body(96.0)
    assert no_enamel((clump, crown, cap, filling), (0.05, 0.45, 0.45, 0.79)) == (crown, filling)


def test_sites_are_judged(check: ScanCheck):
    beside = check.readable_at([57.0, 40.0, 12.0], radius_mm=2.0)
    assert not beside.readable
    assert "dense body" in beside.why
    assert check.readable_at([60.0, 40.0, 26.0]).readable
    assert check.readable_at([20.0, 40.0, 12.0]).level < beside.level


def test_the_map_has_the_scans_shape_and_agrees_with_points(check: ScanCheck):
    full = check.degradation
    assert full is not None
    assert full.shape == (60, 160, 160)
    assert float(full.min()) >= 0.0
    assert float(full.max()) <= 1.0
    index = np.array([[24, 80, 100], [5, 30, 30], [30, 60, 90]])
    assert check.level_at(index[:, ::-1] * 0.5) == pytest.approx([float(full[tuple(i)]) for i in index], abs=0.01)


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
    check = check_scan(Volume(np.ascontiguousarray(head), _upright(1.5, 0.8)))
    assert check.degraded_slices == ()
    assert sum(body.volume_mm3 for body in check.restorations) < 100.0


def _metal_slice(name: str) -> ScanCheck:
    values = np.fromfile(shared_data(f"dental_metal_slices/{name}.raw"), "<f4").reshape(1, 512, 512)
    return check_scan(Volume(values.astype(np.int16).repeat(3, axis=0), _upright(1.0, 0.45)))


@pytest.mark.slow
@pytest.mark.parametrize(("name", "sites"), [("08", 1), ("10", 2), ("18", 1), ("20", 2)])
def test_metal_of_real_slices_is_found_on_one_side_or_both(name: str, sites: int):
    """data/dental_metal_slices/SOURCE.txt: the same slice with metal on one side, and on both."""
    check = _metal_slice(name)
    assert len(check.restorations) == sites
    sides = {bool(body.centre_lps_mm[0] > 115.0) for body in check.restorations}
    assert len(sides) == sites
    assert check.slice_scores.min() > 0.0


@pytest.mark.slow
def test_a_real_slice_without_teeth_has_no_ruined_jaw():
    assert _metal_slice("01").degraded_slices == ()


@pytest.mark.slow
def test_slices_with_more_metal_score_higher():
    """Slices 08 and 10, and 18 and 20, are the same anatomy with metal on one side and on both."""
    scores = {name: float(_metal_slice(name).slice_scores.mean()) for name in ("08", "10", "18", "20")}
    assert scores["08"] < scores["10"]
    assert scores["18"] < scores["20"]
