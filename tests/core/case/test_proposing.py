"""A proposal says so when a tooth stands where the fixture would go."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from planner_core.anatomy.bone import bone_surface
from planner_core.anatomy.marked import MarkedTooth, ToothState
from planner_core.case import edits
from planner_core.case.derived import proposal_of, proposing, tooth_stands
from planner_core.case.plan import Plan, ScanInput
from planner_core.geometry.surface import Surface
from planner_core.geometry.volume import Volume
from planner_core.imaging.scan import ScanSource
from planner_core.planning.crowns import average_station_mm
from tests.core.anatomy.phantom_shapes import ENAMEL, LEVELS, jaw_bar

SITE = "33"


def plan_of(with_tooth: bool) -> Plan:
    """A straight piece of jaw; a crown as dense as enamel stands on it at the site, or not."""
    bar = jaw_bar(width_mm=9.0)
    grey = np.array(bar.volume.stored)
    if with_tooth:
        index = np.argwhere(np.ones(grey.shape, bool))
        place = bar.volume.to_lps(index)
        foot = bar.arch.point_at(average_station_mm(SITE))
        crown = np.hypot(place[:, 0] - foot[0], place[:, 1] - foot[1]) < 3.0
        crown &= (place[:, 2] > bar.crest_z - 2.0) & (place[:, 2] < bar.crest_z + 4.0)
        noise = np.random.default_rng(3).normal(0.0, 60.0, int(crown.sum()))
        grey[tuple(index[crown].T)] = np.round(ENAMEL + noise)
    volume = Volume(grey, bar.volume.lps_from_index, bar.volume.scale, bar.volume.offset)
    plan = edits.set_arch(edits.set_scan(Plan(), ScanInput(volume, ScanSource("nifti"))), bar.arch)
    return edits.adopt_bone(plan, bone_surface(bar.volume, levels=LEVELS))


def marked(state: ToothState) -> MarkedTooth:
    ball = trimesh.creation.icosphere(2, 3.0)
    ball.apply_translation((17.0, 0.0, 12.0))
    zero = np.array([17.0, 0.0, 9.0])
    surface = Surface(ball.vertices, ball.faces)
    down = np.array([0.0, 0.0, -1.0])
    return MarkedTooth(SITE, surface, down, zero, zero, zero + 12.0 * down, 0.2, 0.2, zero[None], state=state)


@pytest.fixture(autouse=True)
def _known_levels(monkeypatch: pytest.MonkeyPatch) -> None:
    """So small a piece of jaw holds too little compact bone to be calibrated on beside a crown."""
    monkeypatch.setattr(proposing, "levels_of", lambda _plan: LEVELS)


@pytest.mark.parametrize("with_tooth", [False, True])
def test_a_standing_tooth_is_named(with_tooth: bool) -> None:
    plan = plan_of(with_tooth)
    assert tooth_stands(plan, SITE) is with_tooth
    codes = [finding.code for finding in proposal_of(plan, SITE).findings]
    assert ("tooth-stands" in codes) is with_tooth


def test_a_tooth_that_comes_out_is_no_hindrance() -> None:
    plan = edits.mark_tooth(plan_of(True), marked(ToothState.SOUND))
    assert tooth_stands(plan, SITE)
    assert not tooth_stands(edits.set_tooth_state(plan, SITE, ToothState.TO_EXTRACT), SITE)
