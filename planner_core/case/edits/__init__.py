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
    set_patient,
    set_reading,
    set_scan,
    set_title,
    take_patient,
)

__all__ = [
    "add_pair",
    "add_surface",
    "adopt_bone",
    "adopt_match",
    "change_shape",
    "delete_fixture",
    "move_fixture",
    "place_fixture",
    "remove_canal",
    "remove_pair",
    "remove_surface",
    "set_arch",
    "set_canal",
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
    "take_patient",
]
