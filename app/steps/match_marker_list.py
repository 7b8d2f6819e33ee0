"""The list of markers that two scans show: each with its expected error, crossed out or clicked by hand."""

from __future__ import annotations

from typing import Any

from app import drawn
from app.steps.panel_block import PanelBlock
from app.steps.parts import Row, Table, button, label, state_icon
from app.words import mm
from planner_core.case import derived
from planner_core.registration.kept import PATIENT_FRAME
from planner_core.registration.marker_sets import MarkerRow, marker_rows
from planner_core.registration.match import Road

STATES = {"used": "clear", "left out": "warning", "no partner": "note", "crossed out": "stale"}


class MarkerList(PanelBlock):
    """A list of markers; `other` is what the second scan is called."""

    def __init__(self, panel: Any, other: str, roads: tuple[Road, ...]) -> None:
        self._frames = ("scan", other)
        self._roads = roads
        super().__init__(panel, "")
        self.heading.hide()

    def build(self) -> None:
        """Make the widgets."""
        self.note = label("", "note")
        self.table = Table(["Marker", "State", "Known to", "Residual"], stretch=0, most_rows=9)
        self.table.setObjectName("markers")
        self.table.currentCellChanged.connect(self._go_to)
        self.cross = button("Cross out", self._cross_out)
        self.click = button("Add by click", lambda: self.guarded(self.do.match.markers.pick))
        self.add(self.note)
        self.add(self.table)
        self.add(Row(self.cross, self.click))
        self._shown: tuple[MarkerRow, ...] = ()

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme = self.plan, self.workspace.theme
        fixed, moving = self.do.match.markers.kept()
        there = bool(fixed or moving)
        for widget in (self.table, self.cross):
            widget.setVisible(there)
        self.click.setEnabled(plan.scan is not None and drawn.first_surface(self.workspace) is not None)
        pose, used = self._pose()
        self._shown = marker_rows(fixed, moving, self._frames, pose, used)
        self.note.setText(_summary(self._shown) if there else "Balls of 1 to 3 mm that both scans show.")
        self.table.show_rows(
            [(row.name, _state(row), f"{mm(row.error_mm, 2)} mm", _residual(row)) for row in self._shown],
            [state_icon(STATES[row.state], theme) for row in self._shown],
            [f"{row.name}: {_state(row)}; expected error of its centre, both ends together" for row in self._shown],
        )
        self._dress_cross()

    def _pose(self) -> tuple[Any, int | None]:
        adopted = self.plan.match
        current = derived.match_state(self.plan) in ("in use", "not trusted")
        if adopted is None or not current or adopted.match.road not in self._roads:
            return None, None
        match = adopted.match
        return match.lps_from_surface, None if match.road is Road.COMBINED else len(match.residuals_mm)

    def _selected(self) -> MarkerRow | None:
        row = self.table.currentRow()
        return self._shown[row] if 0 <= row < len(self._shown) else None

    def _dress_cross(self) -> None:
        row = self._selected()
        self.cross.setEnabled(row is not None)
        self.cross.setText("Use again" if row is not None and row.state == "crossed out" else "Cross out")

    def _cross_out(self) -> None:
        row = self._selected()
        if row is not None:
            self.guarded(self.do.match.markers.cross_out, row.name, row.state != "crossed out")

    def _go_to(self, number: int, *_: int) -> None:
        self._dress_cross()
        if not 0 <= number < len(self._shown):
            return
        name = self._shown[number].name
        for marker in self.plan.markers.get(PATIENT_FRAME, ()):
            if marker.name == name:
                self.workspace.view.select("")
                self.workspace.go_to_point(marker.centre_mm)
                return
        adopted, (_, moving) = self.plan.match, self.do.match.markers.kept()
        for marker in moving:
            if marker.name == name and adopted is not None:
                self.workspace.go_to_point(adopted.match.lps_from_surface.apply(marker.centre_mm))


def _state(row: MarkerRow) -> str:
    return f"only in {row.frames[0]}" if row.state == "no partner" else row.state


def _residual(row: MarkerRow) -> str:
    return f"{mm(row.residual_mm, 2)} mm" if row.residual_mm == row.residual_mm else "–"


def _summary(rows: tuple[MarkerRow, ...]) -> str:
    used = sum(row.state == "used" for row in rows)
    words = f"{used} markers seen in both scans." if used != 1 else "One marker seen in both scans."
    if used < 3:
        return f"{words} Three are needed: click those that are missing."
    if used < 5:
        return f"{words} With fewer than five the program cannot tell which one has moved."
    return words
