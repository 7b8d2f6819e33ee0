"""Which road: the table of roads open to this mouth, with the error to be expected, before anyone works."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from app.steps.match_result import ROAD_WORDS
from app.steps.panel_block import PanelBlock
from app.steps.parts import Table, button, label, state_icon
from app.words import mm, site_label
from planner_core.case.derived.roads import Roads, known_roads
from planner_core.registration.roads import RoadRow, RoadState

MOST_SITES = 4
"""Sites that get a column of their own; with more only the worst is shown."""
STATES = {RoadState.OPEN: "clear", RoadState.POOR: "warning", RoadState.CLOSED: "blocker"}
ORDER = ("surface", "markers", "combined", "dual scan", "points")


class RoadsBlock(PanelBlock):
    """The table; a row chosen shows that road's own block."""

    def __init__(self, panel: Any, title: str, chosen: Callable[[str], None]) -> None:
        self._chosen = chosen
        self._columns: tuple[str, ...] = ()
        self.road = ""
        super().__init__(panel, title)

    def build(self) -> None:
        """Make the widgets."""
        self.sentence = label("")
        self.add(self.sentence)
        self.table = self._new_table(("Error below (95 %), mm", "Site"))
        self.note = label("", "note")
        self.again = button("Compare the roads", self._compare, name="compare-roads")
        self.add(self.note)
        self.add(self.again)

    def _new_table(self, columns: tuple[str, ...]) -> Table:
        made = Table(list(columns), stretch=0, most_rows=5)
        made.setObjectName("roads")
        made.currentCellChanged.connect(self._on_row)
        self._rows.insertWidget(2, made)
        self._columns = columns
        return made

    def _compare(self) -> None:
        self.guarded(self.do.match.compare_roads, True)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.plan
        if plan.scan is None:
            self.sentence.setText("Open a scan first.")
        roads = None if plan.scan is None else known_roads(plan)
        self.again.setVisible(plan.scan is not None and roads is None and not self.do.match.is_comparing)
        if roads is None:
            if plan.scan is not None:
                self.sentence.setText("The roads are being compared …" if self.do.match.is_comparing else "–")
            self._show_rows([(ROAD_WORDS[road], "–") for road in ORDER], (), ("Error below (95 %), mm", "Site"))
            self.note.setText("")
            return
        self.sentence.setText(roads.table.sentence)
        self._show_table(roads)

    def _show_table(self, roads: Roads) -> None:
        sites = list(roads.places_lps_mm)
        notation = self.workspace.settings.notation
        names = sites if roads.stand_ins else [site_label(site, notation) for site in sites]
        each = len(sites) <= MOST_SITES
        columns = ("Error below (95 %), mm", *names) if each else ("Error below (95 %), mm", "Worst site")
        found = {row.road.value: row for row in roads.table.rows}
        rows, states, tips = [], [], []
        for road in ORDER[:-1]:
            row = found[road]
            advised = roads.table.advised is not None and roads.table.advised.value == road
            name = ROAD_WORDS[road] + (" – advised" if advised else "")
            rows.append((name, *_errors(row, sites if each else None)))
            states.append("answered" if advised else STATES[row.state])
            at = ", ".join(f"{site}: {mm(error, 2)} mm" for site, error in row.p95_mm.items())
            tips.append(f"{row.state.value.capitalize()}. {row.why} {at}".strip())
        rows.append((ROAD_WORDS["points"], *["by hand"], *[""] * (len(columns) - 2)))
        states.append("clear")
        tips.append("Spots named by hand in both scans; for when nothing else holds, and for checking.")
        self._show_rows(rows, states, columns, tips)
        notes = []
        if roads.stand_ins:
            notes.append("No fixture is placed yet: three places on the arch stand in for the sites.")
        if roads.arch_proposed:
            notes.append("No arch is drawn yet: the program's own proposal was used.")
        chosen = found.get(self.road)
        if chosen is not None:
            notes.insert(0, f"{ROAD_WORDS[self.road]}: {chosen.why}")
        self.note.setText(" ".join(notes))

    def _show_rows(self, rows: Any, states: Any, columns: tuple[str, ...], tips: Any = ()) -> None:
        if columns != self._columns:
            self.table.deleteLater()
            self.table.hide()
            self.table = self._new_table(columns)
        theme = self.workspace.theme
        self.table.show_rows(rows, [state_icon(state, theme) for state in states], list(tips))
        blocked = self.table.blockSignals(True)
        if self.road in ORDER:
            self.table.selectRow(ORDER.index(self.road))
        self.table.blockSignals(blocked)

    def choose(self, road: str) -> None:
        """Choose a road."""
        self.road = road
        self._chosen(road)

    def _on_row(self, row: int, *_: int) -> None:
        if 0 <= row < len(ORDER) and ORDER[row] != self.road:
            self.choose(ORDER[row])


def _errors(row: RoadRow, sites: list[str] | None) -> tuple[str, ...]:
    """Give the errors of a row, for each site or for the worst."""
    if row.covariance is None:
        return ("closed",) + ("",) * (0 if sites is None else len(sites) - 1)
    if sites is None:
        return (mm(row.worst_p95_mm, 2),)
    return tuple(mm(row.p95_mm[site], 2) for site in sites)
