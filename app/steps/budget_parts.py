"""What the blocks of the budget panel are made of: a heading that opens, large figures, and what they are shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar

from attrs import frozen
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QGridLayout, QLabel, QVBoxLayout, QWidget

from app.plan_actions import PlanActions
from app.steps.fold import Fold
from app.steps.parts import label, state_icon
from app.theme import GAP_PX, Theme
from app.workspace import Workspace
from planner_core.case.derived import Evaluation
from planner_core.case.plan import Plan
from planner_core.planning.error_budget import SiteBudget


@frozen(eq=False)
class Shown:
    """What the panel shows now: plan, site in hand with its budget, and the evaluation once there is one."""

    plan: Plan
    site: str
    budget: SiteBudget | None
    evaluation: Evaluation | None
    theme: Theme
    notation: str


class Block(QWidget):
    """One part of the panel behind a heading; brought up to date only while it is open."""

    title: ClassVar[str] = ""

    def __init__(self, workspace: Workspace, actions: PlanActions, guarded: Any) -> None:
        super().__init__()
        self.workspace = workspace
        self.actions_ = actions
        self.guarded = guarded
        self.rows = QVBoxLayout(self)
        self.rows.setContentsMargins(0, 2, 0, GAP_PX)
        self.rows.setSpacing(6)
        self.build()

    def build(self) -> None:
        """Make the widgets."""

    def refresh(self, shown: Shown) -> None:
        """Bring them up to date."""

    def summary(self, shown: Shown) -> str:
        """Give a few words beside the heading while it is closed."""
        return ""

    def add(self, widget: QWidget) -> QWidget:
        """Put a widget at the end."""
        self.rows.addWidget(widget)
        return widget


class BlockFold(Fold):
    """A block behind its heading."""

    def __init__(self, block: Block) -> None:
        super().__init__(block.title, type(block).__name__)
        self.block = block
        self._last: Shown | None = None
        self.add(block)
        self.opened.connect(self._on_opened)

    def refresh(self, shown: Shown) -> None:
        """Bring heading and block up to date."""
        self._last = shown
        self.say(self.block.summary(shown))
        if self.is_open:
            self.block.refresh(shown)

    def _on_opened(self) -> None:
        if self._last is not None:
            self.block.refresh(self._last)


class Figures(QWidget):
    """A few large numbers side by side, each with its words below."""

    def __init__(self, count: int) -> None:
        super().__init__()
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 2, 0, 2)
        grid.setHorizontalSpacing(14)
        grid.setVerticalSpacing(0)
        self.numbers = [label("–", "title", wrap=False) for _ in range(count)]
        self.words = [label("", "note") for _ in range(count)]
        for column in range(count):
            grid.addWidget(self.numbers[column], 0, column, Qt.AlignmentFlag.AlignLeft)
            grid.addWidget(self.words[column], 1, column, Qt.AlignmentFlag.AlignTop)
            grid.setColumnStretch(column, 1)

    def show_figures(self, figures: Sequence[tuple[str, str]]) -> None:
        """Show these (number, words)."""
        for k, (number, words) in enumerate(figures):
            self.numbers[k].setText(number)
            self.words[k].setText(words)


@frozen
class Listed:
    """One line of a `Listing`: state for its mark, words, numbers, and what hovering says."""

    state: str
    words: str
    numbers: tuple[str, ...]
    tip: str = ""


class Listing(QWidget):
    """Lines of wrapped words with numbers on the right, where a table would cut the words."""

    def __init__(self, heads: Sequence[str]) -> None:
        super().__init__()
        self._heads = tuple(heads)
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(9)
        self._grid.setVerticalSpacing(4)
        self._grid.setColumnStretch(1, 1)
        self.lines: tuple[Listed, ...] = ()

    def show_lines(self, lines: Sequence[Listed], theme: Theme) -> None:
        """Show these lines."""
        if tuple(lines) == self.lines:
            return
        self.lines = tuple(lines)
        while (item := self._grid.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.deleteLater()
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop
        for column, head in enumerate(self._heads if lines else ()):
            side = right if column else Qt.AlignmentFlag.AlignLeft
            self._grid.addWidget(label(head, "note", wrap=False), 0, column + 1, side)
        for row, line in enumerate(self.lines, 1):
            mark = QLabel()
            mark.setPixmap(state_icon(line.state, theme).pixmap(12, 12))
            mark.setAccessibleName(line.state)
            words = label(line.words)
            words.setToolTip(line.tip)
            self._grid.addWidget(mark, row, 0, Qt.AlignmentFlag.AlignTop)
            self._grid.addWidget(words, row, 1)
            for column, number in enumerate(line.numbers):
                self._grid.addWidget(label(number, wrap=False), row, column + 2, right)
