"""What every part of the window is handed: the open session, the view state, jobs, messages and numbers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, Signal

from app.jobs import Jobs
from app.messages import Messages
from app.numbers import Numbers
from app.plan_signals import PlanSignals
from app.settings import Settings
from app.shapes import ShapeShelf
from app.theme import Theme, theme_named
from app.view_state import ViewKind, ViewState
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.geometry.frames import FloatArray

STATION_STEP_MM = 1.0
"""One press of an arrow key along the arch, mm (our choice)."""


class Workspace(QObject):
    """The open case and the services about it. Made once, by `build.py`."""

    numbers_changed = Signal()
    """`numbers` were made anew, in part or whole."""
    settings_changed = Signal()
    catalogue_changed = Signal()
    """Own lists of parts were opened."""
    numbers_wanted = Signal()
    """A result came in from elsewhere: what follows from it is to be made anew."""

    def __init__(self, settings: Settings, messages: Messages, jobs: Jobs, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.settings = settings
        self.messages = messages
        self.jobs = jobs
        self.view = ViewState(self)
        self.signals = PlanSignals(self)
        self.shelf = ShapeShelf()
        self.store: Any = None
        self.read_only_reason = ""
        self._session: Session | None = None
        self._numbers = Numbers(Plan())
        self._gestures = False
        self._waiting: list[Callable[[], None]] = []

    @property
    def theme(self) -> Theme:
        """Colours in use."""
        return theme_named(self.settings.theme)

    @property
    def is_open(self) -> bool:
        """Whether a case is open."""
        return self._session is not None

    @property
    def session(self) -> Session:
        """The open session; only asked for while one is open."""
        if self._session is None:
            raise RuntimeError("no case is open")
        return self._session

    @property
    def plan(self) -> Plan:
        """The plan as it stands; an empty one while no case is open."""
        return Plan() if self._session is None else self._session.plan

    def open(self, session: Session | None, store: Any = None) -> None:
        """Put another session into the window, or none."""
        self._waiting.clear()
        self._session = session
        self.store = store
        self._numbers = Numbers(self.plan)
        self.view.select("")
        self.view.work_on("")
        self.view.show_picture("original")
        self.signals.attach(session)
        self.numbers_changed.emit()

    @property
    def numbers(self) -> Numbers:
        """The last results; `numbers.plan` says for which plan."""
        return self._numbers

    def set_numbers(self, numbers: Numbers) -> None:
        """Show these results."""
        self._numbers = numbers
        self.numbers_changed.emit()

    def when_free(self, work: Callable[[], None]) -> None:
        """Do this now, or as soon as the gesture in progress has ended: a job's result must not tear a drag."""
        if self._gestures:
            self._waiting.append(work)
        else:
            self._do(work)

    @property
    def in_gesture(self) -> bool:
        """Tell whether the pointer is dragging something."""
        return self._gestures

    def gesture(self, began: bool) -> None:
        """Say that a gesture of the pointer began or ended."""
        self._gestures = began
        while not began and self._waiting:
            self._do(self._waiting.pop(0))

    def _do(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:
            self.messages.report(error)

    def apply(self, label: str, edit: Any, *args: Any, **kwargs: Any) -> None:
        """Make one step of the session."""
        self.session.apply(label, edit, *args, **kwargs)

    # ------------------------------------------------------------ where we look

    def go_to_point(self, point_lps_mm: FloatArray) -> None:
        """Look at a point."""
        arch = self.plan.arch
        point = np.asarray(point_lps_mm, dtype=np.float64)
        self.view.go_to(point, 0.0 if arch is None else arch.station_of(point))

    def go_to_station(self, station_mm: float) -> None:
        """Look at a station, at the height over the arch that is looked at now."""
        arch = self.plan.arch
        if arch is None:
            return
        station = float(np.clip(station_mm, arch.stations_mm[0], arch.stations_mm[-1]))
        now = arch.point_at(self.view.station_mm)
        height = float((self.view.focus_lps_mm - now) @ arch.up_lps)
        self.view.select("")
        self.view.go_to(arch.point_at(station) + np.clip(height, -30.0, 30.0) * arch.up_lps, station)

    def step_station(self, steps: int) -> None:
        """Go on by steps along the arch."""
        self.go_to_station(self.view.station_mm + steps * STATION_STEP_MM)

    def step_view(self, kind: ViewKind, by_mm: float, normal_lps: FloatArray) -> None:
        """Move one view along its own normal."""
        if self.selected is not None:
            self.view.turn(kind, self.view.away_mm[kind] + by_mm)
        elif kind is ViewKind.ACROSS and self.plan.arch is not None:
            self.go_to_station(self.view.station_mm + by_mm)
        else:
            self.go_to_point(self.view.focus_lps_mm + by_mm * normal_lps)

    @property
    def selected(self) -> Any:
        """The fixture in hand, or None."""
        return self.plan.fixtures.get(self.view.site)
