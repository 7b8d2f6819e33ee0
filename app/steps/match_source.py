"""What is matched: the surface scans of the case, which one is worked on, and what each shows."""

from __future__ import annotations

from attrs import evolve

from app import drawn
from app.steps.panel_block import PanelBlock
from app.steps.parts import Facts, Lines, Row, button, combo, label
from planner_core.case import edits
from planner_core.case.plan import SurfaceRole

ROLES = tuple(SurfaceRole)


class SourceBlock(PanelBlock):
    """The surface scan."""

    def build(self) -> None:
        """Make the widgets."""
        self.facts = Facts()
        self.findings = Lines()
        self.which = combo("which-surface")
        self.which.activated.connect(self._on_which)
        self.role = combo("surface-role")
        self.role.addItems([role.value for role in ROLES])
        self.role.activated.connect(self._on_role)
        self.which_row = Row(label("Work on", "note", wrap=False), self.which, stretch=1)
        self.role_row = Row(label("Shows", "note", wrap=False), self.role, stretch=1)
        self.open = button(
            "Open surface scan …", lambda: self.guarded(self.panel.case.add_surface), name="open-surface"
        )
        for widget in (self.which_row, self.facts, self.role_row, self.findings, Row(self.open)):
            self.add(widget)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme = self.plan, self.workspace.theme
        surface = drawn.first_surface(self.workspace)
        several = len(plan.surfaces) > 1
        self.which_row.setVisible(several)
        self.role_row.setVisible(surface is not None)
        if surface is None:
            self.facts.show_facts([("Surface", "none yet")])
            self.findings.show_lines([], theme)
            return
        ids = list(plan.surfaces)
        labels = [plan.surfaces[key].label for key in ids]
        if [self.which.itemText(k) for k in range(self.which.count())] != labels:
            self.which.clear()
            self.which.addItems(labels)
        self.which.setCurrentIndex(ids.index(surface.surface_id))
        self.role.setCurrentIndex(ROLES.index(surface.role))
        size = " x ".join(f"{v:.0f}" for v in surface.surface.extent_mm)
        self.facts.show_facts(
            [
                ("File", surface.label),
                ("Size", f"{size} mm (unit {surface.unit}), {len(surface.surface.triangles)} triangles"),
            ]
        )
        self.findings.show_lines([(f.severity.value, f.text) for f in surface.findings], theme)

    def _on_which(self, index: int) -> None:
        ids = list(self.plan.surfaces)
        if 0 <= index < len(ids):
            self.workspace.view.work_on(ids[index])
            self.panel.refresh()

    def _on_role(self, index: int) -> None:
        surface = drawn.first_surface(self.workspace)
        if surface is not None and surface.role is not ROLES[index]:
            changed = evolve(surface, role=ROLES[index])
            self.guarded(
                self.do.match.apply, f"{surface.label} shows {ROLES[index].value}", edits.add_surface, changed
            )
