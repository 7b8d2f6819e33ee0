"""The panel of Anatomy: what is in the way, by what the clinician asks."""

from __future__ import annotations

from app.steps.anatomy_block import Block
from app.steps.anatomy_bone import Bone
from app.steps.anatomy_keep_off import KeepOff
from app.steps.anatomy_measured import Measured
from app.steps.anatomy_teeth import Teeth
from app.steps.anatomy_where import Where
from app.steps.panel import StepPanel
from app.steps.parts import Lines
from app.view_state import Step
from planner_core.case.staleness import stale_parts


class AnatomyPanel(StepPanel):
    """Arch, structures, teeth, bone, measurements: one block for each question, its answer beside the question."""

    step = Step.ANATOMY
    title = "Anatomy"
    question = "What is in the way of the drill?"

    def build(self) -> None:
        """Make the blocks."""
        self.stale_section = self.section("To be looked at again")
        self.stale = Lines()
        self.stale_section.add(self.stale)
        self.where, self.keep_off, self.teeth = Where(self), KeepOff(self), Teeth(self)
        self.bone, self.measured = Bone(self), Measured(self)
        self.blocks: tuple[Block, ...] = (self.where, self.keep_off, self.teeth, self.bone, self.measured)
        for block in self.blocks:
            self._rows.addWidget(block.fold)
        self.workspace.view.moved.connect(self._on_moved)

    def _maybe_refresh(self, *what: object) -> None:
        if any(getattr(part, "preview", False) for part in what):
            return  # while something is dragged the numbers stand still; they come on release
        super()._maybe_refresh(*what)

    def _on_moved(self) -> None:
        if self.isVisible():
            for block in self.blocks:
                block.look()

    def refresh(self) -> None:
        """Bring them up to date."""
        lines = [("stale", f"{part.text} {part.remedy}") for part in stale_parts(self.workspace.plan)]
        self.stale_section.setVisible(bool(lines))
        self.stale.show_lines(lines, self.workspace.theme)
        for block in self.blocks:
            block.refresh()
