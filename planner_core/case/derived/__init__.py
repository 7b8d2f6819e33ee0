"""What follows from a plan: scan check, clearances, budgets. Never stored as truth, remembered by their inputs.

Each function gives the same object again while the parts of the plan that it depends on are the same objects; a
part that changed gives a new result. Whether the inputs themselves are still of today is told by
`planner_core.case.staleness`.
"""

from __future__ import annotations

from planner_core.case.derived.budget import (
    budgets_of,
    choice_of,
    guide_inputs_of,
    known_choice,
    places_of,
    update_of,
)
from planner_core.case.derived.clearance import ledger_of, live_ledger_of, obstacles_in
from planner_core.case.derived.evaluation import Evaluation, evaluation_of, known_evaluation
from planner_core.case.derived.marks import bone_in_use, bone_with_sockets, mouth_of, what_shapes_bone
from planner_core.case.derived.matching import match_for, match_in_use, match_state
from planner_core.case.derived.memory import Memory
from planner_core.case.derived.proposing import proposal_of, tooth_stands
from planner_core.case.derived.restoring import (
    beside_of,
    crown_at,
    live_surroundings_of,
    neighbour_surfaces,
    occlusal_plane_of,
    surface_in_lps,
    surfaces_of_role,
)
from planner_core.case.derived.scan import kept_scan_check, known_scan_check, remember_scan_check, scan_check_of

__all__ = [
    "Evaluation",
    "Memory",
    "beside_of",
    "bone_in_use",
    "bone_with_sockets",
    "budgets_of",
    "choice_of",
    "crown_at",
    "evaluation_of",
    "guide_inputs_of",
    "kept_scan_check",
    "known_choice",
    "known_evaluation",
    "known_scan_check",
    "ledger_of",
    "live_ledger_of",
    "live_surroundings_of",
    "match_for",
    "match_in_use",
    "match_state",
    "mouth_of",
    "neighbour_surfaces",
    "obstacles_in",
    "occlusal_plane_of",
    "places_of",
    "proposal_of",
    "remember_scan_check",
    "scan_check_of",
    "surface_in_lps",
    "surfaces_of_role",
    "tooth_stands",
    "update_of",
    "what_shapes_bone",
]
