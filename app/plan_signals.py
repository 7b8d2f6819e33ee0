"""The only listener of the session: says again, as Qt signals, what it says.

Qt runs every slot, reports the failing one and forgets the slots of deleted widgets; the session's own signals stop
at the first failing listener.
"""

from __future__ import annotations

from PySide6.QtCore import QObject, Signal

from planner_core.case.session import Change, Session


class PlanSignals(QObject):
    """Qt signals of whichever session is open."""

    opened = Signal()
    """Another session stands in the window."""
    changed = Signal(object)
    """A `Change`."""
    history_changed = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._session: Session | None = None

    def attach(self, session: Session | None) -> None:
        """Listen to this session and to no other."""
        if self._session is not None:
            self._session.changed.disconnect(self._on_changed)
            self._session.history_changed.disconnect(self._on_history)
        self._session = session
        if session is not None:
            session.changed.connect(self._on_changed)
            session.history_changed.connect(self._on_history)
        self.opened.emit()

    def _on_changed(self, change: Change) -> None:
        self.changed.emit(change)

    def _on_history(self) -> None:
        self.history_changed.emit()
