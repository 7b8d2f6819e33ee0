"""Every command of the window, with its menu, keys and when it can be used. Keys are printed from here."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from app.case_actions import CaseActions
from app.commands import Command
from app.plan_actions import PlanActions
from app.tools.tool import ToolBox
from app.view_state import LAYERS, Step
from app.window.rows import anatomy, fixtures, match, scan
from app.window.rows import case as case_rows
from app.workspace import Workspace


def command_table(
    workspace: Workspace, case: CaseActions, plan: PlanActions, toolbox: ToolBox, window: Any
) -> list[Command]:
    """Give the table; `window` brings what concerns the window itself."""

    def is_open() -> bool:
        return workspace.is_open

    def in_hand() -> bool:
        fixture = workspace.selected
        return fixture is not None and not fixture.locked

    return [
        *case_rows.rows(workspace, case, window),
        *_edit_commands(workspace, plan, toolbox, window, is_open, in_hand),
        *match.rows(workspace, plan),
        *scan.rows(workspace, plan),
        *anatomy.rows(workspace, plan),
        Command("parts.open", "Open own list of parts …", "Plan", window.open_list, separated=True),
        Command(
            "surgery.show",
            "Surgery view",
            "Plan",
            window.show_surgery,
            ("F9",),
            is_enabled=lambda: bool(workspace.plan.fixtures),
            separated=True,
        ),
        *fixtures.rows(plan, in_hand),
        *_view_commands(workspace, window, is_open),
        Command("help.keys", "Keys and mouse", "Help", window.show_keys, ("F1",)),
        Command("help.about", "About and cautions", "Help", window.show_about),
    ]


def _edit_commands(
    workspace: Workspace,
    plan: PlanActions,
    toolbox: ToolBox,
    window: Any,
    is_open: Callable[[], bool],
    in_hand: Callable[[], bool],
) -> list[Command]:
    def undo_ready() -> bool:
        return is_open() and workspace.session.undo_label is not None

    def redo_ready() -> bool:
        return is_open() and workspace.session.redo_label is not None

    def has_tool() -> bool:
        return toolbox.active is not None

    return [
        Command("edit.undo", "Undo", "Edit", window.undo, ("Ctrl+Z",), is_enabled=undo_ready),
        Command("edit.redo", "Redo", "Edit", window.redo, ("Ctrl+Shift+Z", "Ctrl+Y"), is_enabled=redo_ready),
        Command(
            "tool.keep", "Keep what is drawn", "Edit", toolbox.finish, ("Return", "Enter"), has_tool, separated=True
        ),
        Command("tool.back", "Last point off", "Edit", toolbox.back, ("Backspace",), has_tool),
        Command("tool.stop", "Leave the tool or the fixture", "Edit", window.leave, ("Esc",)),
        Command(
            "fixture.delete",
            "Delete the fixture in hand",
            "Edit",
            lambda: plan.fixtures.delete_fixture(workspace.view.site),
            ("Delete",),
            is_enabled=in_hand,
            separated=True,
        ),
        Command(
            "fixture.lock",
            "Lock the fixture in hand",
            "Edit",
            lambda: plan.fixtures.set_lock(workspace.view.site, not workspace.selected.locked),
            ("Ctrl+L",),
            is_enabled=lambda: workspace.selected is not None,
            is_checked=lambda: workspace.selected is not None and workspace.selected.locked,
        ),
    ]


def _view_commands(workspace: Workspace, window: Any, is_open: Callable[[], bool]) -> list[Command]:
    view = workspace.view
    steps = [
        Command(
            f"step.{step.value}",
            step.value.capitalize(),
            "Chain",
            lambda step=step: view.set_step(step),
            (f"Ctrl+{k + 1}",),
            is_enabled=is_open,
            is_checked=lambda step=step: view.step is step,
        )
        for k, step in enumerate(Step)
    ]
    layers = [
        Command(
            f"layer.{layer}",
            words,
            "View",
            lambda layer=layer: view.set_layer(layer, layer not in view.layers),
            is_enabled=is_open,
            is_checked=lambda layer=layer: layer in view.layers,
        )
        for layer, words in LAYERS.items()
    ]
    return [
        *steps,
        *layers,
        Command(
            "view.zoom", "First size in every view", "View", view.reset_zoom, ("Ctrl+0",), is_open, separated=True
        ),
        Command(
            "view.roll_left",
            "Roll the views about the fixture by −5°",
            "View",
            lambda: view.roll(-5.0),
            (",",),
            is_enabled=lambda: bool(view.site),
        ),
        Command(
            "view.roll_right",
            "Roll the views about the fixture by 5°",
            "View",
            lambda: view.roll(5.0),
            (".",),
            is_enabled=lambda: bool(view.site),
        ),
        Command("view.contrast", "First contrast", "View", window.first_contrast, ("Ctrl+B",), is_open),
        Command(
            "view.light",
            "Light look",
            "View",
            window.toggle_theme,
            is_checked=lambda: workspace.settings.theme == "light",
            separated=True,
        ),
        Command(
            "view.universal",
            "Sites in Universal numbers",
            "View",
            window.toggle_notation,
            is_checked=lambda: workspace.settings.notation == "universal",
        ),
    ]
