"""Obstacles and the ledger of a plan."""

from __future__ import annotations

from planner_core.case.derived.marks import bone_in_use
from planner_core.case.derived.memory import Memory
from planner_core.case.plan import Plan
from planner_core.planning.ledger import Ledger, LiveLedger
from planner_core.planning.obstacles import Obstacle, obstacles_of

_obstacles: Memory[tuple[Obstacle, ...]] = Memory()
_live: Memory[LiveLedger] = Memory(4)
_ledgers: Memory[Ledger] = Memory()


def obstacles_in(plan: Plan) -> tuple[Obstacle, ...]:
    """Give everything that the fixtures of a plan must keep away from, other fixtures apart."""
    bone = bone_in_use(plan)
    return _obstacles.get(
        lambda: obstacles_of(
            plan.canals,
            bone,
            foramina=plan.foramina,
            teeth=plan.teeth,
            cavities=plan.cavities,
            drawn=plan.drawn,
        ),
        plan.canals,
        bone,
        plan.foramina,
        plan.teeth,
        plan.cavities,
        plan.drawn,
    )


def live_ledger_of(plan: Plan) -> LiveLedger:
    """Give the ledger prepared for dragging; only obstacles, drills and margins decide, not the fixtures."""
    obstacles = obstacles_in(plan)
    drills = plan.guide.drill_list
    limits = plan.limits
    return _live.get(
        lambda: LiveLedger(obstacles, drills=drills, limits_margin_mm=limits.margin_mm), obstacles, drills, limits
    )


def ledger_of(plan: Plan) -> Ledger:
    """Give the clearances of every fixture of a plan."""
    live = live_ledger_of(plan)
    return _ledgers.get(lambda: Ledger(live.rows(plan.fixtures)), live, plan.fixtures)
