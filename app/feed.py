"""Keeps the window's numbers up to date: jobs for what takes long, the live ledger while something is dragged."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve
from PySide6.QtCore import QObject, QTimer

from app.calm import Calm
from app.numbers import WIDTH_DEPTH_MM, Numbers, Tracks
from app.workspace import Workspace
from planner_core.anatomy.marked import CavityKind
from planner_core.anatomy.ridge_table import ridge_along
from planner_core.anatomy.soft_tissue import SoftTissue, soft_tissue_along
from planner_core.case import derived
from planner_core.case.blockers import findings_of
from planner_core.case.chain import chain_of
from planner_core.case.plan import Plan
from planner_core.case.session import Change
from planner_core.imaging.scan_check import ScanCheck
from planner_core.progress import Progress, part_of, silent

TRACK_EVERY_MM = 1.0
"""Distance of the measured stations, mm (our choice: three voxels of a usual scan)."""
SETTLE_MS = 60
"""A change waits this long for the next one before its numbers are computed (our choice)."""


def tracks_of(plan: Plan, check: ScanCheck | None, progress: Progress = silent) -> Tracks:
    """Measure scatter, ridge width and height along the arch of a plan that has scan and arch."""
    assert plan.scan is not None
    assert plan.arch is not None
    table = ridge_along(
        plan.scan.volume,
        plan.arch,
        None if plan.bone is None else plan.bone.bone,
        tuple(plan.canals.values()),
        tuple(cavity for cavity in plan.cavities.values() if cavity.kind is not CavityKind.AIRWAY),
        TRACK_EVERY_MM,
        part_of(progress, 0.0, 0.95),
        None if check is None else check.grey,
        check,
        None if plan.bone_cut is None else plan.bone_cut.crest_cut,
    )
    stations = table.stations_mm
    points = np.array([plan.arch.point_at(float(s)) for s in stations])
    scatter = np.full(len(stations), np.nan) if check is None else np.asarray(check.level_at(points))
    soft = soft_tissue_of(plan, table)
    return Tracks(stations, scatter, table.width_mm(WIDTH_DEPTH_MM), table.height_mm, table, soft)


def soft_tissue_of(plan: Plan, table: Any) -> SoftTissue | None:
    """Measure the soft tissue between the bone and the matched surface scan; None without a match."""
    adopted = plan.match
    if adopted is None or adopted.surface_id not in plan.surfaces:
        return None
    surface = plan.surfaces[adopted.surface_id].surface
    moved = surface.moved(adopted.match.lps_from_surface)
    return soft_tissue_along(table, moved)


def numbers_of(plan: Plan) -> Numbers:
    """Compute what follows from a plan, as far as it does not take long."""
    rows: tuple[Any, ...] = ()
    budgets: Any = {}
    beside: Any = {}
    if plan.fixtures:
        beside = derived.beside_of(plan)
        rows = derived.ledger_of(plan).rows
        budgets = derived.budgets_of(plan)
    return Numbers(
        plan,
        links=tuple(chain_of(plan)),
        rows=rows,
        beside=beside,
        budgets=budgets,
        scan_check=derived.known_scan_check(plan),
        choice=derived.known_choice(plan) if plan.fixtures else None,
        evaluation=derived.known_evaluation(plan) if plan.fixtures else None,
        findings=tuple(findings_of(plan)),
        is_complete=True,
    )


class Feed(QObject):
    """Listens to the plan and fills `workspace.numbers`."""

    def __init__(self, workspace: Workspace, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self._settle = QTimer(self)
        self._settle.setSingleShot(True)
        self._settle.setInterval(SETTLE_MS)
        self._settle.timeout.connect(self.compute)
        self._around = Calm(self._follow_around, self)
        self._tracks_inputs: tuple[Any, ...] = ()
        self._prepared: tuple[Any, ...] = ()
        self._failed_check: Any = None
        self._tracks: Tracks | None = None
        self._uncut: tuple[tuple[Any, ...], Any] = ((), None)
        workspace.signals.opened.connect(self._on_opened)
        workspace.signals.changed.connect(self._on_changed)
        workspace.numbers_wanted.connect(self._settle.start)

    def stop(self) -> None:
        """Compute nothing more."""
        self._settle.stop()
        self._around.stop()

    def _on_opened(self) -> None:
        self._tracks, self._tracks_inputs, self._failed_check = None, (), None
        if self._workspace.is_open:
            self._settle.start()
        else:
            self._settle.stop()

    def _on_changed(self, change: Change) -> None:
        if change.preview:
            self.follow(change.after)
        else:
            self._settle.start()

    def follow(self, plan: Plan) -> None:
        """Give the numbers that a gesture needs at once: clearances and first-order budget."""
        before = self._workspace.numbers
        if not plan.fixtures or not _same(self._prepared, _ledger_inputs(plan)):
            return
        rows = derived.live_ledger_of(plan).rows(plan.fixtures)
        budgets = derived.budgets_of(plan)
        self._workspace.set_numbers(evolve(before, plan=plan, rows=rows, budgets=budgets, is_complete=False))
        self._around.ask()

    def _follow_around(self) -> None:
        """Measure plates, crest and papillae of the gesture as it stands; they take longer than a step of it."""
        workspace = self._workspace
        if not workspace.is_open or workspace.numbers.is_complete or workspace.numbers.plan is not workspace.plan:
            return
        beside = derived.live_surroundings_of(workspace.plan).of(workspace.plan.fixtures)
        workspace.set_numbers(evolve(workspace.numbers, beside=beside))

    def compute(self) -> None:
        """Start the jobs for the plan as it stands."""
        workspace = self._workspace
        if not workspace.is_open:
            return
        plan = workspace.plan

        def wanted() -> bool:
            return workspace.is_open and workspace.plan is plan

        job = workspace.jobs.start("Numbers", numbers_of, plan, key="numbers", is_wanted=wanted, shown=False)
        job.succeeded.connect(self._take)
        job.failed.connect(workspace.messages.report)

    def _take(self, numbers: Numbers) -> None:
        self._prepared = _ledger_inputs(numbers.plan)
        self._workspace.set_numbers(evolve(numbers, tracks=self._tracks))
        self._start_scan_check(numbers.plan)
        self._start_tracks(numbers)

    def _start_scan_check(self, plan: Plan) -> None:
        workspace = self._workspace
        if plan.scan is None or derived.known_scan_check(plan) is not None:
            return
        scan = plan.scan
        if self._failed_check is scan.volume:
            return  # said once already; trying again at every step would say it again
        if any(job.key == "scan check" and not job.is_cancelled for job in workspace.jobs.running):
            return

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is scan.volume

        job = workspace.jobs.start(
            "Checking the scan",
            derived.kept_scan_check,
            scan.volume,
            workspace.store,
            key="scan check",
            is_wanted=wanted,
        )
        job.succeeded.connect(lambda check: self._take_check(plan, check))

        def failed(error: Exception) -> None:
            self._failed_check = scan.volume
            workspace.messages.report(error)
            self.compute()

        job.failed.connect(failed)

    def _take_check(self, plan: Plan, check: ScanCheck) -> None:
        derived.remember_scan_check(plan, check)
        self.compute()

    def _start_tracks(self, numbers: Numbers) -> None:
        plan, workspace = numbers.plan, self._workspace
        if plan.scan is None or plan.arch is None:
            self._tracks, self._tracks_inputs = None, ()
            return
        if numbers.scan_check is None and self._failed_check is not plan.scan.volume:
            return  # where the scan is streaked must be known first
        inputs = (
            plan.scan.volume,
            plan.arch,
            plan.canals,
            plan.bone,
            plan.cavities,
            plan.bone_cut,
            plan.match,
            numbers.scan_check,
        )
        if _same(inputs, self._tracks_inputs):
            return
        self._tracks_inputs = inputs

        def wanted() -> bool:
            return self._tracks_inputs is inputs

        job = workspace.jobs.start(
            "Measuring the ridge", tracks_of, plan, numbers.scan_check, key="tracks", is_wanted=wanted
        )
        job.succeeded.connect(self._take_tracks)
        job.failed.connect(workspace.messages.report)

    def _take_tracks(self, tracks: Tracks) -> None:
        *others, cut, _match, check = self._tracks_inputs
        if cut is None:
            self._uncut = ((*others, check), tracks.table)
        elif _same(self._uncut[0], (*others, check)):
            tracks = evolve(tracks, before_cut=self._uncut[1])
        self._tracks = tracks
        self._workspace.set_numbers(evolve(self._workspace.numbers, tracks=tracks))


def _ledger_inputs(plan: Plan) -> tuple[Any, ...]:
    """Give what the prepared ledger depends on; building it for other obstacles would hold up the pointer."""
    marked = (plan.canals, plan.foramina, plan.teeth, plan.cavities, plan.drawn, plan.bone, plan.bone_cut)
    return (*marked, plan.crowns, plan.abutments, plan.arch, plan.guide.drill_list, plan.limits)


def _same(a: tuple[Any, ...], b: tuple[Any, ...]) -> bool:
    return len(a) == len(b) and all(x is y for x, y in zip(a, b, strict=True))
