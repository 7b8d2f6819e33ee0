"""The answer of the match: trusted or not, the error at each site, and three ways to look at it."""

from __future__ import annotations

import numpy as np
from PySide6.QtWidgets import QButtonGroup, QPushButton

from app.steps.panel_block import PanelBlock
from app.steps.parts import Facts, Lines, Row, Table, button, label
from app.view_state import SURFACE_LOOKS
from app.words import mm, site_label, site_words
from planner_core.case import derived
from planner_core.case.derived.match_picture import known_match_picture
from planner_core.case.staleness import match_changes

ROAD_WORDS = {
    "surface": "Surface of the teeth",
    "markers": "Markers",
    "combined": "Markers and surface",
    "dual scan": "Dual scan",
    "points": "Pairs of points",
}


class ResultBlock(PanelBlock):
    """What the match is worth."""

    def build(self) -> None:
        """Make the widgets."""
        self.state = Lines()
        self.notes = Lines()
        self.errors = Table(["95 % of errors below, at", "Entry", "Apex"], stretch=0, most_rows=8)
        self.facts = Facts()
        self.looks: dict[str, QPushButton] = {}
        group = QButtonGroup(self)
        for look, words in SURFACE_LOOKS.items():
            made = button(words, lambda look=look: self._look(look), name=f"look-{look}")
            made.setCheckable(True)
            group.addButton(made)
            self.looks[look] = made
        self.workspace.view.restyled.connect(self._dress_looks)
        self.looks["distance"].setToolTip("How far the scan's own edge lies from the surface, on the 3D view")
        self.looks["error"].setToolTip("The error of the match in 95 of 100 cases, over the arch, on the 3D view")
        self.look_row = Row(label("Show in 3D", "note", wrap=False), *self.looks.values())
        self.note = label(
            "The check that counts: scroll through the sections; the outline must lie on the edge of the teeth. A"
            " click on the surface in 3D goes there.",
            "note",
        )
        self.drop = button("Take the match back", lambda: self.guarded(self.do.match.drop_match), name="drop-match")
        self.drop.setProperty("role", "link")
        for widget in (self.state, self.errors, self.facts, self.notes, self.look_row, self.note, Row(self.drop)):
            self.add(widget)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme = self.plan, self.workspace.theme
        there = plan.match is not None
        for widget in (self.errors, self.facts, self.notes, self.look_row, self.note, self.drop):
            widget.setVisible(there)
        if plan.match is None:
            self.state.show_lines([], theme, "Not matched yet. Choose a road below.")
            return
        self.errors.setVisible(bool(plan.fixtures))
        match, state = plan.match.match, derived.match_state(plan)
        road = ROAD_WORDS[match.road.value].lower()
        changed = ", ".join(match_changes(plan)) if state == "stale" else ""
        lines = {
            "stale": [("stale", f"Made before a change of: {changed}. Match again.")],
            "not trusted": [("blocker", f"Not to be trusted: this match by {road} must not carry a plan.")],
            "in use": [("answered", f"In use, by {road}; it may carry a plan.")],
        }.get(state, [])
        lines += [("blocker", reason) for reason in match.reasons]
        said = [(f.severity.value, f.text) for f in match.findings if f.text not in match.reasons]
        self.state.show_lines([*lines, *(line for line in said if line[0] != "note")], theme)
        self.notes.show_lines([line for line in said if line[0] == "note"], theme)
        self.errors.show_rows(
            [
                (
                    site_label(site, self.workspace.settings.notation),
                    f"{mm(match.expected_p95_mm(fixture.pose.platform_lps_mm), 2)} mm",
                    f"{mm(match.expected_p95_mm(fixture.apex_lps_mm), 2)} mm",
                )
                for site, fixture in plan.fixtures.items()
            ],
            tips=[
                f"{site_words(site)}: at the apex {mm(match.expected_rms_mm(f.apex_lps_mm), 2)} mm (rms)"
                for site, f in plan.fixtures.items()
            ],
        )
        self._show_facts()
        self._dress_looks()

    def _dress_looks(self) -> None:
        for look, made in self.looks.items():
            made.setChecked(self.workspace.view.surface_look == look)

    def _look(self, look: str) -> None:
        self.workspace.view.set_surface_look(look)
        self.refresh()

    def _show_facts(self) -> None:
        adopted = self.plan.match
        assert adopted is not None
        match, picture = adopted.match, known_match_picture(self.plan)
        facts = [("Residual of the fit", f"{mm(match.residual_rms_mm, 2)} mm (not the error at a site)")]
        if match.road.value in ("surface", "combined"):
            facts.append(("Carried the match", f"{100 * match.used_share:.0f} % of the surface"))
        if picture is not None and np.isfinite(picture.distance_mm).any():
            middle = float(np.nanmedian(np.abs(picture.distance_mm)))
            share = 100 * picture.compared_share
            facts.append(("To the scan's edge", f"half of it below {mm(middle, 2)} mm; {share:.0f} % compared"))
        self.facts.show_facts(facts)
