"""What every test gets: repeatable random draws, default settings, and no leftovers after a window."""

from __future__ import annotations

import gc
import os
import threading
import time
import weakref
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

from app import _display, _environment
from tests import shared_data as shared

# The same draws on every run, so that a red test is red for everyone; HYPOTHESIS_PROFILE=explore looks further.
settings.register_profile(
    "repeatable", derandomize=True, deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.register_profile("explore", deadline=None, print_blob=True, max_examples=1000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "repeatable"))

_kernels = _environment.numba_cache_folder()
if _kernels:
    os.environ.setdefault("NUMBA_CACHE_DIR", _kernels)

# Threads of planner_core's own pools live as long as the program and are named after it.
LASTING_THREADS = ("planner_core",)
LEFTOVER_WAIT_S = 2.0
_timers: weakref.WeakSet[Any] = weakref.WeakSet()


@pytest.fixture(autouse=True)
def default_settings(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give each test settings, data and log folders of its own, so that it sees the defaults."""
    home = tmp_path_factory.mktemp("user")
    for name in ("XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_STATE_HOME"):
        monkeypatch.setenv(name, str(home / name.lower()))
    for kind in ("config", "data", "state", "log"):  # systems where platformdirs does not ask XDG
        monkeypatch.setattr(f"platformdirs.user_{kind}_dir", _folder_maker(home / kind))
        monkeypatch.setattr(f"platformdirs.user_{kind}_path", _path_maker(home / kind))
    return home


def _folder_maker(base: Path) -> Callable[..., str]:
    return lambda *args, **kwargs: str(_path_maker(base)(*args, **kwargs))


def _path_maker(base: Path) -> Callable[..., Path]:
    def folder(*_: object, ensure_exists: bool = False, **__: object) -> Path:
        if ensure_exists:
            base.mkdir(parents=True, exist_ok=True)
        return base

    return folder


@pytest.fixture
def shared_data() -> Callable[..., Path]:
    """Give the finder of the open data; it skips the test where the data is missing."""
    return shared.shared_data


def _opens_windows(item: Any) -> bool:
    return "qapp" in getattr(item, "fixturenames", ())


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Stop a window test that has no display before Qt would abort the whole run."""
    if _opens_windows(item) and not _display.has_display():
        pytest.fail(
            "This test opens a window and there is no display; run it with python3 -m tests.", pytrace=False
        )


def pytest_terminal_summary(terminalreporter: Any) -> None:
    """Repeat the code checks that failed above pytest's closing line, where they are seen."""
    failed = os.environ.get("PLUMBLINE_CODE_CHECKS", "")
    if failed:
        terminalreporter.section("code checks", sep="=", red=True)
        terminalreporter.line(f"FAILED: {failed} (details above the tests)", red=True)


@pytest.fixture(autouse=True)
def nothing_left_behind(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fail a window test that leaves a thread, a running timer or a top-level widget."""
    if not _opens_windows(request.node):
        yield
        return
    threads = set(threading.enumerate())
    _timers.clear()
    with pytest.MonkeyPatch.context() as patch:
        qt = _watch_timers(patch)
        widgets = _top_level_widgets(qt)
        yield
        left = _wait_for_nothing(qt, threads, widgets)
    if left:
        pytest.fail(f"left behind: {'; '.join(left)}", pytrace=False)


def _watch_timers(patch: pytest.MonkeyPatch) -> Any:
    from PySide6 import QtCore, QtWidgets

    start = QtCore.QTimer.start

    def recorded(timer: Any, *args: Any) -> None:
        _timers.add(timer)
        start(timer, *args)

    patch.setattr(QtCore.QTimer, "start", recorded)
    return QtWidgets.QApplication


def _top_level_widgets(application: Any) -> set[int]:
    return {id(widget) for widget in application.topLevelWidgets()} if application.instance() else set()


def _wait_for_nothing(application: Any, threads: set[threading.Thread], widgets: set[int]) -> list[str]:
    from PySide6.QtCore import QEvent

    until = time.monotonic() + LEFTOVER_WAIT_S
    while True:
        application.sendPostedEvents(None, QEvent.Type.DeferredDelete)
        application.processEvents()
        left = _leftovers(application, threads, widgets)
        if not left or time.monotonic() > until:
            return left
        gc.collect()
        time.sleep(0.02)


def _leftovers(application: Any, threads: set[threading.Thread], widgets: set[int]) -> list[str]:
    from PySide6.QtCore import QThreadPool
    from shiboken6 import isValid

    left = [
        f"thread {thread.name}"
        for thread in threading.enumerate()
        if thread not in threads and not thread.name.startswith(LASTING_THREADS)
    ]
    left += [
        f"running timer {timer.objectName() or timer}" for timer in _timers if isValid(timer) and timer.isActive()
    ]
    left += [
        f"top-level {type(widget).__name__} {widget.windowTitle()!r}"
        for widget in application.topLevelWidgets()
        if id(widget) not in widgets
    ]
    if QThreadPool.globalInstance().activeThreadCount():
        left.append("work in Qt's thread pool")
    return left
