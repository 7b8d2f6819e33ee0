"""A block of the Fixtures panel that can be folded: its heading says the answer even when it is closed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from app.steps.fold import Fold
from app.steps.panel_block import OfPanel

if TYPE_CHECKING:
    from app.steps.panel import StepPanel


class Block(Fold, OfPanel):
    """A fold that shows part of the plan and acts on it through its panel."""

    def __init__(self, panel: StepPanel, title: str, name: str, is_open: bool = False) -> None:
        super().__init__(title, name, is_open, strong=True)
        self.panel = panel
        self.build()
        self.opened.connect(self.refresh)
