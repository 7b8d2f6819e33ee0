"""The panel of Sheet: what goes to the chair."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from PySide6.QtWidgets import QPlainTextEdit

from app.case_actions import CaseActions
from app.plan_actions import PlanActions
from app.steps.panel import StepPanel
from app.steps.parts import Facts, Lines, Row, button, label
from app.view_state import Step
from app.workspace import Workspace
from planner_core.case import edits
from planner_core.findings import Severity
from planner_core.protocol.sheet import CAUTIONS


class SheetPanel(StepPanel):
    """Blockers, and the export as draft or final."""

    step = Step.SHEET
    title = "Sheet"
    question = "What goes to the chair, and what still stands against it?"

    def __init__(
        self,
        workspace: Workspace,
        case: CaseActions,
        plan_actions: PlanActions,
        export: Callable[[bool, Path | None], None],
    ) -> None:
        self._export = export
        super().__init__(workspace, case, plan_actions)

    def build(self) -> None:
        """Make the widgets."""
        state = self.section("Against a final sheet")
        self.blockers = Lines()
        state.add(self.blockers)
        self.warnings_section = self.section("Open warnings, printed on the sheet")
        self.warnings = Lines()
        self.warnings_section.add(self.warnings)
        export = self.section("Drilling sheet (PDF)")
        self.facts = Facts()
        export.add(self.facts)
        self.draft = button("Export draft …", lambda: self.guarded(self._export, False, None), name="export-draft")
        self.final = button(
            "Export final …", lambda: self.guarded(self._export, True, None), main=True, name="export-final"
        )
        export.add(Row(self.draft, self.final))
        export.add(label("A draft carries a watermark on every page.", "note"))
        notes = self.section("Notes printed on the sheet")
        self.notes = QPlainTextEdit()
        self.notes.setFixedHeight(64)
        self.notes.setTabChangesFocus(True)
        self.keep = button("Keep the notes", self._keep_notes)
        notes.add(self.notes)
        notes.add(Row(self.keep))
        cautions = self.section("Cautions on every sheet")
        for text in CAUTIONS:
            cautions.add(label(text, "note"))

    def refresh(self) -> None:
        """Bring them up to date."""
        workspace = self.workspace
        plan, numbers, theme = workspace.plan, workspace.numbers, workspace.theme
        current = numbers.is_complete and numbers.plan is plan
        blockers = [f for f in numbers.findings if f.severity is Severity.BLOCKER]
        others = [f for f in numbers.findings if f.severity is not Severity.BLOCKER]
        if not current:
            self.blockers.show_lines([("waiting", "Being computed …")], theme)
        else:
            lines = [("blocker", f.text) for f in blockers]
            self.blockers.show_lines(lines, theme, "Nothing stands against a final sheet.")
        self.warnings_section.setVisible(bool(others))
        self.warnings.show_lines([(f.severity.value, f.text) for f in others], theme)
        can_draft = workspace.is_open and bool(plan.fixtures)
        self.draft.setEnabled(can_draft)
        self.final.setEnabled(can_draft and current and not blockers)
        self.final.setToolTip("" if self.final.isEnabled() else "Clear what stands against it first")
        sites = ", ".join(plan.fixtures) or "none"
        revision = workspace.session.revision_number if workspace.is_open else None
        self.facts.show_facts(
            [
                ("Sites", sites),
                ("Guide code", plan.guide.code or "none yet"),
                ("Revision", "–" if revision is None else str(revision)),
            ]
        )
        if not self.notes.hasFocus():
            self.notes.setPlainText(plan.notes)
        self.keep.setEnabled(workspace.is_open)

    def _keep_notes(self) -> None:
        text = self.notes.toPlainText().strip()
        if text != self.workspace.plan.notes:
            self.guarded(self.actions_.apply, "Change the notes", edits.set_notes, text)
