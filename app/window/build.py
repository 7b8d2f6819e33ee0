"""The one place that creates the window's objects and hands them to each other."""

from __future__ import annotations

import logging
import sys
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from PySide6.QtCore import QTimer

from app.case_actions import CaseActions, lists_folder
from app.commands import Commands
from app.dialogs import Dialogs
from app.feed import Feed
from app.jobs import Jobs
from app.messages import Messages
from app.plan_actions import PlanActions
from app.settings import Settings, data_folder, read_settings, settings_path, write_settings
from app.steps.anatomy_panel import AnatomyPanel
from app.steps.budget_panel import BudgetPanel
from app.steps.fixtures_panel import FixturesPanel
from app.steps.guide_panel import GuidePanel
from app.steps.match_panel import MatchPanel
from app.steps.outcome_panel import OutcomePanel
from app.steps.panel import PanelStack
from app.steps.scan_panel import ScanPanel
from app.steps.sheet_panel import SheetPanel
from app.tools.move_crown import Resting
from app.tools.tool import ToolBox
from app.window.command_table import command_table
from app.window.main_window import MainWindow
from app.window.questions import WindowDialogs
from app.window.welcome import Welcome
from app.workspace import Workspace
from planner_core.anatomy.sections import warm_up
from planner_core.planning.catalogue import generic_catalogue

LOG_FILE = "plumbline.log"


def build(
    settings: Settings | None = None,
    dialogs: Dialogs | None = None,
    keep_settings: Callable[[Settings], None] = lambda _: None,
    log_place: str = "",
) -> MainWindow:
    """Make the whole window; without arguments as tests want it: default settings, nothing kept."""
    messages = Messages(log_place)
    jobs = Jobs()
    workspace = Workspace(settings or Settings(), messages, jobs)
    messages.setParent(workspace)
    jobs.setParent(workspace)
    toolbox = ToolBox(workspace, Resting(workspace), workspace)
    dialogs = dialogs or WindowDialogs(workspace)
    case = CaseActions(workspace, dialogs)
    plan_actions = PlanActions(workspace, toolbox, generic_catalogue())
    feed = Feed(workspace, workspace)
    window = MainWindow(workspace, case, toolbox, keep_settings)
    workspace.setParent(window)
    dialogs.parent = window
    commands = Commands(command_table(workspace, case, plan_actions, toolbox, window), messages, window)
    shared = (workspace, case, plan_actions)
    panels = PanelStack(
        workspace,
        [
            ScanPanel(*shared),
            MatchPanel(*shared),
            AnatomyPanel(*shared),
            FixturesPanel(*shared),
            BudgetPanel(*shared),
            GuidePanel(*shared),
            SheetPanel(*shared, window.export_sheet),
            OutcomePanel(*shared),
        ],
    )
    window.furnish(commands, panels, Welcome(workspace, case, commands))
    window.at_close(feed.stop)
    window.plan_actions = plan_actions
    QTimer.singleShot(0, window, lambda: jobs.start("Preparing the kernels", warm_up, shown=False))
    return window


def build_for_user() -> MainWindow:
    """Make the window with the user's settings, a log file and handlers for what nobody caught."""
    place = settings_path()
    log_path = _start_log()

    def keep(settings: Settings) -> None:
        try:
            write_settings(place, settings)
        except OSError as error:
            logging.getLogger("plumbline").warning("The settings could not be kept: %s", error)

    window = build(read_settings(place), keep_settings=keep, log_place=str(log_path or ""))
    _catch_all(window.workspace.messages)
    for path in sorted((*lists_folder().glob("*.csv"), *lists_folder().glob("*.dcm"))):
        window.commands.guarded(lambda path=path: window.plan_actions.parts.open_list(path))
    return window


def _start_log() -> Path | None:
    folder = data_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path = folder / LOG_FILE
        logging.basicConfig(
            filename=path,
            filemode="w",
            level=logging.WARNING,
            format="%(asctime)s %(name)s %(levelname)s %(message)s",
        )
    except OSError:
        return None
    return path


def _catch_all(messages: Messages) -> None:
    """Word every failure that nobody caught; the plan is never touched by one."""

    def on_error(kind: type[BaseException], error: BaseException, trace: Any) -> None:
        if issubclass(kind, KeyboardInterrupt):
            sys.__excepthook__(kind, error, trace)
        else:
            messages.report(error)

    def on_thread_error(caught: threading.ExceptHookArgs) -> None:
        logging.getLogger("plumbline").error("Failure in a thread", exc_info=caught.exc_value)

    sys.excepthook = on_error
    threading.excepthook = on_thread_error
