"""Work that may lag behind a gesture: done when the pointer pauses, and now and then while it does not."""

from __future__ import annotations

import time
from collections.abc import Callable

from PySide6.QtCore import QObject, QTimer

PAUSE_MS = 60
"""The pointer has paused when it did not move for so long (our choice)."""
AT_LATEST_MS = 300
"""Without a pause the work is done this often (our choice: numbers beside the picture are still seen to move)."""


class Calm(QObject):
    """Does its work a little after it was asked for, once for many askings."""

    def __init__(self, work: Callable[[], None], parent: QObject) -> None:
        super().__init__(parent)
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.timeout.connect(work)
        self._first_s = 0.0

    def ask(self) -> None:
        """Want the work done."""
        now = time.monotonic()
        if not self._timer.isActive():
            self._first_s = now
        waited_ms = 1e3 * (now - self._first_s)
        self._timer.start(int(max(0.0, min(PAUSE_MS, AT_LATEST_MS - waited_ms))))

    def stop(self) -> None:
        """Want it no more."""
        self._timer.stop()
