"""What is shown, measured and printed of the bone is what stays: with sockets and after the planned cut."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import trimesh
from pytestqt.qtbot import QtBot

from app import drawn, pictures
from app.actions.arch import measured_cut
from app.picture_canvas import BONE
from planner_core.anatomy.marked import BoneCut, MarkedTooth, ToothState
from planner_core.case import derived, edits
from planner_core.case.plan import Plan
from planner_core.geometry.surface import Surface
from tests.app.conftest import settle
from tests.app.small_case import full_plan

CUT_MM = 3.0


def with_tooth(plan: Plan, state: ToothState) -> Plan:
    """Give the plan with a round tooth of 5 mm diameter and 12 mm of root under the platform of 36."""
    pose = plan.fixtures["36"].pose
    middle = np.array([*pose.platform_lps_mm[:2], 0.0])
    mesh = trimesh.creation.cylinder(2.5, 20.0, sections=48)
    mesh.apply_translation(middle - np.array([0.0, 0.0, 2.0]))
    for _ in range(3):
        mesh = mesh.subdivide()
    surface = Surface(np.asarray(mesh.vertices), np.asarray(mesh.faces, np.int32))
    neck, tip, apex = middle, middle + np.array([0.0, 0, 8]), middle - np.array([0.0, 0, 12])
    tooth = MarkedTooth("36", surface, [0, 0, -1], neck, tip, apex, 0.2, 0.3, [neck], state=state)
    return edits.mark_tooth(plan, tooth)


def lowered(plan: Plan) -> Plan:
    top = float(plan.bone.bone.surface.points_mm[:, 2].max())
    return edits.plan_bone_cut(plan, BoneCut([0.0, 0.0, top - CUT_MM], [0.0, 0.0, 1.0]))


def bone_picture(plan: Plan) -> np.ndarray:
    picture = pictures.as_array(pictures.sheet_pictures(plan)["36:across"]).astype(int)
    return np.asarray(np.abs(picture - BONE).max(axis=2) < 40)


def test_sections_and_3d_view_show_the_bone_that_stays(open_plan: Callable[..., Any], qtbot: QtBot) -> None:
    plan = with_tooth(full_plan(), ToothState.SOUND)
    window = open_plan(plan)
    workspace = window.workspace

    def shown() -> np.ndarray:
        drawn.bone_mesh(workspace)
        settle(window, qtbot, 90_000)
        mesh = drawn.bone_mesh(workspace)
        assert mesh is not None
        return np.asarray(mesh.points_lps_mm)

    assert len(shown()) == len(plan.bone.bone.surface.points_mm)
    workspace.session.apply("Out", edits.set_tooth_state, "36", ToothState.TO_EXTRACT)
    socket = shown()
    middle = plan.fixtures["36"].pose.platform_lps_mm[:2]
    radius = np.hypot(*(socket[:, :2] - middle).T)
    assert ((np.abs(radius - 2.7) < 0.1) & (socket[:, 2] < -4.0) & (socket[:, 2] > -11.0)).sum() > 50
    before = socket[:, 2].max()
    cut = lowered(workspace.plan).bone_cut
    step = workspace.session.begin("Move")
    step.show(edits.plan_bone_cut(workspace.plan, cut))
    dragged = drawn.bone_mesh(workspace)
    assert dragged is not None
    assert dragged.points_lps_mm[:, 2].max() == before, "while the plane is dragged the bone stays"
    step.commit()
    assert shown()[:, 2].max() == pytest.approx(before - CUT_MM, abs=1e-6)


def test_the_sheets_pictures_and_depths_are_those_after_the_cut() -> None:
    plan = with_tooth(full_plan(), ToothState.SOUND)
    whole, less = bone_picture(plan), bone_picture(lowered(plan))
    # Beside the fixture and its words only the crest's line runs down there.
    rows = [int(np.flatnonzero(picture[100:, 200])[0]) for picture in (whole, less)]
    assert rows[1] > rows[0] + 10, "the crest's line lies lower in the picture"
    out = bone_picture(edits.set_tooth_state(plan, "36", ToothState.TO_EXTRACT))
    # The socket's wall towards the cheek stands 2.7 mm beside the axis, at 20 pixels a mm; the root is 12 mm long.
    assert not whole[310:440, 430:438].any()
    assert out[310:440, 430:438].any(axis=1).mean() > 0.5


def test_what_a_cut_takes_off_has_no_bone_in_the_sockets() -> None:
    plan = lowered(with_tooth(full_plan(), ToothState.SOUND))
    whole = measured_cut(plan).reduction.volume_mm3
    out = edits.set_tooth_state(plan, "36", ToothState.TO_EXTRACT)
    assert derived.bone_with_sockets(out) is not plan.bone.bone
    less = measured_cut(out).reduction.volume_mm3
    # The socket is 2.5 to 3.1 mm in radius (root and ligament below, rim of the crown above) over the cut's 3 mm.
    assert np.pi * 2.5**2 * CUT_MM < whole - less < np.pi * 3.3**2 * CUT_MM
