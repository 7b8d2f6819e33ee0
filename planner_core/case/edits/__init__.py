"""The edits: pure functions from plan to plan, one module per subject.

Every function takes a plan first and gives a new one that shares what did not change; it raises `PlannerError` and
gives nothing where the values cannot stand. Sites are ISO 3950 two-digit numbers (ISO 19429: no quadrants 5 to 8).
A new edit is imported here: the command `apply` offers what this page offers.
"""

from __future__ import annotations

from planner_core.case.edits.anatomy import adopt_bone, remove_canal, set_arch, set_canal
from planner_core.case.edits.fixtures import change_shape, delete_fixture, move_fixture, place_fixture, set_lock
from planner_core.case.edits.guiding import (
    set_drill_list,
    set_guide,
    set_guide_settings,
    set_harm_limit,
    set_limits,
    set_margin,
    set_mouth,
    set_sleeve,
)
from planner_core.case.edits.marking import (
    change_measurement,
    draw_structure,
    keep_measurement,
    mark_cavity,
    mark_foramen,
    mark_tooth,
    plan_bone_cut,
    remove_cavity,
    remove_foramen,
    remove_measurement,
    remove_structure,
    remove_tooth,
    set_tooth_state,
)
from planner_core.case.edits.matching import (
    add_pair,
    add_surface,
    adopt_match,
    remove_pair,
    remove_surface,
    set_pairs,
)
from planner_core.case.edits.whole_case import (
    set_jaw,
    set_notes,
    add_marker,
    set_patient,
    set_reading,
    set_scan,
    cross_out_marker,
    note_retention,
    paint_region,
    set_title,
    take_patient,
    set_markers,
)
    set_second_scan,

__all__ = [
    "add_pair",
    "add_surface",
    "adopt_bone",
    "adopt_match",
    "change_measurement",
    "change_shape",
    "delete_fixture",
    "draw_structure",
    "keep_measurement",
    "mark_cavity",
    "add_marker",
    "mark_foramen",
    "mark_tooth",
    "move_fixture",
    "place_fixture",
    "plan_bone_cut",
    "remove_canal",
    "remove_cavity",
    "copy_fixture",
    "cross_out_marker",
    "remove_foramen",
    "remove_measurement",
    "remove_pair",
    "remove_structure",
    "remove_surface",
    "remove_tooth",
    "set_arch",
    "set_canal",
    "note_retention",
    "paint_region",
    "set_drill_list",
    "set_guide",
    "set_guide_settings",
    "set_harm_limit",
    "set_jaw",
    "set_limits",
    "set_lock",
    "set_margin",
    "set_mouth",
    "set_notes",
    "set_pairs",
    "set_patient",
    "set_reading",
    "set_scan",
    "set_sleeve",
    "set_title",
    "set_tooth_state",
    "take_patient",
]
    "set_markers",
    "set_second_scan",
