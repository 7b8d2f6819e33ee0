"""The roads of the match through the real window on the shipped samples: markers, surface, dual scan."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from app.view_state import Step
from planner_core.case import derived
from planner_core.case.derived.roads import known_roads
from tests.journeys.test_window_journey import SAMPLE, Clinician, clinician, import_scan
from tests.journeys.user import LEFT

__all__ = ["clinician"]

DUAL = SAMPLE.parent / "dual_scan"


def off_at_sites(user: Clinician, truth: np.ndarray) -> list[tuple[float, float]]:
    """Give (true error, stated 95 %) of the match in use at the sample's sites, mm."""
    match = user.plan.match.match
    out = []
    for site in user.truth["sites"]:
        point = np.append(site["platform_lps_mm"], 1.0)
        off = (match.lps_from_surface.matrix @ np.linalg.inv(truth) @ point - point)[:3]
        out.append((float(np.linalg.norm(off)), match.expected_p95_mm(point[:3])))
    return out


def matched_by(user: Clinician, road: str, name: str) -> None:
    """Choose a road, press its one button, wait for the match."""
    before = user.plan.match
    user.choose_road(road)
    user.push(Step.MATCH, name)
    user.wait(lambda: user.plan.match is not before, 120.0)
    user.settle()


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_markers_then_the_surface_then_both_in_a_streaked_mouth(clinician: Clinician) -> None:
    user = clinician
    import_scan(user)
    user.wait(lambda: user.window.workspace.numbers.scan_check is not None, 120.0)
    panel = user.ask(Step.MATCH)
    user.push(Step.MATCH, "open-surface")
    user.wait(lambda: bool(user.plan.surfaces))
    user.wait(lambda: known_roads(user.plan) is not None, 120.0)
    user.settle()
    roads = known_roads(user.plan)
    assert roads is not None
    assert roads.stand_ins, "before any fixture, and before any work"
    assert roads.table.advised is not None
    truth = np.array(user.truth["volume_from_surface"])

    matched_by(user, "Markers", "find-markers")
    assert derived.match_state(user.plan) == "in use"
    assert all(off < max(0.2, stated) for off, stated in off_at_sites(user, truth))
    block = panel.blocks["markers"]
    states = [block.table.item(r, 1).text() for r in range(block.table.rowCount())]
    assert states.count("used") >= 5

    block.table.selectRow(states.index("used"))
    user.qtbot.mouseClick(block.cross, LEFT)
    assert derived.match_state(user.plan) == "stale"
    user.push(Step.MATCH, "match-markers")
    user.wait(lambda: derived.match_state(user.plan) == "in use")
    user.settle()
    assert all(off < max(0.25, stated) for off, stated in off_at_sites(user, truth))
    while user.window.workspace.session.undo_label != "Open surface scan":
        user.window.undo()
    assert user.plan.match is None
    assert not user.plan.markers
    user.settle()

    matched_by(user, "Surface of the teeth", "match-surface")
    assert derived.match_state(user.plan) == "in use", user.plan.match.match.reasons
    assert all(off < max(0.3, stated) for off, stated in off_at_sites(user, truth))
    matched_by(user, "Markers and surface", "match-combined")
    assert all(off < max(0.2, stated) for off, stated in off_at_sites(user, truth))
    assert user.problems == []


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_a_dual_scan_brings_the_prosthesis_into_the_patient(clinician: Clinician, tmp_path: Path) -> None:
    user = clinician
    import json

    user.truth = json.loads((DUAL / "truth.json").read_text(encoding="utf-8"))
    user.window.case.dialogs.answers["folder"] = DUAL / "dicom_patient"
    import_scan(user)
    user.wait(lambda: user.window.workspace.numbers.scan_check is not None, 120.0)
    panel = user.ask(Step.MATCH)
    user.settle()
    user.choose_road("Dual scan")
    user.window.case.dialogs.answers["folder"] = DUAL / "dicom_prosthesis"
    user.push(Step.MATCH, "open-second")
    user.wait(lambda: user.plan.second_scan is not None)
    user.settle()
    user.push(Step.MATCH, "match-dual")
    user.wait(lambda: user.plan.match is not None, 120.0)
    user.settle()
    assert derived.match_state(user.plan) == "in use"
    truth = np.array(user.truth["patient_from_prosthesis"])
    assert all(off < max(0.2, stated) for off, stated in off_at_sites(user, truth))
    texts: Any = " ".join(finding.text for finding in user.plan.match.match.findings)
    assert "no air seen" in texts or "Air lies" in texts
    panel.refresh()
    assert "8 in the prosthesis" in _text(panel.blocks["dual scan"])
    user.push(Step.MATCH, "drop-second")
    assert user.plan.second_scan is None
    assert user.problems == []


def _text(widget: Any) -> str:
    from tests.app.test_panels import text_of

    return text_of(widget)
