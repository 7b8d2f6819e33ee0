"""Long work on a thread pool, with progress and cancel; everything reaches the window on its own thread."""

from __future__ import annotations

import inspect
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from PySide6.QtCore import QObject, Qt, Signal

from planner_core.errors import Cancelled

REPORT_EVERY_S = 0.05
"""Progress reaches the window at most this often (our choice: the eye sees no more)."""
WORKERS = 2
"""Jobs that run at once (our choice: the machines in view have two cores)."""


class Job(QObject):
    """One piece of work: its title, its progress and how it ended.

    Signals come on the window's thread. `succeeded` is kept back when the result is no longer wanted.
    """

    progressed = Signal(float, str)
    succeeded = Signal(object)
    failed = Signal(object)
    ended = Signal()

    def __init__(self, title: str, key: str, is_wanted: Callable[[], bool], shown: bool) -> None:
        super().__init__()
        self.title = title
        self.key = key
        self.shown = shown
        self.started_s = time.monotonic()
        self.fraction = 0.0
        self.text = ""
        self.is_over = False
        self._is_wanted = is_wanted
        self._stop = threading.Event()

    def cancel(self) -> None:
        """Ask the work to stop at its next report."""
        self._stop.set()

    @property
    def is_cancelled(self) -> bool:
        """Whether a stop was asked for."""
        return self._stop.is_set()

    @property
    def is_wanted(self) -> bool:
        """Whether the result still fits what is open."""
        return not self._stop.is_set() and self._is_wanted()


class Jobs(QObject):
    """Starts work and brings its results to the window's thread."""

    started = Signal(object)
    ended = Signal(object)
    _woken = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self._pool = ThreadPoolExecutor(max_workers=WORKERS, thread_name_prefix="work")
        self._post: deque[tuple[Job, str, Any]] = deque()
        self._running: list[Job] = []
        self._closed = False
        self._woken.connect(self._deliver, Qt.ConnectionType.QueuedConnection)

    @property
    def running(self) -> tuple[Job, ...]:
        """Jobs that have not ended."""
        return tuple(self._running)

    def start(
        self,
        title: str,
        work: Callable[..., Any],
        *args: Any,
        key: str = "",
        is_wanted: Callable[[], bool] = lambda: True,
        shown: bool = True,
        **kwargs: Any,
    ) -> Job:
        """Start `work(*args, **kwargs)`, with `progress` when it takes one.

        Parameters
        ----------
        key : str
            A later job with the same key stops this one.
        is_wanted : callable
            Asked on the window's thread before a result is handed over; False drops it in silence.
        shown : bool
            Whether the bar at the bottom shows it.
        """
        job = Job(title, key, is_wanted, shown)
        if self._closed:
            job.cancel()
            return job
        if key:
            for other in self._running:
                if other.key == key:
                    other.cancel()
        self._running.append(job)
        if "progress" in inspect.signature(work).parameters:
            kwargs = {**kwargs, "progress": self._progress_of(job)}
        self.started.emit(job)
        self._pool.submit(self._run, job, work, args, kwargs)
        return job

    def _progress_of(self, job: Job) -> Callable[..., None]:
        last = [0.0]

        def progress(fraction: float, text: str = "") -> None:
            if job.is_cancelled:
                raise Cancelled
            now = time.monotonic()
            if now - last[0] >= REPORT_EVERY_S:
                last[0] = now
                self._send(job, "progress", (float(fraction), text))

        return progress

    def _run(self, job: Job, work: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> None:
        if job.is_cancelled:
            self._send(job, "cancelled", None)
            return
        try:
            result = work(*args, **kwargs)
        except Cancelled:
            self._send(job, "cancelled", None)
        except Exception as error:
            self._send(job, "failed", error)
        else:
            self._send(job, "succeeded", result)

    def _send(self, job: Job, kind: str, value: Any) -> None:
        self._post.append((job, kind, value))
        if not self._closed:
            self._woken.emit()

    def _deliver(self) -> None:
        while self._post:
            job, kind, value = self._post.popleft()
            if kind == "progress":
                if not job.is_over and not job.is_cancelled:
                    job.fraction, job.text = value
                    job.progressed.emit(*value)
                continue
            job.is_over = True
            if job in self._running:
                self._running.remove(job)
            try:
                if kind == "succeeded" and job.is_wanted:
                    job.succeeded.emit(value)
                elif kind == "failed" and not job.is_cancelled:
                    job.failed.emit(value)
            finally:
                job.ended.emit()
                self.ended.emit(job)

    def cancel_all(self) -> None:
        """Ask all work to stop."""
        for job in self._running:
            job.cancel()

    def close(self) -> None:
        """Stop all work and wait for it; nothing is delivered any more."""
        self._closed = True
        self.cancel_all()
        self._pool.shutdown(wait=True, cancel_futures=True)
        self._post.clear()
        self._running.clear()
