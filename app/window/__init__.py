"""The window: `main` opens it."""

from __future__ import annotations

import signal
import sys
from pathlib import Path


def main(case: Path | None = None, sample_case: bool = False) -> int:
    """Open the window, with a case, with the sample case, or with the welcome; gives the exit status."""
    from PySide6.QtCore import QTimer
    from PySide6.QtWidgets import QApplication

    app = QApplication.instance() or QApplication(sys.argv[:1])
    app.setApplicationName("Plumbline")
    from app.window.build import build_for_user

    window = build_for_user()
    window.show()
    if case is not None:
        QTimer.singleShot(0, window, lambda: window.case.open_case(Path(case)))
    elif sample_case:
        QTimer.singleShot(0, window, window.case.open_sample)
    # Lets Ctrl+C in the terminal through: Python's handler only runs between Qt's events.
    signal.signal(signal.SIGINT, lambda *_: window.close())
    heartbeat = QTimer(window)
    heartbeat.timeout.connect(lambda: None)
    heartbeat.start(300)
    return int(app.exec())
