"""What is marked is kept in the case as it was, can be stale, and stands in the way with its margin."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from attrs import evolve

from planner_core.anatomy.marked import (
    AnteriorLoop,
    BoneCut,
    Cavity,
    CavityKind,
    DrawnKind,
    DrawnStructure,
    Foramen,
    MarkedTooth,
    RootForm,
    ToothState,
)
from planner_core.anatomy.measure import MeasureKind, measure
from planner_core.anatomy.structures import Side
from planner_core.case import edits
from planner_core.case.blobs import BlobFolder
from planner_core.case.codec import plan_from_json, plan_to_json
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError
from planner_core.geometry.surface import Surface
from planner_core.planning.harm import HARM_LIMITS
from planner_core.planning.margins import margin_for
from planner_core.planning.obstacles import ObstacleKind, Revolution, Tube, obstacles_of

CORNERS = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0], [0, 0, 4]])
BODY = Surface(CORNERS, np.array([[0, 2, 1], [0, 1, 3], [0, 3, 2], [1, 2, 3]]))


def tooth(site: str = "35", state: ToothState = ToothState.SOUND) -> MarkedTooth:
    form = RootForm(0.9, 4.0, 1)
    ends = ([0.0, 0, 10], [0.0, 0, 18], [0.0, 0, -5])
    return MarkedTooth(site, BODY, [0, 0, -1], *ends, 0.15, 0.4, [[0.0, 0, 12]], form=form, state=state)


def tube(kind: DrawnKind, name: str = "tube") -> DrawnStructure:
    points = np.array([[0.0, 0, 0], [0, 0, -5], [0, 0, -10]])
    return DrawnStructure(name, kind, points, [1.2, 1.0, 0.8], [0.3, 0.3, 0.4], [True, True, False])


def everything() -> Plan:
    foramen = Foramen([1.0, 2, 3], 0.4, [[0.0, 0, 0], [1, 2, 3]], True, AnteriorLoop(1.2, 0.3, True, 3.2, "seen"))
    sinus = Cavity(CavityKind.SINUS, BODY, 12.0, 0.2, np.zeros((0, 3)), [1.0, 1, 1], Side.LEFT)
    plan = edits.mark_tooth(Plan(), tooth())
    plan = edits.mark_foramen(plan, Side.LEFT, foramen)
    plan = edits.mark_cavity(plan, sinus)
    plan = edits.draw_structure(plan, tube(DrawnKind.INCISIVE_CANAL, "incisive canal, left"))
    plan = edits.draw_structure(plan, DrawnStructure("cyst", DrawnKind.LESION, surface=BODY))
    plan = edits.keep_measurement(plan, measure(MeasureKind.DISTANCE, [[0, 0, 0], [0, 3, 4]]))
    return edits.plan_bone_cut(plan, BoneCut([0.0, 0, 5], [0, 0, 1]))


def test_all_of_it_is_kept_in_a_case(tmp_path: Path) -> None:
    plan = everything()
    blobs = BlobFolder(tmp_path)
    text = plan_to_json(plan, blobs)
    back = plan_from_json(json.loads(text), blobs)
    assert plan_to_json(back, blobs) == text
    assert back.teeth["35"].form == plan.teeth["35"].form
    assert back.foramina["left"].loop == plan.foramina["left"].loop
    assert back.cavities["sinus left"].name == "sinus floor, left"
    assert back.drawn["cyst"].surface is not None
    assert back.drawn["incisive canal, left"].certain.tolist() == [True, True, False]
    assert back.measurements["1"].text == plan.measurements["1"].text
    assert back.bone_cut is not None
    assert np.allclose(back.bone_cut.normal_lps, [0, 0, 1])


def test_what_was_marked_can_be_changed_and_taken_away() -> None:
    plan = everything()
    plan = edits.set_tooth_state(plan, "35", ToothState.TO_EXTRACT)
    assert plan.teeth["35"].state is ToothState.TO_EXTRACT
    plan = edits.change_measurement(plan, "1", "width", on_sheet=True)
    assert (plan.measurements["1"].label, plan.measurements["1"].on_sheet) == ("width", True)
    plan = edits.keep_measurement(plan, measure(MeasureKind.DISTANCE, [[0, 0, 0], [0, 0, 1]]))
    assert list(plan.measurements) == ["1", "2"]
    plan = edits.remove_tooth(plan, "35")
    plan = edits.remove_foramen(plan, Side.LEFT)
    plan = edits.remove_cavity(plan, "sinus left")
    plan = edits.remove_structure(edits.remove_structure(plan, "cyst"), "incisive canal, left")
    plan = edits.remove_measurement(edits.remove_measurement(plan, "1"), "2")
    plan = edits.plan_bone_cut(plan, None)
    assert plan.made_on == {}
    for remove in (edits.remove_tooth, edits.remove_cavity, edits.remove_structure, edits.remove_measurement):
        with pytest.raises(PlannerError):
            remove(plan, "35")


def test_each_kind_stands_in_the_way_with_a_margin_and_a_limit() -> None:
    plan = everything()
    parts = {"foramina": plan.foramina, "teeth": plan.teeth, "cavities": plan.cavities, "drawn": plan.drawn}
    kinds = {o.name: o.kind for o in obstacles_of(**parts)}
    assert kinds == {
        # Its loop was traced, so it is an end of the canal and needs no room for an unseen one.
        "mental foramen, left": ObstacleKind.CANAL,
        "root 35": ObstacleKind.ROOT,
        "sinus floor, left": ObstacleKind.SINUS_FLOOR,
        "incisive canal, left": ObstacleKind.INCISIVE_CANAL,
        "cyst": ObstacleKind.LESION,
    }
    for kind in ObstacleKind:
        assert margin_for(kind).value_mm >= 1.0
        assert margin_for(kind).source
        assert kind in HARM_LIMITS or kind is ObstacleKind.FIXTURE
    # Rank with the nerve (issue of the anatomy step; common practice, no source).
    for kind in (ObstacleKind.FLOOR_VESSEL, ObstacleKind.LINGUAL_CONCAVITY):
        assert HARM_LIMITS[kind] == HARM_LIMITS[ObstacleKind.CANAL]


def test_a_tooth_to_be_extracted_is_no_obstacle_an_airway_neither() -> None:
    airway = Cavity(CavityKind.AIRWAY, BODY, 12.0, 0.2, np.zeros((0, 3)), [1.0, 1, 1])
    assert not obstacles_of(teeth={"35": tooth(state=ToothState.TO_EXTRACT)}, cavities={"airway": airway})
    impacted = obstacles_of(teeth={"38": tooth("38", ToothState.IMPACTED)})
    assert [o.kind for o in impacted] == [ObstacleKind.IMPACTED_TOOTH]
    assert not any(state.carries_guide for state in ToothState if state is not ToothState.SOUND)


def test_a_course_that_was_not_seen_is_known_less_well_and_an_old_fixture_is_a_body() -> None:
    vessel = obstacles_of(drawn={"v": tube(DrawnKind.FLOOR_VESSEL)})[0]
    assert isinstance(vessel.geometry, Tube)
    assert np.allclose(vessel.geometry.radius_mm, [0.6, 0.5, 0.4])
    assert vessel.sigma_at(np.array([0.0, 0, 0])) == 0.3
    assert vessel.sigma_at(np.array([0.0, 0, -10])) == 1.0
    old = obstacles_of(drawn={"f": tube(DrawnKind.EXISTING_FIXTURE)})[0]
    assert isinstance(old.geometry, Revolution)
    assert old.kind is ObstacleKind.FIXTURE
    assert np.allclose(old.geometry.profile_mm, [[0, 0.6], [5, 0.5], [10, 0.4]])


def test_drawings_that_cannot_stand_are_refused() -> None:
    with pytest.raises(PlannerError):
        DrawnStructure("v", DrawnKind.FLOOR_VESSEL, [[0.0, 0, 0]], [1.0], [0.1], [True])
    with pytest.raises(PlannerError):
        DrawnStructure("v", DrawnKind.FLOOR_VESSEL, np.zeros((2, 3)), [1.0], [0.1, 0.1], [True, True])
    with pytest.raises(PlannerError):
        DrawnStructure("cyst", DrawnKind.LESION)
    with pytest.raises(PlannerError):
        edits.draw_structure(Plan(), evolve(tube(DrawnKind.OTHER), name=" "))
    with pytest.raises(PlannerError):
        edits.mark_tooth(Plan(), evolve(tooth(), site="51"))
