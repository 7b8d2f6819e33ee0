"""The panel of Budget: what error does the bone forgive."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QDoubleSpinBox, QGridLayout, QLabel, QWidget

from app.steps.panel import StepPanel
from app.steps.parts import Facts, Lines, Row, ShareBar, Table, button, combo, label, state_icon, swatch
from app.view_state import Step
from app.words import mm, percent, site_words
from planner_core.planning.choice import LIMITS_OF_ADVICE
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT

FAR_MM = 20.0
"""Structures further away than this are left out of the panel, mm (our choice)."""


class BudgetPanel(StepPanel):
    """Chance of harm, leeway against need, errors, shares; for the site in hand."""

    step = Step.BUDGET
    title = "Budget"
    question = "What error does the bone forgive, and how far can the drill stray?"

    def build(self) -> None:
        """Make the widgets."""
        self.site = combo()
        self.site.activated.connect(self._on_site)
        head = self.section("Site")
        head.add(Row(self.site, stretch=0))
        answer = self.section("Answer")
        self.verdict = Lines()
        answer.add(self.verdict)
        self.facts = Facts()
        answer.add(self.facts)
        harm = self.section("Chance of harm")
        self.harms = Table(["Reaching", "Leeway", "Needed", "Chance (limit)"], stretch=0, most_rows=6)
        harm.add(self.harms)
        self.limit = QDoubleSpinBox()
        self.limit.setObjectName("harm-limit")
        self.limit.setRange(0.1, 20.0)
        self.limit.setDecimals(1)
        self.limit.setSingleStep(0.1)
        self.limit.setSuffix(" %")
        self.limit.setKeyboardTracking(False)
        self.limit.setToolTip("1 % is the program's own choice; the clinician decides")
        self.limit.valueChanged.connect(
            lambda value: self.guarded(self.actions_.guide.set_harm_limit, value / 100.0)
        )
        harm.add(Row(label("Accepted chance at a canal", "note", wrap=False), self.limit))
        errors = self.section("Error of the drill")
        self.errors = Table(["Where", "Mean", "95 % below"], stretch=0)
        errors.add(self.errors)
        errors.add(
            label(
                "Dashed in the views: the 95 % envelope, the fixture's outline with the error of each depth added.",
                "note",
            )
        )
        shares = self.section("What the error at the apex is made of")
        self.bar = ShareBar(self.workspace.theme)
        shares.add(self.bar)
        self.legend = QWidget()
        self.legend_grid = QGridLayout(self.legend)
        self.legend_grid.setContentsMargins(0, 0, 0, 0)
        self.legend_grid.setHorizontalSpacing(7)
        self.legend_grid.setVerticalSpacing(3)
        self.legend_grid.setColumnStretch(1, 1)
        shares.add(self.legend)
        self._build_advice()
        open_ = self.section("Assumptions and findings")
        self.findings = Lines()
        open_.add(self.findings)
        self._legend_of: Any = None

    def _build_advice(self) -> None:
        advice = self.section("Which guide can the bone bear? (all sites)")
        self.advice = Lines()
        advice.add(self.advice)
        self.compare = button(
            "Compare the guides",
            lambda: self.guarded(self.actions_.guide.compare_guides),
            "Work out every kind of guide against the limits of chance of harm",
            name="compare-guides",
        )
        advice.add(Row(self.compare))
        self.options = Table(["Guide", "Chance", "Spare", "Burden"], stretch=0, most_rows=10)
        advice.add(self.options)
        self.advice_note = label("", "note")
        advice.add(self.advice_note)

    def _show_advice(self) -> None:
        choice, theme = self.workspace.numbers.choice, self.workspace.theme
        self.compare.setEnabled(bool(self.workspace.plan.fixtures))
        self.options.setVisible(choice is not None)
        self.advice_note.setVisible(choice is not None)
        if choice is None:
            self.advice.show_lines([], theme, "Not worked out for the plan as it stands.")
            return
        state = "blocker" if choice.advised is None else "answered"
        lines = [(state, choice.reason), *(("note", text) for text in choice.then)]
        if choice.decisive is not None and choice.decisive.decides:
            lines.append(("warning", f"The answer hangs on an assumption: {choice.decisive.label}."))
        self.advice.show_lines(lines, theme)
        rows, icons, tips = [], [], []
        for option in choice.options:
            words = "passes" if option.passes else ("over the limit" if option.eligible else "not open")
            name = (
                "free hand"
                if option.support.value == "none"
                else f"{option.support.value}, {option.guidance.value}"
            )
            spare = "–" if option.spare_mm == float("inf") else f"{mm(option.spare_mm)} mm"
            rows.append(
                (
                    name,
                    percent(option.worst_chance),
                    spare,
                    option.burden.words.replace("through the mucosa", "").strip(),
                )
            )
            icons.append(
                state_icon("answered" if option.passes else ("touches" if option.eligible else "open"), theme)
            )
            tips.append("\n".join([words, *(refusal.reason for refusal in option.refusals)]))
        self.options.show_rows(rows, icons, tips, icon_column=0)
        self.advice_note.setText(
            f"Filled: passes. Square: over the limit. Ring: not open to this mouth. {LIMITS_OF_ADVICE}"
        )

    def refresh(self) -> None:
        """Bring them up to date."""
        workspace = self.workspace
        sites = list(workspace.plan.fixtures)
        if [self.site.itemData(k) for k in range(self.site.count())] != sites:
            self.site.clear()
            for site in sites:
                self.site.addItem(site_words(site), site)
        self.site.setEnabled(bool(sites))
        site = workspace.view.site if workspace.view.site in sites else (sites[0] if sites else "")
        if site:
            self.site.setCurrentIndex(sites.index(site))
        budget = workspace.numbers.budgets.get(site)
        self.bar.theme = workspace.theme
        limit = workspace.plan.limits.harm_chance
        with QSignalBlocker(self.limit):
            self.limit.setValue(100.0 * (DEFAULT_HARM_LIMIT if limit is None else limit))
        self._show_advice()
        if budget is None:
            text = "Place a fixture to see its budget." if not sites else "Being computed …"
            self.verdict.show_lines([], workspace.theme, text)
            self.facts.show_facts([])
            self.harms.show_rows([])
            self.errors.show_rows([])
            self.bar.show_shares([])
            self._show_legend(())
            self.findings.show_lines([], workspace.theme)
            return
        self._show_answer(budget)
        self._show_tables(budget)
        self.bar.show_shares([(source.label, source.share) for source in _ranked(budget.sources)])
        self._show_legend(_ranked(budget.sources))
        self.findings.show_lines([(f.severity.value, f.text) for f in budget.findings], workspace.theme, "None.")

    def _show_answer(self, budget: Any) -> None:
        decisive = budget.decisive
        word = "within the limit" if budget.within_limits else "over the limit"
        state = "answered" if budget.within_limits else "blocker"
        lines = [(state, f"Chance of harm {percent(budget.chance_of_harm)}: {word}.")]
        facts = [
            ("Guide", f"{self.workspace.plan.guide.support.value}, {self.workspace.plan.guide.guidance.value}")
        ]
        if decisive is not None:
            facts.append(
                (
                    "What decides",
                    f"{decisive.obstacle}: {mm(decisive.leeway_mm)} mm leeway, {mm(decisive.need_mm)} mm needed",
                )
            )
        self.verdict.show_lines(lines, self.workspace.theme)
        self.facts.show_facts(facts)

    def _show_tables(self, budget: Any) -> None:
        theme = self.workspace.theme
        near = [harm for harm in budget.harms if harm.decisive or harm.distance_mm <= FAR_MM]
        self.harms.show_rows(
            [
                (
                    harm.obstacle,
                    mm(harm.leeway_mm),
                    mm(harm.need_mm),
                    f"{percent(harm.chance)} ({100 * harm.limit:g} %)",
                )
                for harm in near
            ],
            [state_icon("clear" if harm.chance <= harm.limit else "touches", theme) for harm in near],
            [
                f"Together ± {mm(harm.sigma_mm, 2)} mm along the nearest direction;"
                f" ± {mm(harm.localisation_mm, 2)} mm of it is how well the structure is known"
                for harm in near
            ],
            icon_column=0,
        )
        self.errors.show_rows(
            [
                ("Entry", f"{mm(budget.entry.mean_abs_mm, 2)} mm", f"{mm(budget.entry.p95_mm, 2)} mm"),
                ("Apex", f"{mm(budget.apex.mean_abs_mm, 2)} mm", f"{mm(budget.apex.p95_mm, 2)} mm"),
                ("Angle", f"{mm(budget.angle_mean_deg)}°", f"{mm(budget.angle_p95_deg)}°"),
                ("Depth (+ deeper)", f"{budget.depth_mean_mm:+.2f} mm", f"± {mm(budget.depth_p95_mm, 2)} mm"),
            ]
        )

    def _show_legend(self, sources: tuple[Any, ...]) -> None:
        if sources is self._legend_of:
            return
        self._legend_of = sources
        while (item := self.legend_grid.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.deleteLater()
        theme = self.workspace.theme
        for k, source in enumerate(sources):
            mark = QLabel()
            colour = theme.accent if k == 0 else theme.muted
            mark.setPixmap(swatch(colour, self.bar.pattern(k), theme.line))
            words = label(f"{source.label}: {source.value_text}")
            words.setToolTip(f"Source: {source.source_text} {source.mark}".strip())
            self.legend_grid.addWidget(mark, k, 0)
            self.legend_grid.addWidget(words, k, 1)
            self.legend_grid.addWidget(label(f"{100 * source.share:.0f} %", wrap=False), k, 2)

    def _on_site(self, index: int) -> None:
        self.workspace.view.select(str(self.site.itemData(index)))


def _ranked(sources: tuple[Any, ...]) -> tuple[Any, ...]:
    return tuple(sorted(sources, key=lambda source: -source.share))
