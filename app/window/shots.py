"""Pictures of the real window at each step of the chain, for the demo and the README."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from PySide6.QtCore import QPoint
from PySide6.QtGui import QPainter, QPixmap
from PySide6.QtWidgets import QApplication

from app.view_state import Step

if TYPE_CHECKING:
    from app.window.main_window import MainWindow

LONGEST_WAIT_S = 120.0
"""A picture waits this long for the numbers of its case (our choice)."""
SETTLE_S = 0.5


def grab_window(window: MainWindow) -> QPixmap:
    """Give the window as it stands; VTK's part is put in from its own buffer, which Qt cannot read."""
    pixmap = window.grab()
    canvas, image = window.scene.canvas, window.scene.image()
    if canvas is not None and image is not None and canvas.isVisible():
        place = canvas.mapTo(window, QPoint(0, 0))
        painter = QPainter(pixmap)
        painter.drawImage(place, image.scaled(canvas.size()))
        painter.end()
    return pixmap


def grab_demo(case_folder: Path, out_dir: Path, size: tuple[int, int] = (1366, 768)) -> list[Path]:
    """Open a case in a real window and leave a picture of each step.

    Parameters
    ----------
    case_folder : Path
        Opened and left as it is, but for the view state and the scan check that it keeps.
    out_dir : Path
        Made if need be; the pictures are ``window-scan.png`` and so on.
    size : (int, int)
        Of the window, pixels.

    Returns
    -------
    list of Path
        The pictures, in the order of the chain, and the surgery view last.
    """
    from app.window.build import build

    app = QApplication.instance() or QApplication(sys.argv[:1])
    assert isinstance(app, QApplication)
    out_dir.mkdir(parents=True, exist_ok=True)
    window = build()
    window.resize(*size)
    window.show()
    try:
        window.case.open_case(case_folder)
        _wait(app, lambda: _is_ready(window))
        return [_one_step(app, window, step, out_dir) for step in Step] + [_surgery(app, window, out_dir)]
    finally:
        window.close()
        window.deleteLater()
        app.processEvents()


def _is_ready(window: MainWindow) -> bool:
    workspace = window.workspace
    numbers = workspace.numbers
    return (
        workspace.is_open
        and window.scene.is_started
        and numbers.is_complete
        and numbers.plan is workspace.plan
        and (numbers.scan_check is not None or workspace.plan.scan is None)
        and (numbers.tracks is not None or workspace.plan.arch is None)
        and not workspace.jobs.running
    )


def _wait(app: QApplication, ready: object, least_s: float = 0.0) -> None:
    start = time.monotonic()
    while time.monotonic() - start < LONGEST_WAIT_S:
        app.processEvents()
        if time.monotonic() - start >= least_s and ready():  # type: ignore[operator]
            return
        time.sleep(0.01)


def _one_step(app: QApplication, window: MainWindow, step: Step, out_dir: Path) -> Path:
    view, plan = window.workspace.view, window.workspace.plan
    view.set_step(step)
    with_fixture = step in (Step.FIXTURES, Step.BUDGET, Step.GUIDE, Step.SHEET) and plan.fixtures
    site = next(iter(plan.fixtures)) if with_fixture else ""
    view.select(site)
    if site:
        window.workspace.go_to_point(plan.fixtures[site].pose.platform_lps_mm)
    _wait(app, lambda: True, SETTLE_S)
    window.scene.draw_now()
    _wait(app, lambda: True, 0.1)
    path = out_dir / f"window-{step.value}.png"
    grab_window(window).save(str(path))
    return path


def _surgery(app: QApplication, window: MainWindow, out_dir: Path) -> Path:
    window.show_surgery()
    _wait(app, lambda: True, SETTLE_S)
    path = out_dir / "window-surgery.png"
    assert window.surgery is not None
    window.surgery.grab().save(str(path))
    window.surgery.close()
    _wait(app, lambda: True, 0.1)
    return path
