"""What the adopted match says."""

from __future__ import annotations

from planner_core.case.plan import Plan
from planner_core.case.staleness import match_changes
from planner_core.geometry.covariance import PoseCovariance


def match_state(plan: Plan) -> str:
    """Give the state of the match in a word: "none", "stale", "not trusted" or "in use"."""
    if plan.match is None:
        return "none"
    if match_changes(plan):
        return "stale"
    return "in use" if plan.match.match.trusted else "not trusted"


def match_in_use(plan: Plan) -> PoseCovariance | None:
    """Give the error of the adopted match; None where there is none or it is stale."""
    if plan.match is None or match_changes(plan):
        return None
    return plan.match.match.covariance
