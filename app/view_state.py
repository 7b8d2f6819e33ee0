"""What is looked at, and how: place, selection, contrast, layers. Kept beside the plan, never undone."""

from __future__ import annotations

from enum import StrEnum
from typing import Any

import numpy as np
from PySide6.QtCore import QObject, Signal

from planner_core.geometry.frames import FloatArray


class ViewKind(StrEnum):
    """The three flat views."""

    ACROSS = "across"
    ALONG = "along"
    AXIAL = "axial"


class Step(StrEnum):
    """The eight questions of the chain."""

    SCAN = "scan"
    MATCH = "match"
    ANATOMY = "anatomy"
    FIXTURES = "fixtures"
    BUDGET = "budget"
    GUIDE = "guide"
    SHEET = "sheet"
    OUTCOME = "outcome"


STEEPEST_DEG = 80.0
"""A view is leaned by hand this far at most (our choice: up and down keep their meaning)."""
MOST_IN_ROW = 9
"""Cross-sections side by side at most (our choice: more are too narrow for a ridge)."""
LAYERS = {
    "degraded": "Degraded places (hatched)",
    "surface": "Surface scan outline",
    "bone": "Bone surface outline",
    "canal": "Canal",
    "teeth": "Teeth",
    "cavities": "Sinus, nose, airway",
    "drawn": "Drawn structures",
    "measured": "Measurements",
    "cut": "Bone reduction",
    "crowns": "Planned teeth and abutments",
    "envelope": "Envelope (95 %)",
    "whiskers": "Nearest points",
    "plumb": "Plumb line",
    "places": "Lines of the other views",
}
"""What can be hidden in the views, with the words of the menu."""


SURFACE_LOOKS = {"plain": "Plain", "distance": "Distance", "error": "Error"}
"""What the matched surface shows in 3D: itself, its distance from the scan's edge, the error to expect."""
PICTURES = ("original", "altered", "beside")
"""What the flat views show: the scan, its copy with streaks reduced, or both side by side."""


class ViewState(QObject):
    """Place, selection, contrast and layers of the window.

    A view listens to the signal that it needs: `moved` for place and turn, `selected` for the site in hand,
    `restyled` for contrast and layers, `stepped` for the question in hand.
    """

    moved = Signal()
    selected = Signal()
    restyled = Signal()
    stepped = Signal()

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        self.focus_lps_mm: FloatArray = np.zeros(3)
        self.station_mm = 0.0
        self.site = ""
        self.crown = ""
        """The planned tooth in hand; only while no fixture is."""
        self.step = Step.SCAN
        self.window = 2500.0
        self.level = 800.0
        self.roll_deg = 0.0
        self.away_mm: dict[ViewKind, float] = dict.fromkeys(ViewKind, 0.0)
        """How far each view stands off the selected fixture's axis (axial: below its platform)."""
        self.zoom: dict[ViewKind, float] = dict.fromkeys(ViewKind, 1.0)
        self.slab_mm = 0.0
        self.strip_slab_mm = 4.0
        """Thickness of the strip, mm (our choice: a ridge's cortical plates stay apart)."""
        self.slab_mode = "mean"
        """How the layers of a slab are joined, sections and strip alike: "mean" or "max"."""
        self.oblique_deg: dict[ViewKind, tuple[float, float]] = dict.fromkeys(ViewKind, (0.0, 0.0))
        """How far each view is turned by hand about its upright and its level axis."""
        self.row_count = 1
        """Cross-sections side by side; 1 shows the usual views."""
        self.row_spacing_mm = 2.0
        self.layers: set[str] = set(LAYERS)
        self.surface_id = ""
        """The surface that is worked on; empty: the one that is matched, or the first."""
        self.surface_look = "plain"
        self.picture = "original"

    def go_to(self, point_lps_mm: FloatArray, station_mm: float) -> None:
        """Look at a point, whose station the caller knows."""
        self.focus_lps_mm = np.array(point_lps_mm, dtype=np.float64)
        self.station_mm = float(station_mm)
        self.moved.emit()

    def turn(self, kind: ViewKind, away_mm: float) -> None:
        """Move one view of the selected fixture off its axis."""
        self.away_mm[kind] = float(np.clip(away_mm, -30.0, 30.0))
        self.moved.emit()

    def roll(self, by_deg: float) -> None:
        """Turn the two upright views about the selected fixture's axis."""
        self.roll_deg = (self.roll_deg + by_deg + 180.0) % 360.0 - 180.0
        self.moved.emit()

    def scale(self, kind: ViewKind, factor: float) -> None:
        """Magnify one view."""
        self.zoom[kind] = float(np.clip(self.zoom[kind] * factor, 0.3, 8.0))
        self.moved.emit()

    def reset_zoom(self) -> None:
        """Show every view at its first size and straight."""
        self.zoom = dict.fromkeys(ViewKind, 1.0)
        self.oblique_deg = dict.fromkeys(ViewKind, (0.0, 0.0))
        self.moved.emit()

    def set_oblique(self, kind: ViewKind, upright_deg: float, level_deg: float) -> None:
        """Turn a view by hand about the place looked at; 0, 0 is straight again."""
        self.oblique_deg[kind] = (
            (float(upright_deg) + 180.0) % 360.0 - 180.0,
            float(np.clip(level_deg, -STEEPEST_DEG, STEEPEST_DEG)),
        )
        self.moved.emit()

    def set_row(self, count: int, spacing_mm: float) -> None:
        """Show this many cross-sections side by side, this far apart along the arch."""
        self.row_count = int(np.clip(count, 1, MOST_IN_ROW))
        self.row_spacing_mm = float(np.clip(spacing_mm, 0.25, 10.0))
        self.restyled.emit()

    def take_crown(self, site: str) -> None:
        """Take a planned tooth in hand; empty for none."""
        self.crown = site
        self.selected.emit()

    def select(self, site: str) -> None:
        """Take a fixture in hand; empty for none."""
        if site == self.site:
            if self.crown:
                self.take_crown("")
            return
        self.crown = ""
        self.site = site
        self.away_mm = dict.fromkeys(ViewKind, 0.0)
        self.roll_deg = 0.0
        self.selected.emit()

    def set_contrast(self, window: float, level: float) -> None:
        """Show grey values from level - window/2 (black) to level + window/2 (white)."""
        self.window = float(max(window, 1.0))
        self.level = float(level)
        self.restyled.emit()

    def set_slab(self, slab_mm: float, mode: str = "") -> None:
        """Join the sections over a thickness (mm), by their mean or their maximum; empty: as it was."""
        self.slab_mm = float(np.clip(slab_mm, 0.0, 20.0))
        self.slab_mode = mode or self.slab_mode
        self.restyled.emit()

    def set_strip_slab(self, slab_mm: float) -> None:
        """Join the strip over a thickness (mm)."""
        self.strip_slab_mm = float(np.clip(slab_mm, 0.0, 20.0))
        self.restyled.emit()

    def set_layer(self, layer: str, shown: bool) -> None:
        """Show or hide a layer."""
        (self.layers.add if shown else self.layers.discard)(layer)
        self.restyled.emit()

    def work_on(self, surface_id: str) -> None:
        """Look at this surface in its own frame."""
        if surface_id != self.surface_id:
            self.surface_id = surface_id
            self.restyled.emit()

    def set_surface_look(self, look: str) -> None:
        """Show the matched surface plain, by its distance from the scan's edge or by the error to expect."""
        if look in SURFACE_LOOKS and look != self.surface_look:
            self.surface_look = look
            self.restyled.emit()

    def show_picture(self, picture: str) -> None:
        """Show the scan, its altered copy, or both."""
        if picture in PICTURES and picture != self.picture:
            self.picture = picture
            self.moved.emit()
            self.restyled.emit()

    def set_step(self, step: Step) -> None:
        """Turn to a question of the chain."""
        if step is not self.step:
            self.step = step
            self.stepped.emit()

    def content(self) -> dict[str, Any]:
        """Give the state as plain values, for the case's view row."""
        return {
            "focus_lps_mm": [float(v) for v in self.focus_lps_mm],
            "station_mm": self.station_mm,
            "site": self.site,
            "step": self.step.value,
            "window": self.window,
            "level": self.level,
            "hidden_layers": sorted(set(LAYERS) - self.layers),
        }

    def restore(self, content: dict[str, Any]) -> None:
        """Take up a state that was kept; anything damaged is left as it is."""
        try:
            focus = np.array(content["focus_lps_mm"], dtype=np.float64)
            station, step = float(content["station_mm"]), Step(content["step"])
            window, level = float(content["window"]), float(content["level"])
            layers = set(LAYERS) - set(content.get("hidden_layers", ()))
        except (KeyError, TypeError, ValueError):
            return
        if focus.shape == (3,) and np.isfinite([*focus, station, window, level]).all():
            self.focus_lps_mm, self.station_mm, self.step = focus, station, step
            self.window, self.level, self.layers = max(window, 1.0), level, layers
            self.moved.emit()
            self.restyled.emit()
            self.stepped.emit()
