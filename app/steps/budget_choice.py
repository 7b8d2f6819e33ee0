"""Blocks of the budget panel about what could be otherwise: helps, other guides, assumptions, the pilot alone."""

from __future__ import annotations

from app.steps.budget_parts import Block, Listed, Listing, Shown
from app.steps.parts import Lines, Table, label, state_icon
from app.words import mm, percent, site_label
from planner_core.planning.choice import LIMITS_OF_ADVICE, Option
from planner_core.planning.what_helps import Help

LEAST_GAIN = 1e-4
"""A smaller fall of the chance of harm is called no gain (our choice: smaller chances are not told apart)."""

NOT_YET = "Being worked out for the plan as it stands …"


def option_words(option: Option) -> str:
    """Give an option's name."""
    if option.support.value == "none":
        return "free hand"
    return f"{option.support.value}, {option.guidance.value}"


class HelpBlock(Block):
    """What would make this site safer, each change worked out."""

    title = "What would help most here"

    def build(self) -> None:
        """Make the widgets."""
        self.helps = Listing(["Change", "Chance", "Apex 95 %"])
        self.add(self.helps)
        self.note = label("", "note")
        self.add(self.note)

    def summary(self, shown: Shown) -> str:
        """Give the best."""
        helps = _helps(shown)
        if not helps or helps[0].saved <= LEAST_GAIN:
            return "nothing that was tried" if helps else ""
        return f"{helps[0].label}, {percent(helps[0].chance_after)} then"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        helps = _helps(shown)
        self.helps.show_lines(
            [
                Listed(
                    "answered" if h.saved > LEAST_GAIN else "open",
                    h.label,
                    (percent(h.chance_after), f"{mm(h.apex_p95_after_mm)} mm"),
                    f"{percent(h.chance_before)} now, {percent(h.chance_after)} then. {h.note}",
                )
                for h in helps
            ],
            shown.theme,
        )
        if not helps:
            self.note.setText(NOT_YET if shown.evaluation is None else "Nothing was tried.")
            return
        self.note.setText(
            f"Now {percent(helps[0].chance_before)} chance of harm at this site. Each line is this plan with one"
            " thing changed, computed anew; whether the change can be made, the clinician decides. Filled: safer;"
            " ring: no gain."
        )


def _helps(shown: Shown) -> tuple[Help, ...]:
    return () if shown.evaluation is None else shown.evaluation.helps.get(shown.site, ())


class CompareBlock(Block):
    """Every support with every guidance: chance against limit, leeway against need, burden, refusals."""

    title = "Every guide compared"

    def build(self) -> None:
        """Make the widgets."""
        self.options = Table(["Guide", "Chance", "Spare", "Burden"], stretch=0, most_rows=10)
        self.options.setObjectName("guide-options")
        self.options.itemSelectionChanged.connect(self._explain)
        self.add(self.options)
        self.detail = Lines()
        self.add(self.detail)
        self.note = label("", "note")
        self.add(self.note)
        self._shown: Shown | None = None

    def summary(self, shown: Shown) -> str:
        """Give how many pass."""
        if shown.evaluation is None:
            return ""
        options = shown.evaluation.choice.options
        return f"{sum(o.passes for o in options)} of {len(options)} pass"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        self._shown = shown
        if shown.evaluation is None:
            self.options.show_rows([])
            self.detail.show_lines([], shown.theme)
            self.note.setText(NOT_YET)
            return
        rows, icons, tips = [], [], []
        for option in shown.evaluation.choice.options:
            spare = "–" if option.spare_mm == float("inf") else f"{mm(option.spare_mm)} mm"
            burden = option.burden.words.replace("through the mucosa", "").strip()
            rows.append((option_words(option), percent(option.worst_chance), spare, burden))
            state = "answered" if option.passes else ("touches" if option.eligible else "open")
            icons.append(state_icon(state, shown.theme))
            tips.append("\n".join([_verdict(option), *(r.reason for r in option.refusals)]))
        self.options.show_rows(rows, icons, tips)
        self.note.setText(
            "Chance: the largest at one structure among all sites. Spare: leeway minus need, the least of all."
            " Filled: passes. Square: over a limit. Ring: not open to this mouth; choose a line for the reasons. "
            + LIMITS_OF_ADVICE
        )
        self._explain()

    def _explain(self) -> None:
        shown = self._shown
        if shown is None or shown.evaluation is None:
            return
        row = self.options.currentRow()
        options = shown.evaluation.choice.options
        if not 0 <= row < len(options):
            refused = [o for o in options if o.refusals]
            lines = [
                ("note", f"{support.capitalize()}: {reason}")
                for support, reason in dict.fromkeys(
                    (o.support.value, r.reason) for o in refused for r in o.refusals
                )
            ]
            self.detail.show_lines(lines[:6], shown.theme)
            return
        option = options[row]
        lines = [("answered" if option.passes else "warning", f"{option_words(option)}: {_verdict(option)}.")]
        lines += [("blocker", f"{r.reason} ({r.source})") for r in option.refusals]
        lines += [
            ("note", f"{site_label(site, shown.notation)}: {percent(b.chance_of_harm)} in all, apex 95 % below"
                     f" {mm(b.apex.p95_mm)} mm")
            for site, b in option.sites.items()
        ]  # fmt: skip
        self.detail.show_lines(lines, shown.theme)


def _verdict(option: Option) -> str:
    if not option.eligible:
        return "not open to this mouth"
    if option.passes:
        return "passes: every chance within its limit"
    return f"over the limit: {option.ratio:.1f} times at the worst structure"


class DecidesBlock(Block):
    """Which assumption decides the answer."""

    title = "Which assumption decides"

    def build(self) -> None:
        """Make the widgets."""
        self.lines = Lines()
        self.add(self.lines)
        self.effects = Listing(["Number", "Low", "Now", "High"])
        self.add(self.effects)
        self.add(
            label(
                "Chance over limit at the worst structure of all sites, for the guide as it is set, with one number"
                " at the low and the high end of what is plausible; above 1 is over the limit.",
                "note",
            )
        )

    def summary(self, shown: Shown) -> str:
        """Give the first that changes the answer."""
        if shown.evaluation is None:
            return ""
        deciding = [e for e in shown.evaluation.effects if e.decides]
        return deciding[0].label if deciding else "none changes the answer by itself"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        if shown.evaluation is None:
            self.effects.show_lines([], shown.theme)
            self.lines.show_lines([], shown.theme, NOT_YET)
            return
        effects = shown.evaluation.effects[:8]
        deciding = [e for e in shown.evaluation.effects if e.decides]
        text = (
            f"Within the limits or over them hangs on {len(deciding)} of the model's numbers, first of all:"
            f" {deciding[0].label}."
            if deciding
            else "No single number of the model, moved within its plausible range, changes the answer."
        )
        self.lines.show_lines([("warning" if deciding else "answered", text)], shown.theme)
        self.effects.show_lines(
            [
                Listed(
                    "warning" if e.decides else "open",
                    f"{e.label}, {e.low:g} to {e.high:g} {e.unit}".removesuffix(" -"),
                    (f"{e.ratio_low:.2f}", f"{e.ratio:.2f}", f"{e.ratio_high:.2f}"),
                    f"Now {e.value:g} {e.unit}. {e.source} (mark: {e.mark})",
                )
                for e in effects
            ],
            shown.theme,
        )


class PilotBlock(Block):
    """A guided pilot alone: by the published differences, and by the density round this bore."""

    title = "If only the pilot were guided"

    def build(self) -> None:
        """Make the widgets."""
        self.table = Table(["By", "Chance", "Apex 95 %"], stretch=0)
        self.add(self.table)
        self.note = label("", "note")
        self.add(self.note)

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        found = None if shown.evaluation is None else shown.evaluation.drifts.get(shown.site)
        if found is None:
            self.table.show_rows([])
            self.note.setText(
                NOT_YET
                if shown.evaluation is None
                else "Not worked out: it needs a guide and the grey values of a scan."
            )
            return
        self.table.show_rows(
            [
                ("published differences", percent(found.published_chance), f"{mm(found.published_apex_p95_mm)} mm"),
                ("density round this bore", percent(found.density_chance), f"{mm(found.density_apex_p95_mm)} mm"),
            ]
        )
        self.note.setText(
            f"{found.drift.text} The advice uses the published differences alone (Gargallo-Albiol 2020): they hold"
            " more than drift."
        )
