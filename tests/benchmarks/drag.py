"""One drag step of a fixture: the ledger alone, then the whole of it in the real window, drawn in software.

The window is driven by mouse events as a user would; what is timed is what the pointer waits for. Without a display
it opens on a virtual one.
"""

from __future__ import annotations

import time
from contextlib import nullcontext
from typing import Any

import numpy as np

from tests.benchmarks import ledger

SITES = ("36", "34", "33", "31", "41", "43", "44", "46")
STEPS = 60
SHAPE = (220, 400, 400)
VOXEL_MM = 0.3
WINDOW = (1920, 1080)


def plan_of_eight() -> Any:
    """Give a plan with eight fixtures, both canals, planned teeth, and a bone surface of 200,000 triangles."""
    from planner_core.anatomy.structures import ArchCurve, BoneSurface, Canal, Jaw, Side
    from planner_core.case import edits
    from planner_core.case.plan import Plan, ScanInput
    from planner_core.geometry.volume import Volume
    from planner_core.imaging.scan import ScanSource
    from planner_core.planning.crowns import tooth_at

    rng = np.random.default_rng(3)
    affine = np.diag([VOXEL_MM, VOXEL_MM, VOXEL_MM, 1.0])[[2, 1, 0, 3]]
    affine[:3, 3] = (-60.0, -75.0, -45.0)
    coarse = rng.normal(300.0, 400.0, (12, 20, 20))
    grey = np.kron(coarse, np.ones((20, 20, 20)))[: SHAPE[0], : SHAPE[1], : SHAPE[2]]
    volume = Volume(grey.astype(np.int16), affine)
    obstacles, fixtures = ledger.scene()
    bone = next(o for o in obstacles if o.inside)
    turn = np.linspace(np.pi - 0.02, 0.02, 15)
    arch = ArchCurve(Jaw.LOWER, np.stack([25.0 * np.cos(turn), -25.0 * np.sin(turn), np.zeros(15)], axis=1))
    plan = edits.set_scan(Plan(), ScanInput(volume, ScanSource(kind="nifti", series_description="benchmark")))
    plan = edits.set_arch(plan, arch)
    for side in Side:
        tube = next(o.geometry for o in obstacles if o.name == f"canal, {side.value}")
        path, count = tube.path_lps_mm, len(tube.path_lps_mm)
        canal = Canal(side, path[::40], path, np.full(count, 2.8), np.full(count, 0.3), np.ones(count, bool))
        plan = edits.set_canal(plan, canal)
    plan = edits.adopt_bone(plan, BoneSurface(bone.geometry, 700.0, 0.3))
    for site, fixture in zip(SITES, fixtures.values(), strict=True):
        plan = edits.place_fixture(plan, site, fixture.shape, fixture.pose)
        plan = edits.set_crown(plan, tooth_at(arch, site, arch.station_of(fixture.pose.platform_lps_mm)))
    return plan


def in_the_window() -> list[dict[str, object]]:
    """Drag a fixture in the real window and give the medians of what the pointer waits for."""
    import sys

    from PySide6.QtCore import QEvent, QPointF, Qt
    from PySide6.QtGui import QMouseEvent
    from PySide6.QtWidgets import QApplication

    from app.case_actions import start_view
    from app.view_state import Step, ViewKind
    from app.window.build import build
    from planner_core.case.session import Session

    app = QApplication.instance() or QApplication(sys.argv[:1])
    window = build()
    window.resize(*WINDOW)
    window.show()
    workspace = window.workspace
    workspace.open(Session(plan_of_eight()))
    start_view(workspace)
    workspace.view.set_step(Step.FIXTURES)

    def ready() -> bool:
        numbers = workspace.numbers
        return numbers.is_complete and numbers.plan is workspace.plan and not workspace.jobs.running

    _wait(app, ready, 240.0)
    workspace.view.select("36")
    _wait(app, ready, 60.0)
    view, other = window.views[ViewKind.ACROSS], window.views[ViewKind.ALONG]
    row, column, _ = view.frame.to_pixel(workspace.selected.pose.at_depth(4.0))
    start = QPointF(float(column), float(row))

    def send(kind: QEvent.Type, place: QPointF, held: Any) -> None:
        event = QMouseEvent(
            kind, place, view.mapToGlobal(place), Qt.MouseButton.LeftButton, held, Qt.KeyboardModifier.NoModifier
        )
        app.sendEvent(view, event)

    send(QEvent.Type.MouseButtonPress, start, Qt.MouseButton.LeftButton)
    numbers_ms, section_ms = [], []
    for k in range(STEPS):
        place = start + QPointF(6.0 * np.sin(0.4 * k), 4.0 * np.cos(0.3 * k))
        begin = time.perf_counter()
        send(QEvent.Type.MouseMove, place, Qt.MouseButton.LeftButton)
        view.repaint()
        numbers_ms.append(1e3 * (time.perf_counter() - begin))
        begin = time.perf_counter()
        other._look_again()
        other.repaint()
        section_ms.append(1e3 * (time.perf_counter() - begin))
        app.processEvents()
    moved = workspace.plan.fixtures["36"].pose.platform_lps_mm
    send(QEvent.Type.MouseButtonRelease, start, Qt.MouseButton.NoButton)
    _wait(app, ready, 60.0)
    assert workspace.session.undo_label == "Move fixture 36", moved
    window.close()
    window.deleteLater()
    app.processEvents()
    return [
        _row("window: overlays and numbers of one drag step, 8 fixtures", numbers_ms[5:], "at most 33 ms"),
        _row("window: one other section of the same step", section_ms[5:], "at most 50 ms"),
    ]


def _row(work: str, times_ms: list[float], bar: str) -> dict[str, object]:
    return {
        "work": work,
        "ours": float(np.median(times_ms)),
        "p95": float(np.quantile(times_ms, 0.95)),
        "peer": None,
        "ratio": None,
        "bar": bar,
        "unit": "ms",
    }


def _wait(app: Any, ready: Any, longest_s: float) -> None:
    start = time.monotonic()
    while not ready():
        app.processEvents()
        time.sleep(0.005)
        if time.monotonic() - start > longest_s:
            raise TimeoutError("the window was not ready in time")


def rows() -> list[dict[str, object]]:
    """Give the rows of the benchmark table."""
    from app._display import has_display, virtual_display

    found = ledger.rows()
    with nullcontext() if has_display() else virtual_display():
        found += in_the_window()
    return found
