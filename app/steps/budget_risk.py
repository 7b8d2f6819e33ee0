"""Blocks of the budget panel about one site: every structure, the drill's error, and what it is made of."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QDoubleSpinBox, QGridLayout, QLabel, QWidget

from app.steps.budget_parts import Block, Shown
from app.steps.parts import Lines, Row, ShareBar, Table, label, state_icon, swatch
from app.words import mm, percent
from planner_core.planning.guide_inputs import DEFAULT_HARM_LIMIT
from planner_core.planning.harm import CREDITED_BIAS_MM

FAR_MM = 20.0
"""Structures further away than this are left out of the panel, mm (our choice)."""


class HarmBlock(Block):
    """Chance, leeway and need for every structure near the site."""

    title = "Every structure at this site"

    def build(self) -> None:
        """Make the widgets."""
        self.harms = Table(["Reaching", "Leeway", "Needed", "Chance (limit)"], stretch=0, most_rows=8)
        self.add(self.harms)
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
        self.add(Row(label("Accepted chance at a canal, per site", "note", wrap=False), self.limit))
        self.note = label(
            "Harm: the drill reaches the structure's wall; what comes of that is not worked out."
            " Leeway: the largest error towards the structure that does not yet reach it. Needed: the leeway at"
            " which the chance would equal its limit. In bone both walls beside the drill count. A tendency of the"
            f" drill away from a structure is credited up to {CREDITED_BIAS_MM:g} mm, one towards it in full.",
            "note",
        )
        self.add(self.note)

    def summary(self, shown: Shown) -> str:
        """Give how many are near."""
        near = _near(shown)
        over = sum(h.chance > h.limit for h in near)
        return f"{len(near)} near, {over} over the limit" if near else "nothing marked near"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        limit = shown.plan.limits.harm_chance
        with QSignalBlocker(self.limit):
            self.limit.setValue(100.0 * (DEFAULT_HARM_LIMIT if limit is None else limit))
        near = _near(shown)
        drawn = None if shown.evaluation is None else shown.evaluation.drawn.sites.get(shown.site)
        tips = []
        for harm in near:
            tip = (
                f"Together ± {mm(1.96 * harm.sigma_mm, 2)} mm (95 %) along the nearest direction; ±"
                f" {mm(1.96 * harm.localisation_mm, 2)} mm of it is how well the structure is known there."
                f" On average the drill goes {mm(abs(harm.bias_mm), 2)} mm"
                f" {'towards' if harm.bias_mm > 0 else 'away from'} it."
            )
            chance = None if drawn is None else drawn.chances.get(harm.obstacle)
            if chance is not None:
                tip += (
                    f"\nBy random draws {percent(chance.value)}, 95 % limits {percent(chance.low)} to"
                    f" {percent(chance.high)}."
                )
            tips.append(tip)
        self.harms.show_rows(
            [
                (h.obstacle, mm(h.leeway_mm), mm(h.need_mm), f"{percent(h.chance)} ({100 * h.limit:g} %)")
                for h in near
            ],
            [state_icon("clear" if h.chance <= h.limit else "touches", shown.theme) for h in near],
            tips,
        )


def _near(shown: Shown) -> list[Any]:
    if shown.budget is None:
        return []
    return [h for h in shown.budget.harms if h.decisive or h.distance_mm <= FAR_MM]


class ErrorBlock(Block):
    """The drill's expected error at this site, by both evaluations."""

    title = "How far the drill may stray"

    def build(self) -> None:
        """Make the widgets."""
        self.errors = Table(["Where", "Mean", "95 % below", "95 %, drawn"], stretch=0)
        self.add(self.errors)
        self.agreement = Lines()
        self.add(self.agreement)
        self.add(
            label(
                "Dashed in the sections and as a net in 3D: the 95 % envelope, the fixture's outline with the error"
                " of each depth added. 95 of 100 fixtures are expected to stay within it, if this clinic and mouth"
                " are like the published ones.",
                "note",
            )
        )

    def summary(self, shown: Shown) -> str:
        """Give the apex."""
        return "" if shown.budget is None else f"apex 95 % below {mm(shown.budget.apex.p95_mm)} mm"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        budget = shown.budget
        if budget is None:
            self.errors.show_rows([])
            self.agreement.show_lines([], shown.theme)
            return
        drawn = None if shown.evaluation is None else shown.evaluation.drawn.sites.get(shown.site)
        others = (
            ("–",) * 4
            if drawn is None
            else (
                f"{mm(drawn.entry_p95_mm, 2)} mm",
                f"{mm(drawn.apex_p95_mm, 2)} mm",
                f"{mm(drawn.angle_p95_deg)}°",
                f"± {mm(drawn.depth_p95_mm, 2)} mm",
            )
        )
        rows = [
            ("Entry", f"{mm(budget.entry.mean_abs_mm, 2)} mm", f"{mm(budget.entry.p95_mm, 2)} mm"),
            ("Apex", f"{mm(budget.apex.mean_abs_mm, 2)} mm", f"{mm(budget.apex.p95_mm, 2)} mm"),
            ("Angle", f"{mm(budget.angle_mean_deg)}°", f"{mm(budget.angle_p95_deg)}°"),
            (
                "Depth (+ deeper)",
                f"{budget.depth_mean_mm:+.2f} mm".replace("-", "−"),
                f"± {mm(budget.depth_p95_mm, 2)} mm",
            ),
        ]
        self.errors.show_rows([(*row, other) for row, other in zip(rows, others, strict=True)])
        self.agreement.show_lines(_agreement(shown), shown.theme)


def _agreement(shown: Shown) -> list[tuple[str, str]]:
    if shown.evaluation is None:
        return [("waiting", "The random draws are being made.")]
    drawn, site = shown.evaluation.drawn, shown.evaluation.drawn.sites.get(shown.site)
    if site is None:
        return []
    chance = site.chance_of_harm
    lines = [
        (
            "note",
            f"{drawn.draws:,} random draws: chance of harm {percent(chance.value)} here, 95 % limits"
            f" {percent(chance.low)} to {percent(chance.high)}.",
        )
    ]
    own = [f for f in shown.evaluation.differences if f.where == shown.site]
    if not own:
        text = "Formula and draws agree: errors within 5 %, the chance of harm within 5 % of these limits."
        lines.append(("answered", text))
    return lines + [(f.severity.value, f.text) for f in own]


class SharesBlock(Block):
    """What the error at the apex is made of."""

    title = "What the error at the apex is made of"

    def build(self) -> None:
        """Make the widgets."""
        self.bar = ShareBar(self.workspace.theme)
        self.add(self.bar)
        self.legend = QWidget()
        self.grid = QGridLayout(self.legend)
        self.grid.setContentsMargins(0, 0, 0, 0)
        self.grid.setHorizontalSpacing(7)
        self.grid.setVerticalSpacing(3)
        self.grid.setColumnStretch(1, 1)
        self.add(self.legend)
        self.add(label("Shares of the variance; they add up to 100 %. Hover over a line for its source.", "note"))
        self._legend_of: Any = None

    def summary(self, shown: Shown) -> str:
        """Give the largest."""
        ranked = _ranked(shown)
        return f"{ranked[0].label} {100 * ranked[0].share:.0f} %" if ranked else ""

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        self.bar.theme = shown.theme
        ranked = _ranked(shown)
        self.bar.show_shares([(source.label, source.share) for source in ranked])
        if ranked == self._legend_of:
            return
        self._legend_of = ranked
        while (item := self.grid.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.deleteLater()
        for k, source in enumerate(ranked):
            mark = QLabel()
            colour = shown.theme.accent if k == 0 else shown.theme.muted
            mark.setPixmap(swatch(colour, self.bar.pattern(k), shown.theme.line))
            words = label(f"{source.label}: {source.value_text}")
            words.setToolTip(f"Source: {source.source_text}. Mark: {source.mark}")
            self.grid.addWidget(mark, k, 0)
            self.grid.addWidget(words, k, 1)
            self.grid.addWidget(label(f"{100 * source.share:.0f} %", wrap=False), k, 2)


def _ranked(shown: Shown) -> tuple[Any, ...]:
    if shown.budget is None:
        return ()
    return tuple(sorted(shown.budget.sources, key=lambda source: -source.share))
