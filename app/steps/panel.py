"""The base of the step panels and the stack that shows one of them."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import Qt
from PySide6.QtGui import QShowEvent
from PySide6.QtWidgets import QScrollArea, QStackedWidget, QVBoxLayout, QWidget

from app.calm import Calm
from app.case_actions import CaseActions
from app.plan_actions import PlanActions
from app.steps.parts import Section, label
from app.theme import GAP_PX
from app.view_state import Step
from app.workspace import Workspace

PANEL_PX = 392
"""Width of the panel at first (our choice: a ledger row fits)."""


class StepPanel(QWidget):
    """A panel for one question: made once, brought up to date whenever it can be seen and something changed."""

    step = Step.SCAN
    title = ""
    question = ""

    def __init__(self, workspace: Workspace, case: CaseActions, plan_actions: PlanActions) -> None:
        super().__init__()
        self.workspace = workspace
        self.case = case
        self.actions_ = plan_actions
        self.setProperty("role", "page")
        self.setObjectName(f"panel-{self.step.value}")
        self._rows = QVBoxLayout(self)
        self._rows.setContentsMargins(GAP_PX * 2, GAP_PX + 4, GAP_PX * 2, GAP_PX * 2)
        self._rows.setSpacing(4)
        self._rows.addWidget(label(self.title, "title"))
        self._rows.addWidget(label(self.question, "note"))
        self.build()
        self._rows.addStretch(1)
        signals = workspace.signals
        self._calm = Calm(self._refresh_if_seen, self)
        for signal in (signals.opened, signals.changed, workspace.numbers_changed, workspace.view.selected):
            signal.connect(self._maybe_refresh)
        workspace.settings_changed.connect(self._maybe_refresh)

    def build(self) -> None:
        """Make the widgets."""

    def refresh(self) -> None:
        """Bring them up to date."""

    def section(self, title: str) -> Section:
        """Add a titled block."""
        made = Section(title)
        self._rows.addWidget(made)
        return made

    def guarded(self, work: Any, *args: Any) -> None:
        """Run what a button asks for; failures are worded by the messages."""
        try:
            work(*args)
        except Exception as error:
            self.workspace.messages.report(error)
        self.refresh()

    def _maybe_refresh(self, *_: object) -> None:
        if not self.isVisible():
            return
        if self.workspace.in_gesture:
            self._calm.ask()
        else:
            self._calm.stop()
            self.refresh()

    def _refresh_if_seen(self) -> None:
        if self.isVisible():
            self.refresh()

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        """Be up to date when seen."""
        self.refresh()
        super().showEvent(event)


class PanelStack(QStackedWidget):
    """All panels, each in its own scroll area; shows the one of the step at hand."""

    def __init__(self, workspace: Workspace, panels: list[StepPanel]) -> None:
        super().__init__()
        self.setObjectName("StepPanel")
        self._workspace = workspace
        self.panels = {panel.step: panel for panel in panels}
        self._areas = {}
        for panel in panels:
            area = QScrollArea()
            area.setWidget(panel)
            area.setWidgetResizable(True)
            area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
            area.setFocusPolicy(Qt.FocusPolicy.NoFocus)
            self._areas[panel.step] = area
            self.addWidget(area)
        self.setMinimumWidth(PANEL_PX - 40)
        workspace.view.stepped.connect(self._show_step)
        self._show_step()

    def _show_step(self) -> None:
        self.setCurrentWidget(self._areas[self._workspace.view.step])
