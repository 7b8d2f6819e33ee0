"""Blocks of the budget panel about where its numbers come from: own outcomes, published series, assumptions."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from app.steps.budget_parts import Block, Listed, Listing, Shown
from app.steps.parts import Facts, Lines, Row, button, label
from app.words import mm
from planner_core.case.derived import guide_inputs_of, update_of
from planner_core.planning.assumptions import TRADE_FACTS, assumptions
from planner_core.planning.calibration import PublishedCheck
from planner_core.planning.own_data import Summary, summary_of
from planner_core.planning.own_outcomes import BENCH, CLINICAL

OUTCOME_FILES = "Outcomes (*.csv);;All files (*)"


class OwnDataBlock(Block):
    """The clinic's own measured outcomes and how much they weigh."""

    title = "The clinic's own outcomes"
    ask: Callable[[str, str], Path | None]
    """Asks for a file; the panel hands over the window's dialogs."""

    def build(self) -> None:
        """Make the widgets."""
        self.lines = Lines()
        self.add(self.lines)
        self.facts = Facts()
        self.add(self.facts)
        self.read = button("Read outcomes …", self.choose, "A CSV file, one fixture a line", name="read-outcomes")
        self.remove = button("Leave out", self._leave_out, "Go back to the published prior", name="leave-outcomes")
        self.add(Row(self.read, self.remove))
        self.add(
            label(
                "Columns: guide, site, length_mm, entry_mm, apex_mm, angle_deg, support (teeth, mucosa, bone,"
                " none), guidance (free hand, pilot only, all drills, all drills and fixture), kind (clinical or"
                " bench). Clinical lines update what is expected of the hands; bench lines are only shown.",
                "note",
            )
        )

    def choose(self) -> None:
        """Ask for a file and read it."""
        path = self.ask("Own outcomes", OUTCOME_FILES)
        if path is not None:
            self.guarded(self.actions_.guide.read_own_data, path)

    def _leave_out(self) -> None:
        self.guarded(self.actions_.guide.set_own_data, None)

    def summary(self, shown: Shown) -> str:
        """Give the effective number of cases."""
        update = update_of(shown.plan)
        if shown.plan.own_data is None:
            return "none; the published prior alone"
        if update is None:
            return "bench figures only, not used"
        return f"worth {update.effective_cases:.1f} cases, {100 * update.own_share:.0f} % of the answer"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        data, update = shown.plan.own_data, update_of(shown.plan)
        self.remove.setEnabled(data is not None)
        if data is None:
            self.lines.show_lines(
                [], shown.theme, "None are in this case: the hands are taken from published series."
            )
            self.facts.show_facts([])
            return
        lines = [("answered", update.text)] if update is not None else []
        lines += [("warning", text) for text in data.left_out[:5]]
        if len(data.left_out) > 5:
            lines.append(("warning", f"{len(data.left_out) - 5} more lines could not be used."))
        self.lines.show_lines(lines, shown.theme)
        facts = [("File", f"{data.source}, read {data.read_on or 'on a day that was not kept'}"),
                 ("SHA-256", f"{data.sha256[:16]} …")]  # fmt: skip
        for kind, words in ((CLINICAL, "Clinical, measured"), (BENCH, "Bench, kept apart")):
            summary = summary_of(data.of_kind(kind))
            if summary is not None:
                facts.append((words, _measured(summary)))
        if update is not None:
            before, after = update.prior, update.posterior
            facts.append(
                (
                    "Hands, published to own",
                    f"{before.shift_sigma_mm:.2f} to {after.shift_sigma_mm:.2f} mm, {before.tilt_sigma_deg:.1f} to"
                    f" {after.tilt_sigma_deg:.1f}° per axis",
                )
            )
        self.facts.show_facts(facts)


def _measured(summary: Summary) -> str:
    return (
        f"{summary.fixtures} fixtures of {summary.guides} guides: entry {mm(summary.entry_mean_mm, 2)}, apex"
        f" {mm(summary.apex_mean_mm, 2)} mm, {mm(summary.angle_mean_deg)}° on average, apex at most"
        f" {mm(summary.apex_largest_mm, 1)} mm"
    )


class PublishedBlock(Block):
    """The published series beside the model, and what the trade says without measuring."""

    title = "Published and in-house figures"

    def build(self) -> None:
        """Make the widgets."""
        self.table = Listing(["Series", "Published", "Here", ""])
        self.add(self.table)
        self.add(
            label(
                "Clinical means of published series, beside this model in its reference configurations. Filled:"
                " reproduced within the series' 95 % limits. Square: missed. Half: the model was fitted to it,"
                " which proves nothing. Ring: no limits published.",
                "note",
            )
        )
        self.add(label("In-house sayings, unmeasured, never used as numbers:", "note"))
        self.facts = Lines()
        self.add(self.facts)

    def summary(self, shown: Shown) -> str:
        """Give how many unfitted ones are reproduced."""
        if shown.evaluation is None:
            return ""
        checks = [c for c in shown.evaluation.published if not c.fitted and c.reproduced is not None]
        return f"{sum(bool(c.reproduced) for c in checks)} of {len(checks)} unfitted figures reproduced"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        checks = () if shown.evaluation is None else shown.evaluation.published
        self.table.show_lines(
            [
                Listed(
                    _check_state(c),
                    f"{c.series}: {c.what}",
                    (_published(c), f"{c.ours:.2f}", check_words(c)),
                    f"{c.source} (mark: {c.mark})",
                )
                for c in checks
            ],
            shown.theme,
        )
        self.facts.show_lines([("note", f"{fact.text} ({fact.source})") for fact in TRADE_FACTS], shown.theme)


def _published(check: PublishedCheck) -> str:
    limits = "" if check.low is None else f" ({check.low:g} to {check.high:g})"
    return f"{check.published:g}{limits}"


def check_words(check: PublishedCheck) -> str:
    """Give in a word how a published figure compares."""
    if check.fitted:
        return "fitted"
    if check.reproduced is None:
        return "no limits"
    return "reproduced" if check.reproduced else "missed"


def _check_state(check: PublishedCheck) -> str:
    return {"fitted": "warning", "no limits": "open", "reproduced": "answered", "missed": "touches"}[
        check_words(check)
    ]


class AssumedBlock(Block):
    """Every number that the budget assumes, our own choices first."""

    title = "Everything that is assumed"

    def build(self) -> None:
        """Make the widgets."""
        self.table = Listing(["Number", "Mark"])
        self.add(self.table)
        self.add(
            label(
                "Mark: our choice, or M from memory or common practice: nothing published stands behind the number."
                " S, S2 seen in a source, C computed. Hover over a line for the source.",
                "note",
            )
        )

    def summary(self, shown: Shown) -> str:
        """Give how many are our own."""
        found = assumptions(guide_inputs_of(shown.plan))
        return f"{len(found)} numbers, {sum(a.unsourced for a in found)} of them our choice or from memory"

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""
        found = assumptions(guide_inputs_of(shown.plan))
        self.table.show_lines(
            [
                Listed(
                    "warning" if a.unsourced else "open",
                    f"{a.label}: {a.value}" + (f" (plausible {a.plausible})" if a.plausible else ""),
                    (a.mark,),
                    f"Source: {a.source}",
                )
                for a in found
            ],
            shown.theme,
        )
