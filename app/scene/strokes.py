"""Hands drags of the left button over the 3D view to a tool that paints, instead of to the camera."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QEvent, Qt

from app.picks import Gestures


class Strokes:
    """The stroke in progress."""

    def __init__(self, gestures: Gestures) -> None:
        self._gestures = gestures
        self._painting = False

    def take(self, event: QEvent, stage: Any) -> bool:
        """Tell whether the event belongs to a stroke."""
        kind = event.type()
        if kind is QEvent.Type.MouseButtonPress and event.button() is Qt.MouseButton.LeftButton:  # type: ignore[attr-defined]
            tool = getattr(self._gestures, "active", None)
            if stage is None or not getattr(tool, "takes_scene_drags", False):
                return False
            pick = self._pick(event, stage)
            self._painting = pick is not None and self._gestures.press(pick)
            return self._painting
        if not self._painting:
            return False
        if kind is QEvent.Type.MouseMove:
            pick = self._pick(event, stage)
            if pick is not None:
                self._gestures.drag(pick)
            return True
        if kind is QEvent.Type.MouseButtonRelease:
            self._painting = False
            pick = self._pick(event, stage)
            self._gestures.release(pick)  # type: ignore[arg-type]
            return True
        return False

    @staticmethod
    def _pick(event: Any, stage: Any) -> Any:
        place = event.position()
        return stage.pick(place.x(), place.y())[0]
