"""The advice follows how a restoration is held; markers go where they will show."""

from __future__ import annotations

import numpy as np
import pytest
from attrs import evolve

from planner_core.geometry.volume import Volume
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.grey_scale import GreyLevels
from planner_core.imaging.reduction import LABEL, reduced_view
from planner_core.imaging.rescan import LEAST_MARKERS, Retention, advice_of, rescan_order
from planner_core.imaging.scan_check import ScanCheck
from planner_core.imaging.scan_check_json import scan_check_json

AFFINE = np.array([[0.0, 0.0, 1.0, -40.0], [0.0, 1.0, 0.0, -40.0], [1.0, 0.0, 0.0, -20.0], [0.0, 0.0, 0.0, 1.0]])
GREY = GreyLevels(-1000.0, 0.0, 1000.0, 20.0, -1000.0, 3000.0)
ARCH = np.stack(
    [30 * np.sin(np.linspace(-1.5, 1.5, 60)), -30 * np.cos(np.linspace(-1.5, 1.5, 60)), np.zeros(60)], 1
)


@pytest.fixture
def check() -> ScanCheck:
    """A crown in front on the left that ruins 12 mm around it."""
    body = Restoration([15.0, -26.0, 0.0], 300.0, [9.0, 9.0, 8.0], True, "zirconia", 0.6)
    z, y, x = np.mgrid[:40, :80, :80]
    away = np.sqrt((x - 40 - 15) ** 2 + (y - 40 + 26) ** 2 + (z - 20) ** 2)
    level = Volume(np.rint(1000 * np.clip(1.6 - away / 10.0, 0, 1)).astype(np.int16), AFFINE, scale=1e-3)
    added = Volume(np.where(away < 12, -300, 0).astype(np.int16), AFFINE)
    return ScanCheck((body,), np.zeros(40), ((14, 26),), level, GREY, (40, 80, 80), AFFINE, (), added)


@pytest.fixture
def scan() -> Volume:
    return Volume(np.zeros((40, 80, 80), np.int16), AFFINE)


SITES = {"33": [17.0, -24.0, -4.0], "46": [-28.0, -5.0, -4.0]}


def test_only_the_ruined_site_gets_advice_and_it_follows_the_retention(check: ScanCheck):
    texts = {}
    for retention in Retention:
        (advice,) = advice_of(check, SITES, {0: retention})
        assert advice.sites == ("33",)
        texts[retention] = advice.text
    assert "plastic duplicate" in texts[Retention.SCREW]
    assert "five or more markers" in texts[Retention.CEMENT]
    assert "clean teeth" in texts[Retention.TOOTH]
    assert len(set(texts.values())) == len(Retention)


def test_a_root_filling_is_in_a_tooth_without_a_note(check: ScanCheck):
    (body,) = check.restorations
    filled = evolve(check, restorations=(evolve(body, kind="post or root filling"),))
    (advice,) = advice_of(filled, SITES)
    assert advice.text == advice_of(filled, SITES, {0: Retention.TOOTH})[0].text
    assert advice_of(check, SITES)[0].text == advice_of(check, SITES, {0: Retention.UNKNOWN})[0].text


def test_markers_are_enough_off_the_body_and_not_in_one_plane(check: ScanCheck, scan: Volume):
    order = rescan_order(check, scan, SITES, ARCH, {0: Retention.CEMENT})
    places = np.array([marker.place_lps_mm for marker in order.markers])
    assert len(places) >= LEAST_MARKERS
    assert np.linalg.svd(places - places.mean(axis=0))[1][2] > 2.0
    assert np.linalg.norm(places - check.restorations[0].centre_lps_mm, axis=1).min() > 6.0
    assert max(marker.level for marker in order.markers) < 0.35
    assert {"left", "right"} <= {marker.words.split(",")[0] for marker in order.markers}
    assert order.reasons[0].startswith("33:")
    assert any("cotton rolls" in step for step in order.steps)
    assert order.field_of_view_mm == pytest.approx([80.0, 80.0, 40.0])


def test_the_reduced_view_is_marked_and_changes_only_what_is_ruined(check: ScanCheck, scan: Volume):
    view = reduced_view(scan, check)
    assert view.label == LABEL
    assert LABEL.startswith("ALTERED")
    changed = view.volume.stored != 0
    level = check.degradation
    assert level is not None
    assert changed.any()
    assert not changed[level < 0.001].any()
    assert view.volume.stored.max() <= 300


def test_json_has_one_score_per_slice_and_plain_numbers(check: ScanCheck, scan: Volume):
    import json

    data = json.loads(json.dumps(scan_check_json(check, scan, SITES)))
    assert len(data["slice_scores"]) == 40
    assert data["degraded_slices"] == [[14, 26]]
    assert data["restorations"][0]["kind"] == "zirconia"
    assert data["sites"]["46"]["readable"] is True
    assert data["sites"]["33"]["readable"] is False
