"""Which teeth stand there? One click for each; their numbers, roots and what is to become of them."""

from __future__ import annotations

from app.steps.anatomy_block import Block
from app.steps.anatomy_parts import ArchMap
from app.steps.parts import Facts, Lines, Row, button, combo, label
from app.tools.click_teeth import ADD, NEW, TAKE
from app.words import mm, site_label, site_words, sites_of_jaw
from planner_core.anatomy.marked import MarkedTooth, ToothState

STATE_NOTES = {
    ToothState.MOBILE: "Carries no guide.",
    ToothState.TO_EXTRACT: "Carries no guide and is no obstacle: its socket is left (virtual extraction).",
    ToothState.IMPACTED: "Carries no guide and stays an obstacle.",
    ToothState.RETAINED_ROOT: "Carries no guide and stays an obstacle.",
}


class Teeth(Block):
    """The arch map and the tooth that is chosen on it."""

    question = "Which teeth stand there?"
    is_open = False

    def build(self) -> None:
        """Make the widgets."""
        self.site = ""
        self.map = ArchMap(self.workspace.theme)
        self.map.setObjectName("arch-map")
        self.map.picked.connect(self.choose)
        self.fold.add(self.map)
        self.mark = button(
            "Mark teeth by clicks",
            lambda: self.guarded(self.actions.marks.mark_teeth),
            "One click for each tooth, at its neck in any section; its number is told from its place",
            name="mark-teeth",
        )
        self.mark_one = button("", lambda: self.guarded(self.actions.marks.mark_teeth, self.site, NEW))
        self.fold.add(Row(self.mark, self.mark_one))
        self.name = label("")
        self.fold.add(self.name)
        self.facts = Facts()
        self.fold.add(self.facts)
        self.state = combo("tooth-state")
        for state in ToothState:
            self.state.addItem(state.value, state)
        self.state.activated.connect(
            lambda k: self.guarded(
                self.actions.marks.set_tooth_state, self.site, ToothState(self.state.itemData(k))
            )
        )
        self.number = combo("tooth-number")
        self.number.activated.connect(self._renumber)
        self.state_row = Row(label("is", "note", wrap=False), self.state, stretch=1)
        self.number_row = Row(label("is really number", "note", wrap=False), self.number, stretch=1)
        self.fold.add(self.state_row)
        self.fold.add(self.number_row)
        self.lines = Lines()
        self.fold.add(self.lines)
        self.buttons = Row(
            button(
                "Add to it", lambda: self.guarded(self.actions.marks.mark_teeth, self.site, ADD), name="tooth-add"
            ),
            button(
                "Take off it",
                lambda: self.guarded(self.actions.marks.mark_teeth, self.site, TAKE),
                name="tooth-take",
            ),
            button("Remove", lambda: self.guarded(self.actions.marks.remove_tooth, self.site), name="tooth-remove"),
        )
        self.fold.add(self.buttons)

    def choose(self, site: str) -> None:
        """Choose a tooth of the map and look at it."""
        self.site = site
        tooth = self.plan.teeth.get(site)
        if tooth is not None:
            self.workspace.view.select("")
            self.workspace.go_to_point(tooth.neck_lps_mm)
        self.refresh()

    def _renumber(self, k: int) -> None:
        before, after = self.site, str(self.number.itemData(k))
        self.guarded(self.actions.marks.renumber_tooth, before, after)
        if after in self.plan.teeth:
            self.site = after
        self.refresh()

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, notation = self.plan, self.workspace.settings.notation
        sites = sites_of_jaw(plan.jaw.value)
        if self.site not in sites:
            self.site = next((site for site in sites if site in plan.teeth), "")
        states = {site: tooth.state for site, tooth in plan.teeth.items()}
        self.map.theme = self.workspace.theme
        self.map.show_teeth(plan.jaw.value, states, self.site, notation)
        ready = plan.scan is not None and plan.arch is not None
        self.mark.setEnabled(ready)
        self.mark_one.setEnabled(ready)
        tooth = plan.teeth.get(self.site)
        self.mark_one.setVisible(bool(self.site) and tooth is None)
        self.mark_one.setText(f"Mark {site_label(self.site, notation)}" if self.site else "")
        self.name.setText(site_words(self.site) if self.site else "")
        self.name.setVisible(bool(self.site))
        for widget in (self.state_row, self.number_row, self.buttons, self.facts, self.lines):
            widget.setVisible(tooth is not None)
        self.fold.explain(self._answer(states))
        if tooth is not None:
            self._show(tooth)

    def _answer(self, states: dict[str, ToothState]) -> str:
        if not states:
            return "None marked. A guide on teeth and the distances to roots need them."
        notation = self.workspace.settings.notation
        words = f"{len(states)} marked"
        for state in ToothState:
            of_state = [site_label(site, notation) for site, found in states.items() if found is state]
            if of_state and state is not ToothState.SOUND:
                words += f"; {', '.join(of_state)} {state.value}"
        return words + "."

    def _show(self, tooth: MarkedTooth) -> None:
        form = tooth.form
        roots = f"{form.roots} root{'s' if form.roots != 1 else ''}, {mm(tooth.root_length_mm)} mm long"
        crown = f"crown ± {mm(1.96 * tooth.sigma_crown_mm)} mm"
        self.facts.show_facts(
            [
                ("Root", roots),
                ("Known to", f"root ± {mm(1.96 * tooth.sigma_mm)} mm, {crown}"),
            ]
        )
        self.state.setCurrentIndex(self.state.findData(tooth.state))
        self.number.clear()
        for site in sites_of_jaw(self.plan.jaw.value):
            if site == tooth.site or site not in self.plan.teeth:
                self.number.addItem(site_words(site), site)
        self.number.setCurrentIndex(self.number.findData(tooth.site))
        lines = [("note", form.note)]
        if tooth.state in STATE_NOTES:
            lines.append(("warning", STATE_NOTES[tooth.state]))
        lines += [("warning", finding.text) for finding in tooth.findings]
        self.lines.show_lines(lines, self.workspace.theme)
