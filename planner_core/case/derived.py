"""What follows from a plan: scan check, clearances, budgets. Never stored as truth, remembered by their inputs.

Each function gives the same object again while the parts of the plan that it depends on are the same objects; a
part that changed gives a new result. Whether the inputs themselves are still of today is told by
`planner_core.case.staleness`.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from typing import Any, Generic, TypeVar

from planner_core.case.plan import Plan
from planner_core.case.staleness import match_changes
from planner_core.errors import PlannerError
from planner_core.geometry.covariance import PoseCovariance
from planner_core.imaging.scan_check import ScanCheck, check_scan
from planner_core.planning.choice import Choice, choose
from planner_core.planning.drilling import Support
from planner_core.planning.error_budget import SiteBudget, budgets
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT, GuideInputs
from planner_core.planning.ledger import Ledger, LiveLedger
from planner_core.planning.obstacles import Obstacle, obstacles_of
from planner_core.progress import Progress, silent

REMEMBERED = 8
"""Results kept per stage (our choice: some steps of undo)."""

Result = TypeVar("Result")


class Memory(Generic[Result]):
    """The last results of one stage, found again by the identity of their inputs."""

    def __init__(self, size: int = REMEMBERED) -> None:
        self._kept: OrderedDict[tuple[int, ...], tuple[tuple[Any, ...], Result]] = OrderedDict()
        self._size = size
        self._guard = threading.Lock()

    def known(self, *inputs: Any) -> Result | None:
        """Give the result of these very objects, or None."""
        with self._guard:
            found = self._kept.get(tuple(map(id, inputs)))
        return None if found is None else found[1]

    def get(self, make: Callable[[], Result], *inputs: Any) -> Result:
        """Give the result of these very objects, made now if need be."""
        found = self.known(*inputs)
        if found is None:
            found = make()
            self.put(found, *inputs)
        return found

    def put(self, result: Result, *inputs: Any) -> None:
        """Remember a result; the inputs are held, so their identity stays theirs."""
        with self._guard:
            self._kept[tuple(map(id, inputs))] = (inputs, result)
            while len(self._kept) > self._size:
                self._kept.popitem(last=False)


_checks: Memory[ScanCheck] = Memory(2)
_obstacles: Memory[tuple[Obstacle, ...]] = Memory()
_live: Memory[LiveLedger] = Memory(4)
_ledgers: Memory[Ledger] = Memory()
_guides: Memory[GuideInputs] = Memory()
_budgets: Memory[Mapping[str, SiteBudget]] = Memory()
_choices: Memory[Choice] = Memory(4)


def known_scan_check(plan: Plan) -> ScanCheck | None:
    """Give the scan check if it has been made already."""
    return None if plan.scan is None else _checks.known(plan.scan.volume)


def scan_check_of(plan: Plan, progress: Progress = silent) -> ScanCheck:
    """Give the scan check; takes seconds the first time for a scan.

    Raises
    ------
    PlannerError
        If the plan has no scan.
    """
    scan = plan.scan
    if scan is None:
        raise PlannerError("There is no scan to check.", "Import the scan first.")
    return _checks.get(lambda: check_scan(scan.volume, progress), scan.volume)


def remember_scan_check(plan: Plan, check: ScanCheck) -> None:
    """Remember a check that was made elsewhere (by a job, or read from the case) for the plan's scan."""
    if plan.scan is not None:
        _checks.put(check, plan.scan.volume)


def obstacles_in(plan: Plan) -> tuple[Obstacle, ...]:
    """Give everything that the fixtures of a plan must keep away from, other fixtures apart."""
    bone = None if plan.bone is None else plan.bone.bone
    return _obstacles.get(lambda: obstacles_of(plan.canals, bone), plan.canals, plan.bone)


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


def match_state(plan: Plan) -> str:
    """Give the state of the match in a word: "none", "stale", "not trusted" or "in use"."""
    if plan.match is None:
        return "none"
    if match_changes(plan):
        return "stale"
    return "in use" if plan.match.match.trusted else "not trusted"


def guide_inputs_of(plan: Plan) -> GuideInputs:
    """Give the guide's settings as the error model takes them."""
    guide, limits = plan.guide, plan.limits
    return _guides.get(
        lambda: GuideInputs(
            support=guide.support,
            guidance=guide.guidance,
            sleeves=guide.sleeves,
            drills=guide.drill_list,
            harm_limit=DEFAULT_HARM_LIMIT if limits.harm_chance is None else limits.harm_chance,
        ),
        guide,
        limits,
    )


def match_in_use(plan: Plan) -> PoseCovariance | None:
    """Give the error of the adopted match; None where there is none or it is stale."""
    if plan.match is None or match_changes(plan):
        return None
    return plan.match.match.covariance


def budgets_of(plan: Plan) -> Mapping[str, SiteBudget]:
    """Give the first-order error budget of every site; the scan check counts as soon as it has been made."""
    guide, match, rows, check = guide_inputs_of(plan), match_in_use(plan), ledger_of(plan), known_scan_check(plan)
    return _budgets.get(
        lambda: budgets(plan.fixtures, guide=guide, match=match, rows=rows.rows, degradation=check),
        plan.fixtures,
        guide,
        match,
        rows,
        check,
    )


def choice_of(plan: Plan) -> Choice:
    """Give the choice of guide over every support and guidance; takes a good part of a second the first time."""
    parts = _choice_inputs(plan)
    match = match_in_use(plan)
    # A matched surface of the teeth carries guides on teeth; on mucosa only a dual scan or prosthesis would do.
    matches = {Support.TEETH: match, Support.MUCOSA: match}
    return _choices.get(
        lambda: choose(
            plan.fixtures,
            obstacles_in(plan),
            ledger_of(plan).rows,
            guide=guide_inputs_of(plan),
            matches=matches,
            facts=plan.mouth,
            degradation=known_scan_check(plan),
        ),
        *parts,
    )


def known_choice(plan: Plan) -> Choice | None:
    """Give the choice of guide if it has been worked out already."""
    return _choices.known(*_choice_inputs(plan))


def _choice_inputs(plan: Plan) -> tuple[object, ...]:
    return (
        plan.fixtures,
        guide_inputs_of(plan),
        match_in_use(plan),
        ledger_of(plan),
        plan.mouth,
        known_scan_check(plan),
    )
