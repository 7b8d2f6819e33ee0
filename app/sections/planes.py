"""Which plane each flat view shows."""

from __future__ import annotations

import numpy as np
from attrs import evolve

from app.view_state import ViewKind, ViewState
from planner_core.anatomy.sections import (
    SectionFrame,
    along_arch_frame,
    axial_frame,
    cross_section_frame,
    fixture_frame,
)
from planner_core.anatomy.structures import Jaw
from planner_core.case.plan import Plan
from planner_core.geometry.frames import FloatArray, perpendicular, unit

EXTENT_MM = {ViewKind.ACROSS: 36.0, ViewKind.ALONG: 44.0, ViewKind.AXIAL: 78.0}
"""What the shorter side of each view shows at first, mm (our choice: a ridge with its canal; the whole arch)."""
AXIAL_WITH_FIXTURE_MM = 36.0
"""The axial view of a fixture in hand shows the fixture with its neighbours, mm."""
CENTRE_DEPTH_MM = 7.0
"""With a fixture in hand the picture's centre lies this far below its platform, mm (our choice)."""
BELOW_CREST_MM = 8.0
"""Upright views look this far from the arch curve into the jaw, mm (our choice: crest and canal in one picture)."""
LETTER_SHARE = 0.38
"""A direction's letter is named when it has at least this share of it (sine of about 22 degrees)."""


def pixel_mm(kind: ViewKind, state: ViewState, width_px: int, height_px: int) -> float:
    """Give the size of a screen pixel in a view of that many pixels."""
    extent = AXIAL_WITH_FIXTURE_MM if kind is ViewKind.AXIAL and state.site else EXTENT_MM[kind]
    return extent / state.zoom[kind] / max(min(width_px, height_px), 40)


def plane_of(kind: ViewKind, plan: Plan, state: ViewState, width_px: int, height_px: int) -> SectionFrame | None:
    """Give the plane that a view shows now; None without a scan."""
    if plan.scan is None:
        return None
    pixel = pixel_mm(kind, state, width_px, height_px)
    size = (width_px * pixel, height_px * pixel, pixel)
    if state.site in plan.fixtures:
        return _with_fixture(kind, plan, state, size)
    return _turned_by_hand(_straight(kind, plan, state, size), kind, state)


def _turned_by_hand(frame: SectionFrame, kind: ViewKind, state: ViewState) -> SectionFrame:
    """Turn a plane about the place looked at, which stays where it is on the screen."""
    upright, level = state.oblique_deg[kind]
    if not upright and not level:
        return frame
    pivot = frame.to_pixel(state.focus_lps_mm)
    on_plane = state.focus_lps_mm - pivot[2] * frame.normal_lps
    turned = frame.turned(frame.down_lps, upright)
    turned = turned.turned(turned.right_lps, level)
    return evolve(turned, origin_lps_mm=turned.origin_lps_mm + on_plane - turned.to_lps(pivot[:2]))


def _straight(kind: ViewKind, plan: Plan, state: ViewState, size: tuple[float, float, float]) -> SectionFrame:
    assert plan.scan is not None
    focus, arch = state.focus_lps_mm, plan.arch
    if kind is ViewKind.AXIAL:
        up = np.array([0.0, 0.0, 1.0]) if arch is None else arch.up_lps
        centre = focus if arch is None else _arch_middle(plan, focus)
        return axial_frame(plan.scan.volume, centre, *size, up_lps=up)
    if arch is None:
        right = np.array([0.0, 1.0, 0.0]) if kind is ViewKind.ACROSS else np.array([1.0, 0.0, 0.0])
        return SectionFrame(focus, right, (0.0, 0.0, -1.0), *size)
    station = state.station_mm
    offset = focus - arch.point_at(station)
    below = BELOW_CREST_MM if arch.jaw is Jaw.LOWER else -BELOW_CREST_MM
    height = float(np.clip(offset @ arch.up_lps, -2.0 * BELOW_CREST_MM, 2.0 * BELOW_CREST_MM)) / 2.0 - below
    if kind is ViewKind.ACROSS:
        return cross_section_frame(arch, station, *size, centre_height_mm=height)
    outward = float(offset @ arch.outward_at(station))
    return along_arch_frame(arch, station, *size, centre_height_mm=height, outward_mm=outward)


def _arch_middle(plan: Plan, focus: FloatArray) -> FloatArray:
    """Keep the whole arch in the picture: its middle, at the height of the place looked at."""
    arch = plan.arch
    assert arch is not None
    curve = arch.curve_lps_mm
    middle = (curve.min(axis=0) + curve.max(axis=0)) / 2.0
    return np.asarray(middle + arch.up_lps * float((focus - middle) @ arch.up_lps))


def _with_fixture(
    kind: ViewKind, plan: Plan, state: ViewState, size: tuple[float, float, float]
) -> SectionFrame | None:
    assert plan.scan is not None
    pose = plan.fixtures[state.site].pose
    away = state.away_mm[kind]
    if kind is ViewKind.AXIAL:
        up = -pose.axis_lps if pose.axis_lps[2] <= 0 else pose.axis_lps
        return axial_frame(plan.scan.volume, pose.at_depth(away), *size, up_lps=up)
    reference = _across_direction(plan, state)
    roll = state.roll_deg
    if kind is ViewKind.ALONG:
        # A quarter turn on, towards growing station, so that the patient's left is on the right.
        down = pose.axis_lps if pose.axis_lps[2] <= 0 else -pose.axis_lps
        reference = np.cross(reference, down)
    frame = fixture_frame(pose, roll, *size, depth_mm=CENTRE_DEPTH_MM, reference_lps=reference)
    return frame.shifted(away)


def _across_direction(plan: Plan, state: ViewState) -> FloatArray:
    pose = plan.fixtures[state.site].pose
    wanted = perpendicular(pose.axis_lps)
    if plan.arch is not None:
        wanted = plan.arch.outward_at(plan.arch.station_of(pose.platform_lps_mm))
    across = wanted - pose.axis_lps * float(wanted @ pose.axis_lps)
    return unit(across) if float(np.linalg.norm(across)) > 1e-6 else perpendicular(pose.axis_lps)


def letters(direction_lps: FloatArray) -> str:
    """Give the letters of a direction in the patient: R, L, A(nterior), P(osterior), H(ead), F(oot)."""
    pairs = (("L", "R"), ("P", "A"), ("H", "F"))
    named = [(abs(float(v)), pair[0] if v > 0 else pair[1]) for v, pair in zip(direction_lps, pairs, strict=True)]
    return "".join(letter for share, letter in sorted(named, reverse=True)[:2] if share >= LETTER_SHARE)


def seen_from(frame: SectionFrame) -> str:
    """Give the letters of the side from which the picture is looked at."""
    return letters(-frame.normal_lps)
