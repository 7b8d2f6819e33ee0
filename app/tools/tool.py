"""What every tool can do, and the box that hands the pointer to the right one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from PySide6.QtCore import QObject, Signal

from app.picks import Pick
from app.sections.altered import REFUSED
from app.workspace import Workspace
from planner_core.case.session import Step


class Tool:
    """A gesture. Its steps go through the session; what it shows meanwhile it paints itself.

    `title` is what the user reads while it is in hand, `hint` what to do next.
    """

    title = ""
    hint = ""
    keeps_at_once = False
    """Whether each of its gestures is a step already, so that it is only put away at the end."""

    def __init__(self, workspace: Workspace) -> None:
        self.workspace = workspace
        self.on_change: Callable[[], None] = lambda: None
        self.on_end: Callable[[], None] = lambda: None
        self.on_redraw: Callable[[], None] = lambda: None
        """What it paints has changed, its words have not."""

    def press(self, pick: Pick) -> bool:
        """Take a press, or leave it to others."""
        return False

    def drag(self, pick: Pick) -> None:
        """Follow the pointer."""

    def release(self, pick: Pick) -> None:
        """Finish what the press began."""

    def hover(self, pick: Pick) -> str:
        """Give the pointer's shape over a place."""
        return ""

    def paint(self, work: Any, kind: Any) -> None:
        """Paint what is being made over a flat view."""

    def paint_strip(self, painter: Any, strip: Any) -> None:
        """Paint what is being made over the strip."""

    def finish(self) -> None:
        """Keep what was made."""

    def revert(self) -> None:
        """Leave everything as it was."""

    def back(self) -> None:
        """Take the last click back."""


class StepTool(Tool):
    """A tool whose gesture is one step of the session: shown while it lasts, kept at its end or taken back."""

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(workspace)
        self._step: Step | None = None

    def release(self, pick: Pick) -> None:
        """Make the gesture one step."""
        step, self._step = self._step, None
        if step is not None:
            step.commit()

    def revert(self) -> None:
        """Leave everything as it was before the gesture."""
        step, self._step = self._step, None
        if step is not None and step.is_open:
            step.revert()


class ToolBox(QObject):
    """Hands every gesture to the tool in hand, else to the one that moves fixtures."""

    changed = Signal()
    """Another tool, or another hint."""
    redraw = Signal()
    dragged = Signal()
    """What the tool paints has moved: the view under the pointer is drawn at once, the others follow."""

    def __init__(self, workspace: Workspace, resting: Tool, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self._resting = resting
        self._active: Tool | None = None
        self._holding: Tool | None = None
        workspace.signals.opened.connect(self.stop)

    @property
    def active(self) -> Tool | None:
        """The tool in hand; None when only fixtures can be moved."""
        return self._active

    def take(self, tool: Tool) -> None:
        """Take a tool in hand; the one before reverts."""
        self.stop()
        tool.on_change = self._on_tool_change
        tool.on_end = self._on_tool_end
        tool.on_redraw = self.dragged.emit
        self._active = tool
        self.changed.emit()
        self.redraw.emit()

    def stop(self) -> None:
        """Put the tool away; what was not finished is reverted."""
        tool, self._active = self._active, None
        holding, self._holding = self._holding, None
        for one in {id(t): t for t in (holding, tool) if t is not None}.values():
            self._guarded(one.revert)
        self._workspace.gesture(False)
        if tool is not None:
            self.changed.emit()
        self.redraw.emit()

    def finish(self) -> None:
        """Finish the tool's work and put it away."""
        tool = self._active
        if tool is None:
            return
        self._holding = None
        self._workspace.gesture(False)
        if self._guarded(tool.finish) and self._active is tool:
            self._active = None
            self.changed.emit()
            self.redraw.emit()

    def back(self) -> None:
        """Take the last click back."""
        if self._active is not None:
            self._guarded(self._active.back)
            self.redraw.emit()

    # ------------------------------------------------------------ gestures

    def press(self, pick: Pick) -> bool:
        """Give a press to the tool in hand, then to the resting one; on an altered picture to none."""
        if self._workspace.view.picture != "original":
            if self.hover(pick):
                self._workspace.messages.warn(*REFUSED)
            return False
        for tool in (self._active, self._resting):
            if tool is not None and self._guarded(tool.press, pick, failed=True):
                self._holding = tool
                self._workspace.gesture(True)
                self.redraw.emit()
                return True
        return False

    def drag(self, pick: Pick) -> None:
        """Follow the pointer; an error reverts."""
        if self._holding is not None and not self._guarded(self._holding.drag, pick):
            self._drop()

    def release(self, pick: Pick) -> None:
        """End the gesture; an error reverts."""
        holding, self._holding = self._holding, None
        if holding is not None and not self._guarded(holding.release, pick):
            self._guarded(holding.revert)
        self._workspace.gesture(False)
        self.redraw.emit()

    def hover(self, pick: Pick) -> str:
        """Give the pointer's shape."""
        for tool in (self._active, self._resting):
            shape = "" if tool is None else tool.hover(pick)
            if shape:
                return shape
        return ""

    def paint(self, work: Any, kind: Any) -> None:
        """Let the tools paint over a flat view."""
        for tool in (self._resting, self._active):
            if tool is not None:
                tool.paint(work, kind)

    def paint_strip(self, painter: Any, strip: Any) -> None:
        """Let the tool in hand paint over the strip."""
        if self._active is not None:
            self._active.paint_strip(painter, strip)

    def _drop(self) -> None:
        holding, self._holding = self._holding, None
        if holding is not None:
            self._guarded(holding.revert)
        self._workspace.gesture(False)

    def _guarded(self, work: Callable[..., Any], *args: Any, failed: bool = False) -> bool:
        try:
            result = work(*args)
        except Exception as error:
            self._workspace.messages.report(error)
            return False
        return bool(result) if failed else True

    def _on_tool_change(self) -> None:
        self.changed.emit()
        self.redraw.emit()

    def _on_tool_end(self) -> None:
        self._active = None
        self.changed.emit()
        self.redraw.emit()
