"""Whole simulated scans: repeatable, streaked where they should be, clean where not, and faults that show."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from phantoms.physics.acquisition import Acquisition, coarse, geometry_of
from phantoms.scenes import random_mouth
from phantoms.simulate import AIR_GREY, TWELVE_BITS, simulate, slice_scores
from planner_core.errors import Cancelled, PlannerError
from planner_core.geometry.frames import RigidTransform, rotation_about

SMALL = coarse(voxel_mm=0.8, shape=(44, 96, 96), views=90)


@pytest.fixture(scope="module")
def ceramic():
    return simulate(random_mouth(21, restorations="ceramic"), SMALL, 1, with_truth=True)


@pytest.fixture(scope="module")
def natural_scene():
    return random_mouth(21, restorations="none")


@pytest.fixture(scope="module")
def natural(natural_scene):
    return simulate(natural_scene, SMALL, 1, with_truth=True)


def test_equal_seeds_give_equal_scans(natural_scene, natural) -> None:
    again = simulate(natural_scene, SMALL, 1)
    other = simulate(natural_scene, SMALL, 2)
    np.testing.assert_array_equal(again.volume.stored, natural.volume.stored)
    assert (other.volume.stored != natural.volume.stored).mean() > 0.5
    assert again.degraded is None


def test_ceramic_degrades_and_natural_teeth_do_not(ceramic, natural) -> None:
    assert natural.degraded.sum() == 0
    assert natural.slice_scores.max() == 0.0
    assert ceramic.slice_scores.max() > 0.15
    assert ceramic.degraded.shape == ceramic.volume.shape
    # Streaks lie at the height of the crowns, not through the lower border.
    assert ceramic.slice_scores[:8].max() < 0.02


def test_scores_are_shares_of_the_jaw_region(ceramic) -> None:
    np.testing.assert_allclose(ceramic.slice_scores, slice_scores(ceramic.degraded, ceramic.jaw_region))
    level = int(np.argmax(ceramic.slice_scores))
    hit = ceramic.degraded[level] & ceramic.jaw_region[level]
    assert ceramic.slice_scores[level] == pytest.approx(hit.sum() / ceramic.jaw_region[level].sum())
    np.testing.assert_array_equal(
        ceramic.degraded[ceramic.jaw_region], np.abs(ceramic.error[ceramic.jaw_region]) > np.float16(0.15)
    )


def test_share_near_a_place_counts_its_voxels(ceramic, natural) -> None:
    worst = np.argwhere(ceramic.degraded & ceramic.jaw_region)
    place = ceramic.volume.to_lps(worst[len(worst) // 2])
    assert ceramic.degraded_share_near(place, 0.1) == 1.0
    assert natural.degraded_share_near(place, 3.0) == 0.0
    chin = ceramic.volume.to_lps([4, 30, 48])
    assert ceramic.degraded_share_near(chin, 3.0) < 0.05


def test_bone_reads_brighter_than_soft_tissue_and_air_darker(natural) -> None:
    grey = natural.volume.stored
    truth = natural.truth
    index = np.indices((4, 40, 40)).reshape(3, -1).T + np.array([20, 8, 28])
    depth = truth.bone_distance_mm(natural.volume.to_lps(index))
    bone = grey[tuple(index[(depth < -0.4) & (depth > -1.6)].T)]
    soft = grey[tuple(index[(depth > 3.0) & (depth < 5.0)].T)]
    assert len(bone) > 50
    assert np.median(bone) > np.median(soft) + 300
    assert grey.min() >= AIR_GREY
    assert grey.max() <= AIR_GREY + TWELVE_BITS


def test_gain_and_offset_move_the_grey_scale(natural_scene, natural) -> None:
    moved = simulate(natural_scene, evolve(SMALL, grey_gain=0.5, grey_offset=300.0), 1).volume.stored.astype(float)
    expected = 0.5 * natural.volume.stored + 300.0
    clipped = natural.volume.stored >= AIR_GREY + TWELVE_BITS
    assert float(np.abs(moved - expected)[~clipped].max()) <= 1.0


def test_a_lower_dose_is_noisier(natural_scene, natural) -> None:
    low = simulate(natural_scene, evolve(SMALL, photons=1500.0), 1).volume.stored
    tongue = (slice(10, 20), slice(50, 60), slice(42, 54))
    assert low[tongue].std() > 2.0 * natural.volume.stored[tongue].std()


def test_motion_doubles_contours_and_bad_columns_make_rings(natural_scene, natural) -> None:
    move = RigidTransform.from_parts(rotation_about((0, 0, 1), 0.05), (1.5, 0.0, 0.5), "lps", "lps")
    still = natural.volume.stored.astype(float)
    moved = simulate(natural_scene, evolve(SMALL, motion=move), 1).volume.stored.astype(float)
    edges = np.hypot(*np.gradient(still, axis=(1, 2))) > 250
    assert np.abs(moved - still)[edges].mean() > 3 * np.abs(moved - still)[~edges].mean()
    # Column shares off the middle draw a circle about the axis.
    ringed = simulate(natural_scene, evolve(SMALL, bad_columns=((0.62, 1.08),)), 1).volume.stored - still
    y, x = np.mgrid[:96, :96] - 47.5
    radius = np.hypot(x, y)
    profile = [np.abs(ringed[:, (radius >= r) & (radius < r + 1)].mean()) for r in range(44)]
    geometry = geometry_of(SMALL, np.zeros(3))
    offset = round(0.62 * (geometry.columns - 1)) - (geometry.columns - 1) / 2
    assert abs(int(np.argmax(profile)) + 0.5 - abs(offset)) < 2.5


def test_short_scans_agree_with_full_ones(natural_scene, natural) -> None:
    short = simulate(natural_scene, evolve(SMALL, short_scan=True), 1).volume.stored.astype(float)
    difference = short - natural.volume.stored
    assert abs(float(np.median(difference))) < 15.0
    assert np.corrcoef(short.ravel(), natural.volume.stored.ravel())[0, 1] > 0.97


def test_progress_can_cancel(natural_scene) -> None:
    def stop(fraction: float, text: str = "") -> None:
        if fraction > 0.2:
            raise Cancelled

    with pytest.raises(Cancelled):
        simulate(natural_scene, SMALL, 1, stop)


def test_impossible_settings_are_refused(natural_scene) -> None:
    with pytest.raises(PlannerError, match="cannot make a scan"):
        simulate(natural_scene, Acquisition(views=3), 1)
