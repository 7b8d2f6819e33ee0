"""The open case: the present plan, its history, and two signals.

Only the session replaces the plan. With a store, a step is on the disk before anyone hears of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Concatenate, ParamSpec

from attrs import define, frozen
from psygnal import Signal

from planner_core.case.case_file import FIRST_LABEL, CaseStore
from planner_core.case.plan import Plan
from planner_core.progress import Progress, silent

P = ParamSpec("P")


@frozen(eq=False)
class Change:
    """One change of the plan: a step, a preview during a gesture, undo or redo."""

    label: str
    before: Plan
    after: Plan
    preview: bool = False
    """True while a gesture shows it; the finished step is told again, from the gesture's start."""

    def touched(self, *parts: str) -> bool:
        """Tell whether any of these fields of the plan is another object than before."""
        return any(getattr(self.before, part) is not getattr(self.after, part) for part in parts)


@define(eq=False)
class _Node:
    """One state in the history; its plan is read from the store when it is wanted."""

    label: str
    plan: Plan | None = None
    number: int | None = None


class Session:
    """The plan that is worked on.

    Parameters
    ----------
    plan : Plan
        Where to start; with a store, the store's current plan.
    store : CaseStore, optional
        Makes each committed step durable at once.
    """

    changed = Signal(Change)
    """The plan is another one now; emitted with a `Change`."""
    history_changed = Signal()
    """What undo and redo would do has changed; emitted after the history was brought up to date."""

    def __init__(self, plan: Plan | None = None, store: CaseStore | None = None) -> None:
        self.store = store
        self._step: Step | None = None
        self._telling = False
        self._undo: list[_Node] = []
        self._redo: list[_Node] = []
        if store is None:
            self._node = _Node(FIRST_LABEL, plan or Plan())
        else:
            head = store.head()
            self._node = _Node(head.label, store.plan(), head.number)
            self._undo, self._redo = _past_of(store, head.number), _future_of(store, head.number)
        self._plan: Plan = self._plan_of(self._node)
        self._saved = self._plan

    # ------------------------------------------------------------ what there is

    @property
    def plan(self) -> Plan:
        """The present plan, or what a gesture in progress shows."""
        return self._plan

    @property
    def committed(self) -> Plan:
        """The plan of the last finished step."""
        return self._plan_of(self._node)

    @property
    def revision_number(self) -> int | None:
        """The number of the present revision in the store; None without a store."""
        return self._node.number

    @property
    def undo_label(self) -> str | None:
        """What undo would take back."""
        return self._node.label if self._undo else None

    @property
    def redo_label(self) -> str | None:
        """What redo would bring back."""
        return self._redo[-1].label if self._redo else None

    @property
    def is_dirty(self) -> bool:
        """Whether there are steps that no disk has; never with a store."""
        return self.store is None and self.committed is not self._saved

    def mark_saved(self) -> None:
        """Say that the present plan has been written somewhere."""
        self._saved = self.committed
        self.history_changed.emit()

    # ------------------------------------------------------------ steps

    def apply(
        self, label: str, edit: Callable[Concatenate[Plan, P], Plan], *args: P.args, **kwargs: P.kwargs
    ) -> Plan:
        """Do one undoable step with an edit of `planner_core.case.edits`.

        A failing edit, or a disk that refuses, leaves plan and history as they were.
        """
        self._may_edit()
        if self._step is not None:
            raise RuntimeError("Finish the gesture in progress before another step.")
        after = edit(self._plan, *args, **kwargs)
        if after is not self._plan:
            self._commit(label, self._plan, after)
        return self._plan

    def begin(self, label: str) -> Step:
        """Start a gesture that is shown many times and then committed or reverted."""
        self._may_edit()
        if self._step is not None:
            raise RuntimeError("A gesture is in progress already.")
        self._step = Step(self, label)
        return self._step

    def undo(self) -> bool:
        """Go one step back; during a gesture, revert the gesture. Gives whether anything happened."""
        self._may_edit()
        if self._step is not None:
            self._step.revert()
            return True
        return self._move(self._undo, self._redo, back=True)

    def redo(self) -> bool:
        """Go one step forward again. Gives whether anything happened."""
        self._may_edit()
        if self._step is not None:
            return False
        return self._move(self._redo, self._undo, back=False)

    def save_copy(self, store: CaseStore, progress: Progress = silent) -> None:
        """Go on in another case folder: its next revision is the present plan, and steps go there from now on."""
        self._may_edit()
        revision = store.append(self.committed, "Saved as a copy", progress)
        self.store = store
        self._node = _Node(revision.label, self.committed, revision.number)
        self._undo, self._redo = _past_of(store, revision.number), []
        self.history_changed.emit()

    # ------------------------------------------------------------ inside

    def _may_edit(self) -> None:
        if self._telling:
            raise RuntimeError("A listener must not edit the plan: it would start a web of events.")

    def _commit(self, label: str, before: Plan, after: Plan) -> None:
        number = None if self.store is None else self.store.append(after, label).number
        self._undo.append(self._node)
        self._redo.clear()
        self._node = _Node(label, after, number)
        self._tell(Change(label, before, after), history=True)

    def _move(self, source: list[_Node], other: list[_Node], back: bool) -> bool:
        if not source:
            return False
        target = source[-1]
        after = self._plan_of(target)
        if self.store is not None and target.number is not None:
            self.store.move_head(target.number)
        label = self._node.label if back else target.label
        source.pop()
        other.append(self._node)
        self._node = target
        self._tell(Change(label, self._plan, after), history=True)
        return True

    def _plan_of(self, node: _Node) -> Plan:
        if node.plan is None:
            if self.store is None or node.number is None:
                raise RuntimeError("A state of the history has neither plan nor revision.")
            node.plan = self.store.plan(node.number)
        return node.plan

    def _show(self, change: Change) -> None:
        if change.after is not change.before:
            self._tell(change, history=False)

    def _tell(self, change: Change, history: bool) -> None:
        self._plan = change.after
        with self._refusing_edits():
            try:
                self.changed.emit(change)
            finally:
                if history:
                    self.history_changed.emit()

    @contextmanager
    def _refusing_edits(self) -> Iterator[None]:
        self._telling = True
        try:
            yield
        finally:
            self._telling = False


class Step:
    """A gesture in progress: `show` as often as wanted, then `commit` or `revert`."""

    def __init__(self, session: Session, label: str) -> None:
        self.start = session.plan
        self.label = label
        self._session: Session | None = session

    @property
    def is_open(self) -> bool:
        """Whether the gesture still runs."""
        return self._session is not None

    def show(self, plan: Plan) -> None:
        """Show a plan made from `start`; nothing is kept."""
        session = self._open_session()
        session._may_edit()
        session._show(Change(self.label, session.plan, plan, preview=True))

    def commit(self) -> None:
        """Make what is shown one step; a gesture that changed nothing leaves none. Reverts if the disk refuses."""
        session = self._open_session()
        session._may_edit()
        shown = session.plan
        self._close(session)
        if shown is self.start:
            return
        try:
            session._commit(self.label, self.start, shown)
        except BaseException:
            if session.committed is self.start:
                session._show(Change(self.label, shown, self.start))
            raise

    def revert(self) -> None:
        """Go back to `start`."""
        session = self._open_session()
        session._may_edit()
        self._close(session)
        session._show(Change(self.label, session.plan, self.start))

    def _close(self, session: Session) -> None:
        session._step = None
        self._session = None

    def _open_session(self) -> Session:
        if self._session is None:
            raise RuntimeError("The gesture has ended already.")
        return self._session


def _past_of(store: CaseStore, number: int) -> list[_Node]:
    chain: list[_Node] = []
    current = store.undo_target(number)
    while current is not None:
        revision = store.revision(current)
        chain.append(_Node(revision.label, None, current))
        current = revision.parent
    return chain[::-1]


def _future_of(store: CaseStore, number: int) -> list[_Node]:
    chain: list[_Node] = []
    current = store.redo_target(number)
    while current is not None:
        chain.append(_Node(store.revision(current).label, None, current))
        current = store.redo_target(current)
    return chain[::-1]
