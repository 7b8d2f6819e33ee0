"""The panel of Budget: what error does the bone forgive. The answer on top, everything else one click deeper."""

from __future__ import annotations

from typing import Any

from app.steps.budget_choice import CompareBlock, DecidesBlock, HelpBlock, PilotBlock
from app.steps.budget_parts import Block, BlockFold, Figures, Shown
from app.steps.budget_risk import ErrorBlock, HarmBlock, SharesBlock
from app.steps.budget_sources import AssumedBlock, OwnDataBlock, PublishedBlock
from app.steps.panel import StepPanel
from app.steps.parts import Lines, Row, combo
from app.view_state import Step
from app.words import mm, percent, site_words


class BudgetPanel(StepPanel):
    """Advice, chance of harm, leeway against need for the site in hand; the rest in blocks that open."""

    step = Step.BUDGET
    title = "Budget"
    question = "What error does the bone forgive, and how far can the drill stray?"

    def build(self) -> None:
        """Make the widgets."""
        self.site = combo("budget-site")
        self.site.activated.connect(self._on_site)
        answer = self.section("At this site")
        answer.add(Row(self.site, stretch=0))
        self.figures = Figures(3)
        answer.add(self.figures)
        self.verdict = Lines()
        answer.add(self.verdict)
        advice = self.section("Which guide can the bone bear? (all sites)")
        self.advice = Lines()
        advice.add(self.advice)
        self.case_figures = Lines()
        advice.add(self.case_figures)
        self.findings = Lines()
        self._rows.addWidget(self.findings)
        more = self.section("More")
        self.harm, self.errors, self.shares = (
            self._fold(more, kind) for kind in (HarmBlock, ErrorBlock, SharesBlock)
        )
        self.helps = self._fold(more, HelpBlock)
        self.compare = self._fold(more, CompareBlock)
        self.decides = self._fold(more, DecidesBlock)
        self.pilot = self._fold(more, PilotBlock)
        self.published = self._fold(more, PublishedBlock)
        self.own = self._fold(more, OwnDataBlock)
        assert isinstance(self.own.block, OwnDataBlock)
        self.own.block.ask = lambda title, kinds: self.case.dialogs.file(title, kinds)
        self.assumed = self._fold(more, AssumedBlock)
        self._asked_for: Any = None

    def _fold(self, section: Any, kind: type[Block]) -> BlockFold:
        fold = BlockFold(kind(self.workspace, self.actions_, self.guarded))
        section.add(fold)
        return fold

    @property
    def folds(self) -> tuple[BlockFold, ...]:
        """Every block, in their order."""
        return (
            self.harm, self.errors, self.shares, self.helps, self.compare, self.decides, self.pilot, self.published,
            self.own, self.assumed,
        )  # fmt: skip

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
        numbers = workspace.numbers
        fresh = numbers.is_complete and numbers.plan is workspace.plan
        shown = Shown(
            workspace.plan,
            site,
            numbers.budgets.get(site),
            numbers.evaluation if fresh else None,
            workspace.theme,
            workspace.settings.notation,
        )
        self._show_answer(shown)
        self._show_advice(shown)
        for fold in self.folds:
            fold.refresh(shown)
        if fresh:
            self._evaluate_when_due()

    def _evaluate_when_due(self) -> None:
        """Start what takes longer, once for each plan and scan check, while the panel is looked at."""
        workspace, numbers = self.workspace, self.workspace.numbers
        waits_for_check = workspace.plan.scan is not None and numbers.scan_check is None
        due = workspace.plan, numbers.scan_check
        asked = self._asked_for is not None and all(a is b for a, b in zip(self._asked_for, due, strict=True))
        if numbers.evaluation is None and workspace.plan.fixtures and not waits_for_check and not asked:
            self._asked_for = due
            self.actions_.guide.evaluate()

    def _show_answer(self, shown: Shown) -> None:
        budget = shown.budget
        if budget is None:
            self.figures.show_figures([("–", "chance of harm"), ("–", "leeway"), ("–", "needed")])
            text = "Being computed …" if shown.plan.fixtures else "Place a fixture to see its budget."
            self.verdict.show_lines([], shown.theme, text)
            self.findings.show_lines([], shown.theme)
            return
        decisive = budget.decisive
        if decisive is None:
            self.figures.show_figures(
                [
                    ("–", "nothing marked near"),
                    ("–", "leeway"),
                    (f"{mm(budget.apex.p95_mm)} mm", "apex, 95 % below"),
                ]
            )
            text = "Nothing that the drill could harm is marked near this site: there is no chance to state."
            self.verdict.show_lines([("warning", text)], shown.theme)
        else:
            self.figures.show_figures(
                [
                    (percent(decisive.chance), f"chance of harm, limit {100 * decisive.limit:g} %"),
                    (f"{mm(decisive.leeway_mm)} mm", f"leeway to {decisive.obstacle}"),
                    (f"{mm(decisive.need_mm)} mm", "leeway needed"),
                ]
            )
            state = "answered" if budget.within_limits else "blocker"
            word = "Within every limit" if budget.within_limits else "Over a limit"
            whole = f"{percent(budget.chance_of_harm)} for everything marked near this site together"
            guide = f"{shown.plan.guide.support.value}, {shown.plan.guide.guidance.value}"
            self.verdict.show_lines([(state, f"{word} with this plan's guide ({guide}); {whole}.")], shown.theme)
        self.findings.show_lines([(f.severity.value, f.text) for f in budget.findings], shown.theme)

    def _show_advice(self, shown: Shown) -> None:
        if shown.evaluation is None:
            waiting = "Being worked out for the plan as it stands …" if shown.plan.fixtures else ""
            self.advice.show_lines([], shown.theme, waiting)
            self.case_figures.show_lines([], shown.theme)
            return
        choice, guide = shown.evaluation.choice, shown.plan.guide
        lines = [("blocker" if choice.advised is None else "answered", choice.reason)]
        lines += [("note", text) for text in choice.then]
        advised = choice.advised
        if advised is not None and (advised.support, advised.guidance) != (guide.support, guide.guidance):
            lines.append(
                ("warning", f"This plan's guide is another one: {guide.support.value}, {guide.guidance.value}.")
            )
        if choice.decisive is not None and choice.decisive.decides:
            basis = "the advised guide" if advised is not None else "the best of them"
            lines.append(("warning", f"For {basis} the answer hangs on an assumption: {choice.decisive.label}."))
        self.advice.show_lines(lines, shown.theme)
        case = shown.evaluation.drawn.case_chance
        self.case_figures.show_lines(
            [
                (
                    "note",
                    f"Chance of harm anywhere in this case, with its guide: {percent(case.value)} (95 % limits"
                    f" {percent(case.low)} to {percent(case.high)} of {case.draws:,} draws).",
                )
            ],
            shown.theme,
        )

    def _on_site(self, index: int) -> None:
        self.workspace.view.select(str(self.site.itemData(index)))
