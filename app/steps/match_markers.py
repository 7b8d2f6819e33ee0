"""The road by markers: found by themselves, false ones crossed out, missing ones clicked, ambiguity asked about."""

from __future__ import annotations

from PySide6.QtWidgets import QFrame, QVBoxLayout

from app import drawn
from app.steps.panel_block import PanelBlock
from app.steps.parts import Row, Table, button, combo, label, state_icon
from app.words import mm
from planner_core.case import derived
from planner_core.registration.kept import PATIENT_FRAME
from planner_core.registration.marker_sets import MarkerRow, marker_rows
from planner_core.registration.match import Road

STATES = {"used": "clear", "left out": "warning", "no partner": "note", "crossed out": "stale"}


class MarkerBlock(PanelBlock):
    """The list of markers with their expected error."""

    def build(self) -> None:
        """Make the widgets."""
        self.note = label("", "note")
        self.find = button("Find markers and match", self._find, main=True, name="find-markers")
        self.match = button("Match by these markers", self._match, main=True, name="match-markers")
        self.table = Table(["Marker", "State", "Known to", "Residual"], stretch=0, most_rows=9)
        self.table.setObjectName("markers")
        self.table.currentCellChanged.connect(self._go_to)
        self.cross = button("Cross out", self._cross_out, name="cross-out")
        self.click = button("Add by click", self._pick, name="pick-markers")
        self.again = button("Find anew", self._find, name="find-markers-anew")
        self.question = self._make_question()
        self.add(self.note)
        self.add(self.question)
        self.add(Row(self.find, self.match))
        self.add(self.table)
        self.add(Row(self.cross, self.click, self.again))
        self._shown: tuple[MarkerRow, ...] = ()

    def _make_question(self) -> QFrame:
        frame = QFrame()
        frame.setProperty("role", "card")
        rows = QVBoxLayout(frame)
        rows.setContentsMargins(10, 8, 10, 8)
        self.asked = label("")
        rows.addWidget(self.asked)
        self.way = combo("way")
        self.way.activated.connect(lambda k: self.guarded(self.do.match.markers.look_at_way, k))
        self.confirm = button(
            "This way is right",
            lambda: self.guarded(self.do.match.markers.confirm_way),
            main=True,
            name="confirm-way",
        )
        rows.addWidget(Row(self.way, self.confirm, stretch=0))
        return frame

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme = self.plan, self.workspace.theme
        fixed, moving = self.do.match.markers.kept()
        there = bool(fixed or moving)
        surface = drawn.first_surface(self.workspace)
        ready = plan.scan is not None and surface is not None
        self.find.setVisible(not there)
        self.find.setEnabled(ready)
        self.match.setVisible(there)
        self.match.setEnabled(ready)
        for widget in (self.table, self.cross, self.again):
            widget.setVisible(there)
        self.click.setEnabled(ready)
        ways = self.do.match.markers.ways
        self.question.setVisible(bool(ways))
        if ways:
            self.asked.setText(
                f"The markers fit in {len(ways)} different ways. Look at each in the sections, where the outline"
                " shows which one is right, then confirm it."
            )
            if self.way.count() != len(ways):
                self.way.clear()
                self.way.addItems([f"Way {k + 1} of {len(ways)}" for k in range(len(ways))])
            self.way.setCurrentIndex(self.do.match.markers.way)
        pose, used = self._pose()
        self._shown = marker_rows(fixed, moving, ("scan", "surface"), pose, used)
        self.note.setText(_summary(self._shown) if there else "Balls of 1 to 3 mm that both scans show.")
        self.table.show_rows(
            [(row.name, _state(row), f"{mm(row.error_mm, 2)} mm", _residual(row)) for row in self._shown],
            [state_icon(STATES[row.state], theme) for row in self._shown],
            [f"{row.name}: {_state(row)}; expected error of its centre, both ends together" for row in self._shown],
        )
        self._dress_cross()

    def _pose(self) -> tuple[object, int | None]:
        adopted = self.plan.match
        current = derived.match_state(self.plan) in ("in use", "not trusted")
        if adopted is None or not current or adopted.match.road not in (Road.MARKERS, Road.COMBINED):
            return None, None
        match = adopted.match
        return match.lps_from_surface, len(match.residuals_mm) if match.road is Road.MARKERS else None

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

    def _find(self) -> None:
        self.guarded(self.do.match.markers.find)

    def _match(self) -> None:
        self.guarded(self.do.match.markers.match)

    def _pick(self) -> None:
        self.guarded(self.do.match.markers.pick)


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
