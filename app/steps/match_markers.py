"""The road by markers: found by themselves, false ones crossed out, missing ones clicked, ambiguity asked about."""

from __future__ import annotations

from PySide6.QtWidgets import QFrame, QVBoxLayout

from app import drawn
from app.steps.match_marker_list import MarkerList
from app.steps.panel_block import PanelBlock
from app.steps.parts import Row, button, combo, label
from planner_core.registration.match import Road


class MarkerBlock(PanelBlock):
    """Find, go over, match; and the question where the markers fit in several ways."""

    def build(self) -> None:
        """Make the widgets."""
        self.find = button("Find markers and match", self._find, main=True, name="find-markers")
        self.match = button("Match by these markers", self._match, main=True, name="match-markers")
        self.list = MarkerList(self.panel, "surface", (Road.MARKERS, Road.COMBINED))
        self.table, self.cross = self.list.table, self.list.cross
        self.again = button("Find anew", self._find, name="find-markers-anew")
        self.question = self._make_question()
        self.add(self.question)
        self.add(Row(self.find, self.match, self.again))
        self.add(self.list)

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
        plan = self.plan
        fixed, moving = self.do.match.markers.kept()
        there = bool(fixed or moving)
        surface = drawn.first_surface(self.workspace)
        ready = plan.scan is not None and surface is not None
        self.find.setVisible(not there)
        self.find.setEnabled(ready)
        self.match.setVisible(there)
        self.match.setEnabled(ready)
        self.again.setVisible(there)
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
        self.list.refresh()

    def _find(self) -> None:
        self.guarded(self.do.match.markers.find)

    def _match(self) -> None:
        self.guarded(self.do.match.markers.match)
