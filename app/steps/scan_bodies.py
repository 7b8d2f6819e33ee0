"""The restorations of the scan: where, how large, what kind with its doubt, how held, and what to do about them."""

from __future__ import annotations

from app.steps.panel_block import PanelBlock
from app.steps.parts import Lines, Row, Table, button, combo, label
from app.words import mm
from planner_core.case.plan import Plan
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.retention import Retention, held_if_not_noted, notes_by_body

RETENTIONS = tuple(Retention)
FRONT_TO_MM = 8.0
"""Places this near to the midline are called front (our choice: the incisors)."""


class BodiesBlock(PanelBlock):
    """A list that jumps to each, with how it is held."""

    def build(self) -> None:
        """Make the widgets."""
        self.table = Table(["Likely kind", "Place", "Size", "Held"], stretch=0, most_rows=6)
        self.table.setObjectName("restorations")
        self.table.currentCellChanged.connect(self._on_row)
        self.held = combo("retention")
        self.held.addItems([r.value for r in RETENTIONS])
        self.held.activated.connect(self._on_held)
        self.held_row = Row(label("The chosen one is", "note", wrap=False), self.held, stretch=1)
        self.advice = Lines()
        self.order = button(
            "Rescan order (PDF) …",
            lambda: self.guarded(self.do.scan.export_order, self.panel.case.dialogs),
            "One page: why, what to do, where the markers go, same settings",
            name="rescan-order",
        )
        self.empty = label("", "note")
        for widget in (self.empty, self.table, self.held_row, self.advice, Row(self.order)):
            self.add(widget)
        self._bodies: tuple[Restoration, ...] = ()

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme, check = self.plan, self.workspace.theme, self.workspace.numbers.scan_check
        self._bodies = () if check is None else check.restorations
        there = bool(self._bodies)
        self.table.setVisible(there)
        self.held_row.setVisible(there)
        self.order.setEnabled(check is not None)
        self.empty.setVisible(not there)
        self.empty.setText("No dense restoration was found." if check is not None else "–")
        notes = notes_by_body(plan.retention, [body.centre_lps_mm for body in self._bodies])
        self.table.show_rows(
            [
                (
                    f"{body.kind.replace(' dense body', '')} ({100 * body.kind_confidence:.0f} %)",
                    place_words(plan, body.centre_lps_mm),
                    " x ".join(f"{v:.0f}" for v in body.extent_mm),
                    "–" if _is_marker(body) else _short(notes.get(k, held_if_not_noted(body.kind))),
                )
                for k, body in enumerate(self._bodies)
            ],
            tips=[_tip(body) for body in self._bodies],
        )
        self._show_held(notes)
        advice = self.do.scan.advice() if check is not None else ()
        lines = [("warning", f"{'; '.join(a.sites)}: {a.text}") for a in advice]
        empty = "No planned site is ruined by them." if there and plan.fixtures else ""
        self.advice.show_lines(lines, theme, empty)

    def _show_held(self, notes: object) -> None:
        row = self.table.currentRow()
        self.held.setEnabled(0 <= row < len(self._bodies) and not _is_marker(self._bodies[row]))
        usual = held_if_not_noted(self._bodies[row].kind) if 0 <= row < len(self._bodies) else Retention.UNKNOWN
        noted = notes.get(row, usual)  # type: ignore[attr-defined]
        self.held.setCurrentIndex(RETENTIONS.index(noted))

    def _on_row(self, row: int, *_: int) -> None:
        if 0 <= row < len(self._bodies):
            self.workspace.view.select("")
            self.workspace.go_to_point(self._bodies[row].centre_lps_mm)
            self._show_held(notes_by_body(self.plan.retention, [b.centre_lps_mm for b in self._bodies]))

    def _on_held(self, index: int) -> None:
        row = self.table.currentRow()
        if 0 <= row < len(self._bodies):
            self.guarded(self.do.scan.note_retention, self._bodies[row].centre_lps_mm, RETENTIONS[index])


def _is_marker(body: Restoration) -> bool:
    return body.kind.startswith("marker")


def _short(retention: Retention) -> str:
    words = {Retention.UNKNOWN: "?", Retention.SCREW: "screw", Retention.CEMENT: "cement", Retention.TOOTH: "tooth"}
    return words[retention]


def _tip(body: Restoration) -> str:
    cut = ", reaches the top of the grey scale" if body.saturated else ""
    chance = 100 * body.kind_confidence
    return f"{body.kind}, right in about {chance:.0f} % of cases; {mm(body.volume_mm3, 0)} mm³ as it looks{cut}"


def place_words(plan: Plan, point_lps_mm: FloatArray) -> str:
    """Give a place in words: side and distance from the midline along the arch, or across without one."""
    where = float(point_lps_mm[0]) if plan.arch is None else plan.arch.station_of(point_lps_mm)
    if abs(where) <= FRONT_TO_MM:
        return "front"
    return f"{'left' if where > 0 else 'right'} {abs(where):.0f} mm"
