"""The ledger of the fixture in hand, its margins, and the bone and the tooth around it."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QDoubleSpinBox

from app.steps.fixtures_fold import Block
from app.steps.parts import Facts, Row, Table, button, label, state_icon
from app.words import mm, site_words, within
from planner_core.planning.margins import DRILL, DRILL_MARGINS, USERS_OWN

FAR_MM = 20.0
"""Rows of the ledger further away than this are left out of the panel, mm (our choice)."""


class LedgerBlock(Block):
    """Every clearance of the fixture in hand; a chosen row shows its margin, which can be changed."""

    def build(self) -> None:
        """Make the widgets."""
        self.title_ = label("")
        self.add(self.title_)
        self.table = Table(["To", "mm", "Margin", "State"], stretch=0, most_rows=9)
        self.table.cellClicked.connect(self._on_row)
        self.add(self.table)
        self.source = label("", "note")
        self.margin = QDoubleSpinBox()
        self.margin.setObjectName("ledger-margin")
        self.margin.setRange(0.0, 20.0)
        self.margin.setDecimals(1)
        self.margin.setSingleStep(0.1)
        self.margin.setSuffix(" mm")
        self.margin.setKeyboardTracking(False)
        self.margin.valueChanged.connect(self._on_margin)
        self.default = button(
            "Default", self._on_default, "Go back to the margin with a source", name="margin-default"
        )
        self.own = Row(label("Own margin", "note", wrap=False), self.margin, self.default)
        self.add(self.source)
        self.add(self.own)
        self._rows_shown: list[Any] = []
        self._kind = ""

    def refresh(self) -> None:
        """Bring them up to date."""
        fixture = self.workspace.selected
        self.setVisible(fixture is not None)
        if fixture is None:
            return
        shape = fixture.shape
        self.title_.setText(f"{site_words(fixture.site)}\n{shape.label} (true length {mm(shape.length_mm)} mm)")
        rows = [r for r in self.workspace.numbers.rows if r.site == fixture.site and r.distance_mm <= FAR_MM]
        worst = min(rows, key=lambda r: r.distance_mm - r.margin_mm, default=None)
        self.say("nothing near" if worst is None else f"{worst.state.value} ({worst.obstacle.partition(',')[0]})")
        if not self.is_open:
            return
        self._rows_shown = rows
        theme = self.workspace.theme
        self.table.show_rows(
            [
                (
                    _to(r),
                    within(r.distance_mm, r.sigma_mm),
                    f"{mm(r.margin_mm)}{' c' if r.convention else ''}",
                    r.state.value,
                )
                for r in rows
            ],
            [state_icon(r.state.value, theme) for r in rows],
            [_margin_words(r) for r in rows],
            icon_column=3,
        )
        self._show_margin()

    def _show_margin(self) -> None:
        row = next((r for r in self._rows_shown if _key(r) == self._kind), None)
        self.own.setVisible(row is not None)
        if row is None:
            self.source.setText(
                "± how well the structure is known here (95 %). c: a margin by convention. "
                "Choose a row for its source."
            )
            return
        self.source.setText(_margin_words(row))
        apart = row.body == DRILL and row.kind in DRILL_MARGINS
        self.margin.setEnabled(not apart)
        self.default.setEnabled(row.margin_source == USERS_OWN)
        self.margin.setToolTip(
            "The drill's own margin here is fixed" if apart else "Your own margin, for the whole case"
        )
        if not self.margin.hasFocus():
            with QSignalBlocker(self.margin):
                self.margin.setValue(row.margin_mm)

    def _on_row(self, row: int, _column: int) -> None:
        if row < len(self._rows_shown):
            self._kind = _key(self._rows_shown[row])
            self._show_margin()

    def _on_margin(self, value: float) -> None:
        if self._kind:
            self.guarded(self.do.fixtures.set_margin, self._kind.partition("|")[2], value)

    def _on_default(self) -> None:
        if self._kind:
            self.guarded(self.do.fixtures.set_margin, self._kind.partition("|")[2], None)


def _key(row: Any) -> str:
    return f"{row.body}|{row.kind.value}"


def _to(row: Any) -> str:
    name = row.obstacle.replace(", ", " ")
    return name if row.body != DRILL else f"drill to {name}"


def _margin_words(row: Any) -> str:
    what = "a convention, no proven threshold" if row.convention else "a sourced threshold"
    return f"{_to(row)}: margin {mm(row.margin_mm)} mm, {what}. Source: {row.margin_source}."


class AroundBlock(Block):
    """Plates at several depths, crest, gingiva, screw exit, emergence, papillae."""

    def build(self) -> None:
        """Make the widgets."""
        self.plates = Table(["mm below platform", "Facial, 95 %", "Lingual, 95 %"], stretch=0, most_rows=5)
        self.plates.setIconSize(self.plates.iconSize())
        self.add(self.plates)
        self.facts = Facts()
        self.add(self.facts)
        self.note = label("", "note")
        self.add(self.note)

    def refresh(self) -> None:
        """Bring them up to date."""
        fixture = self.workspace.selected
        beside = None if fixture is None else self.workspace.numbers.beside.get(fixture.site)
        self.setVisible(fixture is not None)
        if beside is None:
            self.say("waits for bone and numbers")
            self.plates.hide()
            return
        thin = [p for p in beside.plates if beside.state_of(p).value != "clear"]
        least = min(beside.plates, key=lambda p: p.thickness_mm, default=None)
        words = "no bone surface" if least is None else f"plate {within(least.thickness_mm, least.sigma_mm)} mm"
        if beside.exit is not None:
            words += ", exit inside" if beside.exit.inside else ", exit off"
        self.say(words)
        if not self.is_open:
            return
        self._show_plates(beside)
        self.facts.show_facts(_facts(beside))
        margin = beside.plate_margin
        by = "convention; " if margin.convention else ""
        said = f"Plates are held against {mm(margin.value_mm)} mm ({by}{margin.source})."
        self.note.setText(said + (f" {thin[0].text[0].upper()}{thin[0].text[1:]}." if thin else ""))

    def _show_plates(self, beside: Any) -> None:
        theme = self.workspace.theme
        depths = sorted({p.depth_mm for p in beside.plates})
        self.plates.setVisible(bool(depths))
        by = {(p.side, p.depth_mm): p for p in beside.plates}
        rows, tips = [], []
        for depth in depths:
            pair = [by.get((side, depth)) for side in ("facial", "lingual")]
            rows.append((mm(depth), *("–" if p is None else within(p.thickness_mm, p.sigma_mm) for p in pair)))
            tips.append("\n".join(f"{p.side}: {p.text}" for p in pair if p is not None))
        self.plates.show_rows(rows, [], tips)
        for r, depth in enumerate(depths):
            for c, side in ((1, "facial"), (2, "lingual")):
                plate = by.get((side, depth))
                if plate is not None:
                    state = beside.state_of(plate).value
                    self.plates.item(r, c).setIcon(state_icon(state, theme))
                    self.plates.item(r, c).setToolTip(f"{state}: {plate.text}")


def _facts(beside: Any) -> list[tuple[str, str]]:
    depth = beside.crest_depth_mm
    facts = [
        (
            "Platform",
            "no bone over it"
            if depth is None
            else f"{mm(abs(depth))} mm {'below' if depth >= 0 else 'above'} the crest",
        )
    ]
    if beside.margin_depth_mm is not None:
        facts.append(("Planned gingiva", f"{mm(beside.margin_depth_mm)} mm over the platform"))
    if beside.exit is not None:
        facts.append(("Screw", beside.exit.text))
    if beside.emergence_deg is not None:
        facts.append(("Emergence", f"{beside.emergence_deg:.0f}° at its steepest, platform to crown"))
    facts += [(f"Papilla to {p.towards}", p.text) for p in beside.papillae]
    if beside.margin_depth_mm is None:
        facts.append(("Tooth", "none planned here: set it up under Planned teeth"))
    return facts
