"""Planned teeth from a wax-up and under the opposing teeth, in the window; clearances and proposals by command."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pytestqt.qtbot import QtBot

from app.cli import main
from app.questions import SurfaceAnswer
from planner_core.case import edits
from planner_core.case.case_file import CaseStore
from planner_core.case.plan import Plan, SurfaceRole
from planner_core.case.session import Session
from planner_core.geometry.surface import Surface
from planner_core.imaging.surface_files import write_stl
from planner_core.planning.crowns import PlannedTooth, average_station_mm, tooth_at
from tests.app.conftest import open_plan, settle, window
from tests.app.small_case import full_plan, lps_from_surface

__all__ = ["open_plan", "window"]


def wanted() -> PlannedTooth:
    """A tooth as a technician would wax it up: wider than the average one, and a little outwards."""
    arch = full_plan().arch
    usual = tooth_at(arch, "36", average_station_mm("36"))
    return usual.moved(0.6 * usual.facial_lps).resized(10.4, 9.6, 8.2)


def joined(*surfaces: Surface) -> Surface:
    """Several surfaces as one file."""
    starts = np.cumsum([0, *(len(s.points_mm) for s in surfaces)])[:-1]
    points = np.vstack([s.points_mm for s in surfaces])
    return Surface(points, np.vstack([s.triangles + k for s, k in zip(surfaces, starts, strict=True)]))


def own_frame(surface: Surface) -> Surface:
    """A surface as it was exported beside the matched scan."""
    return Surface(lps_from_surface().inverse().apply(surface.points_mm), surface.triangles, "own")


def test_a_tooth_is_taken_from_a_wax_up_that_shares_the_frame_of_the_matched_scan(
    open_plan: Callable[[Plan], Any], qtbot: QtBot, tmp_path: Path
) -> None:
    opened = open_plan(full_plan())
    crowns = opened.plan_actions.crowns
    arch = full_plan().arch
    far = [tooth_at(arch, site, average_station_mm(site)).surface() for site in ("44", "45", "46")]
    write_stl(tmp_path / "wax.stl", own_frame(joined(wanted().surface(), *far)))
    opened.case.dialogs.answers["file"] = tmp_path / "wax.stl"
    opened.case.add_surface(role=SurfaceRole.WAX_UP)
    qtbot.waitUntil(lambda: len(opened.workspace.plan.surfaces) == 2, timeout=150_000)
    said: list[str] = []
    crowns.take_from_surface("36", said.extend)
    taken = opened.workspace.plan.crowns["36"]
    assert taken.source == "imported surface"
    assert taken.mesiodistal_mm == pytest.approx(10.4, abs=0.3)
    assert taken.faciolingual_mm == pytest.approx(9.6, abs=0.3)
    assert taken.height_mm == pytest.approx(8.2, abs=0.3)
    assert taken.cervical_lps_mm == pytest.approx(wanted().cervical_lps_mm, abs=0.3)
    assert any("wax.stl" in text for text in said)
    settle(opened, qtbot, 150_000)


def test_a_tooth_that_is_alone_in_its_file_is_taken_in_the_unit_that_is_said(
    open_plan: Callable[[Plan], Any], qtbot: QtBot, tmp_path: Path
) -> None:
    """By its size alone it would be a mouth in centimetres, and it would be matched by itself."""
    opened = open_plan(full_plan())
    write_stl(tmp_path / "one.stl", own_frame(wanted().surface()))
    opened.case.dialogs.answers["file"] = tmp_path / "one.stl"
    answer = SurfaceAnswer("mm", SurfaceRole.WAX_UP, shares_frame=True)
    opened.case.dialogs.answers["confirm_surface"] = answer
    opened.case.add_surface(role=SurfaceRole.WAX_UP)
    qtbot.waitUntil(lambda: len(opened.workspace.plan.surfaces) == 2, timeout=150_000)
    opened.plan_actions.crowns.take_from_surface("36", lambda _: None)
    assert opened.workspace.plan.crowns["36"].height_mm == pytest.approx(8.2, abs=0.3)
    settle(opened, qtbot, 150_000)


def test_a_wax_up_without_a_match_is_kept_and_said_to_have_no_place(
    open_plan: Callable[[Plan], Any], qtbot: QtBot, tmp_path: Path
) -> None:
    opened = open_plan(edits.adopt_match(full_plan(), None))
    write_stl(tmp_path / "wax.stl", own_frame(joined(wanted().surface(), wanted().moved([40.0, 0, 0]).surface())))
    opened.case.dialogs.answers["file"] = tmp_path / "wax.stl"
    opened.case.add_surface(role=SurfaceRole.WAX_UP)
    qtbot.waitUntil(lambda: len(opened.workspace.plan.surfaces) == 2, timeout=150_000)
    assert not list(opened.workspace.plan.surfaces.values())[-1].same_frame_as
    assert any("no place in the scan" in message.text for message in opened.workspace.messages.history)
    settle(opened, qtbot, 150_000)


def test_a_tooth_is_fitted_under_the_opposing_teeth(
    open_plan: Callable[[Plan], Any], qtbot: QtBot, tmp_path: Path
) -> None:
    opened = open_plan(full_plan())
    crowns = opened.plan_actions.crowns
    tooth = wanted()
    height = 6.3
    middle = tooth.cervical_lps_mm + height * tooth.occlusal_lps
    corners = [middle + a * tooth.along_lps + b * tooth.facial_lps for a, b in ((-40, -40), (40, -40), (0, 60))]
    opposing = Surface(np.array(corners), np.array([[0, 1, 2]], np.int32))
    write_stl(tmp_path / "upper.stl", own_frame(opposing))
    opened.case.dialogs.answers["file"] = tmp_path / "upper.stl"
    opened.case.add_surface(role=SurfaceRole.OPPOSING)
    qtbot.waitUntil(lambda: len(opened.workspace.plan.surfaces) == 2, timeout=150_000)
    said: list[str] = []
    crowns.set_up(("36",), said.extend)
    qtbot.waitUntil(lambda: "36" in opened.workspace.plan.crowns, timeout=150_000)
    made = opened.workspace.plan.crowns["36"]
    top = float((made.middle_lps_mm - middle) @ tooth.occlusal_lps)
    assert top == pytest.approx(-0.05, abs=0.02), "a foil's thickness below the opposing teeth"
    assert any("opposing teeth" in text for text in said)
    settle(opened, qtbot, 150_000)


@pytest.fixture
def case(tmp_path: Path) -> Path:
    """A case on the disk with a planned tooth over one of its two fixtures."""
    folder = tmp_path / "case"
    plan = full_plan()
    station = plan.arch.station_of(plan.fixtures["36"].pose.platform_lps_mm)
    with CaseStore.create(folder, "test", Plan()) as store:
        session = Session(store=store)
        session.apply("Everything", lambda _: plan)
        session.apply("Plan tooth 36", edits.set_crown, tooth_at(plan.arch, "36", station))
    return folder


def run(capsys: Any, *argv: str) -> Any:
    code = main([*argv, "--json"])
    captured = capsys.readouterr()
    assert code == 0, captured.err
    return json.loads(captured.out)


def test_clearances_tell_margins_sources_plates_and_exit(case: Path, capsys: Any) -> None:
    found = run(capsys, "clearances", str(case))
    rows = [r for r in found["clearances"] if r["site"] == "36" and r["kind"] == "canal" and r["body"] == "fixture"]
    assert rows
    assert all(r["margin_is_convention"] for r in rows)
    assert all("Fokas" in r["margin_source"] for r in rows)
    beside = found["beside"]["36"]
    assert {p["side"] for p in beside["plates"]} == {"facial", "lingual"}
    assert beside["platform_below_crest_mm"] == pytest.approx(1.0, abs=0.05)
    assert beside["platform_below_planned_gingiva_mm"] == pytest.approx(4.0, abs=0.3)
    assert "Screw exit" in beside["screw_exit"]["text"]
    assert found["beside"]["46"]["screw_exit"] is None


def test_proposals_use_the_planned_tooth_and_are_the_same_twice(case: Path, capsys: Any) -> None:
    first = run(capsys, "propose", str(case), "--site", "36")
    again = run(capsys, "propose", str(case), "--site", "36")
    assert first == again
    assert first["tooth"] == "planned"
    assert 2 <= len(first["suggestions"]) <= 3
    assert all(s["gives_up"] for s in first["suggestions"])
    assert main(["propose", str(case), "--site", "75", "--json"]) == 2
    assert "ISO 3950" in capsys.readouterr().err
