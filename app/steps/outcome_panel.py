"""The panel of Outcome: did it land."""

from __future__ import annotations

from app.steps.panel import StepPanel
from app.steps.parts import Table, label
from app.view_state import Step
from app.words import mm, site_label


class OutcomePanel(StepPanel):
    """States honestly that nothing was measured yet, and what was promised, to be held against it later."""

    step = Step.OUTCOME
    title = "Outcome"
    question = "Did the fixtures land where they were planned?"

    def build(self) -> None:
        """Make the widgets."""
        state = self.section("Planned against achieved")
        self.state = label("")
        state.add(self.state)
        state.add(
            label(
                "To answer it, the placed fixtures must be measured after surgery: in a second scan, or by a"
                " surface scan with scan bodies, brought into the frame of this plan. Until then this link"
                " stays open.",
                "note",
            )
        )
        promised = self.section("What the budget promised, to be held against it")
        self.table = Table(["Site", "Entry 95 %", "Apex 95 %", "Angle 95 %"], stretch=0)
        promised.add(self.table)
        why = self.section("Why it matters")
        why.add(
            label(
                "A measured outcome corrects the budget of the next case: without it the execution error rests on"
                " published series alone.",
                "note",
            )
        )

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, budgets = self.workspace.plan, self.workspace.numbers.budgets
        if plan.fixtures:
            self.state.setText("Not measured yet.")
        else:
            self.state.setText("Nothing is planned yet, so nothing can be measured.")
        notation = self.workspace.settings.notation
        self.table.show_rows(
            [
                (
                    site_label(site, notation),
                    f"{mm(budget.entry.p95_mm, 2)} mm",
                    f"{mm(budget.apex.p95_mm, 2)} mm",
                    f"{mm(budget.angle_p95_deg)}°",
                )
                for site, budget in budgets.items()
                if site in plan.fixtures
            ]
        )
