"""The widget of the 3D view: camera, picking, and what is shown when."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QEvent, QObject, Qt, QTimer
from PySide6.QtGui import QImage
from PySide6.QtWidgets import (
    QButtonGroup,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QSizePolicy,
    QStackedLayout,
    QVBoxLayout,
    QWidget,
)

from app.picks import Gestures, Pick
from app.scene.map_legend import MapLegend
from app.scene.strokes import Strokes
from app.view_state import Step
from app.workspace import Workspace

DRAG_EVERY_MS = 200
"""While something is dragged the scene is drawn at most this often (DESIGN.md section 9: five times a second)."""
CLICK_PX = 4


class SceneView(QWidget):
    """3D view with its own small bar; VTK comes in by `start`, once the window is on the screen."""

    def __init__(self, workspace: Workspace, gestures: Gestures, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self._gestures = gestures
        self._stage: Any = None
        self._chosen = ""
        self._grabbed: Pick | None = None
        self._strokes = Strokes(gestures)
        self.setObjectName("scene")
        self.setMinimumSize(160, 110)
        self.setAccessibleName("3D view")
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.timeout.connect(self._draw)
        self._bar = self._make_bar()
        self._stack = QStackedLayout()
        self._wait = QLabel("3D view is being prepared …")
        self._wait.setAlignment(Qt.AlignmentFlag.AlignCenter)
        self._wait.setProperty("role", "note")
        self._wait.setWordWrap(True)
        self._stack.addWidget(self._wait)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addWidget(self._bar)
        whole.addLayout(self._stack, 1)
        self._legend = MapLegend(workspace, self)
        whole.addWidget(self._legend)
        view, signals = workspace.view, workspace.signals
        for signal in (view.selected, view.restyled, workspace.numbers_changed):
            signal.connect(self._later)
        signals.changed.connect(self._on_changed)
        for signal in (signals.opened, view.stepped):
            signal.connect(self._other_scene)
        view.moved.connect(self._on_moved)
        for signal in (getattr(gestures, "changed", None), getattr(gestures, "redraw", None)):
            if signal is not None:
                signal.connect(self._later)

    def _make_bar(self) -> QWidget:
        bar = QWidget(self)
        row = QHBoxLayout(bar)
        row.setContentsMargins(4, 2, 4, 2)
        row.setSpacing(4)
        self._group = QButtonGroup(self)
        for key, text, tip in (
            ("patient", "Patient", "Everything in the frame of the cone-beam scan"),
            ("surface", "Surface scan", "The surface scan alone, in its own frame: click spots on it"),
        ):
            button = QPushButton(text)
            button.setCheckable(True)
            button.setToolTip(tip)
            button.setObjectName(f"scene-{key}")
            button.setStyleSheet("padding: 1px 8px; font-size: 11px;")
            button.clicked.connect(lambda _=False, name=key: self.choose(name))
            self._group.addButton(button)
            row.addWidget(button)
        self._frame_note = QLabel("own frame: sides unknown")
        self._frame_note.setProperty("role", "note")
        self._frame_note.setToolTip("Right and left are known once the surface scan is matched: see Patient")
        row.addWidget(self._frame_note)
        row.addStretch(1)
        reset = QPushButton("Front")
        reset.setToolTip("Look from the front again")
        reset.setStyleSheet("padding: 1px 8px; font-size: 11px;")
        reset.clicked.connect(self.look_from_front)
        row.addWidget(reset)
        bar.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        return bar

    # ------------------------------------------------------------ life

    @property
    def is_started(self) -> bool:
        """Whether VTK is there."""
        return self._stage is not None

    def start(self) -> None:
        """Bring VTK in; called once the window is on the screen."""
        if self._stage is not None:
            return
        from app.scene.stage import Stage

        self._stage = Stage(self._workspace, self, self._later)
        widget = self._stage.widget
        widget.installEventFilter(self)
        self._stack.addWidget(widget)
        self._stage.begin()
        self._other_scene()

    def close_scene(self) -> None:
        """Let VTK go before Qt does."""
        self._timer.stop()
        if self._stage is not None:
            self._stage.widget.removeEventFilter(self)
            self._stage.end()
            self._stage = None

    # ------------------------------------------------------------ what is shown

    @property
    def scene(self) -> str:
        """Which scene is shown: "patient" or "surface"."""
        plan = self._workspace.plan
        if self._chosen == "surface" and not plan.surfaces:
            return "patient"
        tool = getattr(self._gestures, "active", None)
        if plan.surfaces and getattr(tool, "wants_own_scene", False):
            return "surface"
        if self._chosen:
            return self._chosen
        wants_surface = self._workspace.view.step is Step.MATCH and plan.surfaces and plan.match is None
        return "surface" if wants_surface else "patient"

    def choose(self, scene: str) -> None:
        """Show this scene until another case or step comes."""
        self._chosen = scene
        self._later()

    def _on_changed(self, change: Any) -> None:
        if self._stage is not None:
            self._stage.drag(change.preview)
        self._later()

    def _on_moved(self) -> None:
        if self._workspace.view.step is Step.MATCH:
            self._later()

    def _other_scene(self) -> None:
        self._chosen = ""
        self._later()

    def _later(self, *_: object) -> None:
        if self._stage is not None and not self._timer.isActive():
            self._timer.start(DRAG_EVERY_MS if self._stage.is_drawn else 0)

    def _draw(self) -> None:
        for button in self._group.buttons():
            button.setChecked(button.objectName() == f"scene-{self.scene}")
            if button.objectName() == "scene-surface":
                button.setEnabled(bool(self._workspace.plan.surfaces))
        self._frame_note.setVisible(self.scene == "surface")
        self._legend.refresh(self.scene)
        if self._stage is None:
            return
        self._stage.tool = getattr(self._gestures, "active", None)
        text = self._stage.refresh(self.scene)
        if text:
            self._wait.setText(text)
            self._stack.setCurrentIndex(0)
        else:
            self._stack.setCurrentIndex(1)

    def draw_now(self) -> None:
        """Draw without waiting, for pictures and tests."""
        self._timer.stop()
        self._draw()

    def look_from_front(self) -> None:
        """Look from the front, patient's right on the left."""
        if self._stage is not None:
            self._stage.look_from_front()

    def image(self) -> QImage | None:
        """Give the drawn scene; None before VTK is there or while nothing is shown."""
        if self._stage is None or self._stack.currentIndex() == 0:
            return None
        pixels = self._stage.pixels()
        height, width, _ = pixels.shape
        return QImage(pixels.data, width, height, 3 * width, QImage.Format.Format_RGB888).copy()

    @property
    def stage(self) -> Any:
        """The render window with its camera; None before VTK is there."""
        return self._stage

    @property
    def canvas(self) -> QWidget | None:
        """The part of the widget that VTK draws in, for composing pictures."""
        return None if self._stage is None else self._stage.widget

    # ------------------------------------------------------------ pointer

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:  # noqa: N802
        """Tell clicks (not camera drags) to the tools."""
        if self._strokes.take(event, self._stage) or self._drag_fixture(event):
            return True
        if event.type() is QEvent.Type.MouseButtonPress:
            self._pressed = event.position()  # type: ignore[attr-defined]
        elif event.type() is QEvent.Type.MouseButtonRelease and event.button() is Qt.MouseButton.LeftButton:  # type: ignore[attr-defined]
            place = event.position()  # type: ignore[attr-defined]
            moved = place - getattr(self, "_pressed", place)
            if abs(moved.x()) + abs(moved.y()) <= CLICK_PX:
                self.click(place.x(), place.y())
        return super().eventFilter(watched, event)

    def _drag_fixture(self, event: QEvent) -> bool:
        """Move the fixture in hand in the plane of the screen; tell whether the event was used up."""
        kind = event.type()
        if self._stage is None or self.scene != "patient" or self._workspace.selected is None:
            self._grabbed = None
            return False
        if kind is QEvent.Type.MouseButtonPress and event.button() is Qt.MouseButton.LeftButton:  # type: ignore[attr-defined]
            place, keys = event.position(), event.modifiers()  # type: ignore[attr-defined]
            pick = self._stage.grab(
                place.x(),
                place.y(),
                self._workspace.view.site,
                bool(keys & Qt.KeyboardModifier.ShiftModifier),
                bool(keys & Qt.KeyboardModifier.ControlModifier),
            )
            if pick is not None and self._gestures.press(pick):
                self._grabbed = pick
                return True
        elif kind is QEvent.Type.MouseMove and self._grabbed is not None:
            place = event.position()  # type: ignore[attr-defined]
            self._gestures.drag(self._stage.in_plane(place.x(), place.y(), self._grabbed))
            return True
        elif kind is QEvent.Type.MouseButtonRelease and self._grabbed is not None:
            place = event.position()  # type: ignore[attr-defined]
            self._gestures.release(self._stage.in_plane(place.x(), place.y(), self._grabbed))
            self._grabbed = None
            self._stage.drag(False)
            self._later()
            return True
        return False

    def click(self, x: float, y: float) -> None:
        """Act on a click at a place of the picture."""
        if self._stage is None:
            return
        pick, site = self._stage.pick(x, y)
        if pick is None:
            return
        if self._gestures.press(pick):
            self._gestures.release(pick)
        elif site:
            self._workspace.view.select(site)
        elif pick.frame_name == "lps":
            self._workspace.go_to_point(np.asarray(pick.point_mm))
        else:
            self._go_to_matched(pick)

    def _go_to_matched(self, pick: Pick) -> None:
        """Look in the sections at a spot that was clicked on a matched surface."""
        adopted = self._workspace.plan.match
        if adopted is not None and adopted.match.lps_from_surface.source == pick.frame_name:
            self._workspace.view.select("")
            self._workspace.go_to_point(adopted.match.lps_from_surface.apply(pick.point_mm))
