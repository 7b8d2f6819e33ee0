"""Every user command as a row of a table: menus, shortcuts, enablement and the one guard are made from it."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from attrs import frozen
from PySide6.QtCore import QObject, Qt
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMenuBar, QWidget

from app.messages import Messages


def _always() -> bool:
    return True


@frozen
class Command:
    """One thing that the user can ask for.

    Parameters
    ----------
    command_id : str
        Stable name, ``"subject.verb"``.
    title : str
        What the menu says.
    menu : str
        Title of the menu that holds it; empty: keys and buttons only.
    shortcuts : tuple of str
        Key sequences.
    is_checked : callable, optional
        Makes it a switch.
    """

    command_id: str
    title: str
    menu: str
    run: Callable[[], None]
    shortcuts: tuple[str, ...] = ()
    is_enabled: Callable[[], bool] = _always
    is_checked: Callable[[], bool] | None = None
    separated: bool = False
    """A line stands above it in its menu."""


class Commands(QObject):
    """The table at work."""

    def __init__(self, table: Iterable[Command], messages: Messages, parent: QWidget) -> None:
        super().__init__(parent)
        self._messages = messages
        self._commands = {command.command_id: command for command in table}
        self._actions: dict[str, QAction] = {}
        for command in self._commands.values():
            action = QAction(command.title, parent)
            action.setObjectName(command.command_id)
            action.setShortcuts([QKeySequence(keys) for keys in command.shortcuts])
            action.setShortcutContext(Qt.ShortcutContext.WindowShortcut)
            action.setCheckable(command.is_checked is not None)
            action.triggered.connect(lambda _checked=False, name=command.command_id: self.run(name))
            parent.addAction(action)
            self._actions[command.command_id] = action
        self.refresh()

    def __iter__(self) -> Iterable[Command]:
        """Go through the table in its order."""
        return iter(self._commands.values())

    def action(self, command_id: str) -> QAction:
        """Give the action of a command, for buttons and tests."""
        return self._actions[command_id]

    def run(self, command_id: str) -> None:
        """Run a command inside the guard; does nothing while it is not enabled."""
        command = self._commands[command_id]
        if command.is_enabled():
            self.guarded(command.run)
        self.refresh()

    def guarded(self, work: Callable[[], None]) -> None:
        """Run `work`; a failure is worded by the messages and goes no further."""
        try:
            work()
        except Exception as error:
            self._messages.report(error)

    def refresh(self) -> None:
        """Bring enablement and switches up to date."""
        for command_id, command in self._commands.items():
            action = self._actions[command_id]
            action.setEnabled(command.is_enabled())
            if command.is_checked is not None:
                action.setChecked(command.is_checked())

    def fill(self, bar: QMenuBar) -> None:
        """Make the menus."""
        menus = {}
        for command in self._commands.values():
            if not command.menu:
                continue
            if command.menu not in menus:
                menus[command.menu] = bar.addMenu(command.menu)
            if command.separated:
                menus[command.menu].addSeparator()
            menus[command.menu].addAction(self._actions[command.command_id])
