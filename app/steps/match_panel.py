"""The panel of Match: do the scans agree."""

from __future__ import annotations

from PySide6.QtWidgets import QDoubleSpinBox

from app import drawn
from app.steps.panel import StepPanel
from app.steps.parts import Facts, Lines, Row, Table, button, label
from app.view_state import Step
from app.words import mm, site_label
from planner_core.case import derived

DEFAULT_LOCALISATION_MM = 0.5
"""Expected 3-D error of a pair named by hand, both ends together, mm (as `PointPair`)."""


class MatchPanel(StepPanel):
    """Surface scan, pairs of points, and the error to expect where it matters."""

    step = Step.MATCH
    title = "Match"
    question = "Do the scans agree, and how far may they be off at each site?"

    def build(self) -> None:
        """Make the widgets."""
        source = self.section("Surface scan")
        self.facts = Facts()
        self.findings = Lines()
        source.add(self.facts)
        source.add(self.findings)
        source.add(button("Open surface scan …", lambda: self.guarded(self.case.add_surface), name="open-surface"))
        pairs = self.section("Pairs of points")
        pairs.add(
            label(
                "Name the same spot in surface scan and scan: three pairs at least; five, spread wide, are better.",
                "note",
            )
        )
        self.table = Table(["Pair", "Localised", "Residual"], stretch=0, most_rows=8)
        self.table.currentCellChanged.connect(self._go_to_pair)
        pairs.add(self.table)
        self.localisation = QDoubleSpinBox()
        self.localisation.setRange(0.05, 3.0)
        self.localisation.setSingleStep(0.05)
        self.localisation.setValue(DEFAULT_LOCALISATION_MM)
        self.localisation.setSuffix(" mm")
        self.localisation.setToolTip("Expected error of naming a spot, both ends together (root mean square)")
        self.pick = button("Name pairs", self._pick, name="pick-pairs")
        self.remove = button("Remove pair", self._remove)
        pairs.add(Row(label("Expected naming error", "note", wrap=False), self.localisation))
        pairs.add(Row(self.pick, self.remove))
        result = self.section("Match")
        self.run = button(
            "Match by these pairs",
            lambda: self.guarded(self.actions_.match.match_by_pairs),
            main=True,
            name="match",
        )
        self.drop = button("Take the match back", lambda: self.guarded(self.actions_.match.drop_match))
        result.add(Row(self.run, self.drop))
        self.state = Lines()
        self.result = Facts()
        result.add(self.state)
        result.add(self.result)
        error = self.section("Error to expect at each site")
        self.errors = Table(["Site", "Typical", "95 % below"], stretch=0)
        error.add(self.errors)
        self.note = label(
            "The residual only says how well the named pairs fit each other. It says nothing about the error at a"
            " site; that follows from where the pairs lie (Fitzpatrick 1998, 2009).",
            "note",
        )
        error.add(self.note)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme = self.workspace.plan, self.workspace.theme
        surface = drawn.first_surface(self.workspace)
        if surface is None:
            self.facts.show_facts([("Surface", "none yet")])
            self.findings.show_lines([], theme)
        else:
            size = " x ".join(f"{v:.0f}" for v in surface.surface.extent_mm)
            self.facts.show_facts(
                [
                    ("File", surface.label),
                    ("Shows", surface.role.value),
                    ("Size", f"{size} mm (unit {surface.unit})"),
                    ("Triangles", f"{len(surface.surface.triangles)}"),
                ]
            )
            self.findings.show_lines([(f.severity.value, f.text) for f in surface.findings], theme)
        self._show_pairs()
        self.pick.setEnabled(surface is not None and plan.scan is not None)
        self.run.setEnabled(surface is not None and len(plan.pairs) >= 3)
        self.remove.setEnabled(bool(plan.pairs))
        self.drop.setEnabled(plan.match is not None)
        self._show_match()

    def _show_pairs(self) -> None:
        plan = self.workspace.plan
        residuals = plan.match.match.residuals_mm if plan.match is not None else ()
        current = derived.match_state(plan) in ("in use", "not trusted") and len(residuals) == len(plan.pairs)
        self.table.show_rows(
            [
                (
                    pair.name,
                    f"{mm(pair.localisation_mm, 2)} mm",
                    f"{mm(float(residuals[k]), 2)} mm" if current else "–",
                )
                for k, pair in enumerate(plan.pairs)
            ]
        )

    def _show_match(self) -> None:
        plan, theme = self.workspace.plan, self.workspace.theme
        state = derived.match_state(plan)
        if plan.match is None:
            self.state.show_lines([], theme, "Not matched yet.")
            self.result.show_facts([])
            self.errors.show_rows([])
            return
        match = plan.match.match
        lines = {
            "stale": [("stale", "The pairs or scans have changed since: match again.")],
            "not trusted": [("blocker", "This match must not carry a plan.")],
            "in use": [("answered", f"In use, by {match.road.value}.")],
        }.get(state, [])
        lines += [("blocker", reason) for reason in match.reasons]
        lines += [(f.severity.value, f.text) for f in match.findings if f.text not in match.reasons]
        self.state.show_lines(lines, theme)
        self.result.show_facts(
            [("Residual of the fit", f"{mm(match.residual_rms_mm, 2)} mm (not the error at a site)")]
        )
        self.errors.show_rows(
            [
                (
                    f"{site_label(site, self.workspace.settings.notation)} {where}",
                    f"{mm(match.expected_rms_mm(point), 2)} mm",
                    f"{mm(match.expected_p95_mm(point), 2)} mm",
                )
                for site, fixture in plan.fixtures.items()
                for where, point in (("entry", fixture.pose.platform_lps_mm), ("apex", fixture.apex_lps_mm))
            ]
        )

    def _pick(self) -> None:
        self.guarded(self.actions_.match.pick_pairs, self.localisation.value())

    def _remove(self) -> None:
        row = self.table.currentRow()
        pairs = self.workspace.plan.pairs
        if pairs:
            self.guarded(self.actions_.match.remove_pair, pairs[row if 0 <= row < len(pairs) else -1].name)

    def _go_to_pair(self, row: int, *_: int) -> None:
        pairs = self.workspace.plan.pairs
        if 0 <= row < len(pairs):
            self.workspace.view.select("")
            self.workspace.go_to_point(pairs[row].lps_mm)
