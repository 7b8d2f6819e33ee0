"""Measured: distances, lines, angles and areas that the case keeps, and the grey values along a bore."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLineEdit, QTableWidgetItem

from app.actions.anatomy_measures import Bore
from app.steps.anatomy_block import Block
from app.steps.anatomy_parts import Chart
from app.steps.fold import Fold
from app.steps.parts import Row, Table, button, combo, label
from app.words import mm
from planner_core.anatomy.density import BoreProfile
from planner_core.anatomy.measure import MeasureKind

KIND_WORDS = {
    MeasureKind.DISTANCE: "Distance",
    MeasureKind.POLYLINE: "Line",
    MeasureKind.ANGLE: "Angle",
    MeasureKind.AREA: "Area",
}


class Measured(Block):
    """The list of measurements."""

    question = "Measured"

    def build(self) -> None:
        """Make the widgets."""
        self.table = Table(["Name", "Value (95 %)", "On the sheet"], stretch=0, most_rows=6)
        self.table.setObjectName("measurements")
        self.table.itemChanged.connect(self._ticked)
        self.table.itemSelectionChanged.connect(self._show_chosen)
        self.fold.add(self.table)
        self.name = QLineEdit()
        self.name.setPlaceholderText("Name of the measurement")
        self.name.setObjectName("measurement-name")
        self.name.editingFinished.connect(self._rename)
        self.go = button("Look at it", self._go, name="measurement-go")
        self.remove = button("Remove", self._remove, name="measurement-remove")
        self.chosen_row = Row(self.name, self.go, self.remove, stretch=0)
        self.fold.add(self.chosen_row)
        measures = self.actions.measures
        self.kinds = [
            button(words, lambda kind=kind: self.guarded(measures.measure, kind), name=f"measure-{kind.value}")
            for kind, words in KIND_WORDS.items()
        ]
        self.fold.add(Row(*self.kinds))
        self._keys: list[str] = []
        self._build_bore()

    def _build_bore(self) -> None:
        self.bore_fold = Fold("Grey values along a bore", "bore")
        self.fold.add(self.bore_fold)
        self.bore = combo("bore")
        self.read = button("Read", self._read, name="read-bore")
        self.bore_fold.add(Row(self.bore, self.read, stretch=0))
        self.word = label("")
        self.bore_fold.add(self.word)
        self.chart = Chart(self.workspace.theme, 104, "mm")
        self.chart.setObjectName("bore-chart")
        self.bore_fold.add(self.chart)
        self.around = label("", "note")
        self.bore_fold.add(self.around)
        self.caution = label("", "note")
        self.bore_fold.add(self.caution)
        self.bore_fold.opened.connect(self._fill_bores)
        self._bores: list[Bore] = []
        for widget in (self.word, self.chart, self.around, self.caution):
            widget.hide()

    # ------------------------------------------------------------ the list

    def _chosen(self) -> str:
        row = self.table.currentRow()
        return self._keys[row] if 0 <= row < len(self._keys) else ""

    def _ticked(self, item: QTableWidgetItem) -> None:
        if item.column() == 2 and item.row() < len(self._keys):
            key, wanted = self._keys[item.row()], item.checkState() is Qt.CheckState.Checked
            if wanted != self.plan.measurements[key].on_sheet:
                self.guarded(self.actions.measures.put_on_sheet, key, wanted)

    def _rename(self) -> None:
        key = self._chosen()
        if key and key in self.plan.measurements:
            self.guarded(self.actions.measures.name_measurement, key, self.name.text())

    def _go(self) -> None:
        if self._chosen():
            self.guarded(self.actions.measures.look_at_measurement, self._chosen())

    def _remove(self) -> None:
        if self._chosen():
            self.guarded(self.actions.measures.remove_measurement, self._chosen())

    def _show_chosen(self) -> None:
        key = self._chosen()
        self.chosen_row.setVisible(bool(key))
        if key and not self.name.hasFocus():
            self.name.setText(self.plan.measurements[key].label)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.plan
        self._keys = list(plan.measurements)
        rows = []
        for key, found in plan.measurements.items():
            rows.append([found.label or f"{KIND_WORDS[found.kind]} {key}", found.text, ""])
        self.table.show_rows(rows)
        blocked = self.table.blockSignals(True)
        for k, found in enumerate(plan.measurements.values()):
            item = self.table.item(k, 2)
            item.setText("listed" if found.on_sheet else "not listed")
            item.setFlags(item.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            item.setCheckState(Qt.CheckState.Checked if found.on_sheet else Qt.CheckState.Unchecked)
        self.table.blockSignals(blocked)
        self.table.setVisible(bool(rows))
        for push in self.kinds:
            push.setEnabled(plan.scan is not None)
        listed = sum(found.on_sheet for found in plan.measurements.values())
        self.fold.explain(
            f"{len(rows)} kept, {listed} on the sheet."
            if rows
            else "Nothing yet. Measure in any section; what is measured is true in the patient."
        )
        self._show_chosen()
        if self.bore_fold.is_open:
            self._fill_bores()

    # ------------------------------------------------------------ grey values

    def _fill_bores(self) -> None:
        if not hasattr(self, "_bores"):
            return
        chosen = self.bore.currentText()
        self._bores = self.actions.measures.bores()
        self.bore.clear()
        self.bore.addItems([bore.words for bore in self._bores])
        self.bore.setCurrentIndex(max(self.bore.findText(chosen), 0 if self._bores else -1))
        self.read.setEnabled(bool(self._bores))
        self.bore_fold.explain("" if self._bores else "Needs a fixture or a measured distance.")

    def _read(self) -> None:
        k = self.bore.currentIndex()
        if 0 <= k < len(self._bores):
            bore = self._bores[k]
            self.guarded(self.actions.measures.read_bore, bore, lambda found: self._show_profile(bore, found))

    def _show_profile(self, bore: Bore, found: BoreProfile) -> None:
        for widget in (self.word, self.chart, self.around, self.caution):
            widget.show()
        self.word.setText(f"{bore.words}: {found.word} round the bore.")
        self.chart.theme = self.workspace.theme
        courses = [("round", found.ring, False), ("", found.core, True)]
        self.chart.show_courses(found.depth_mm, courses, None, ("", ""))
        sides = np.nanmean(found.around, axis=0) if np.isfinite(found.around).any() else np.zeros(1)
        self.around.setText(
            "Over the depth from its start, as a share of this jaw's own cortex (0 soft tissue, 1 cortex). Line: "
            f"the ring round the bore; dashed: inside it. Round the bore from {mm(float(np.min(sides)), 2)} to "
            f"{mm(float(np.max(sides)), 2)} by side."
        )
        self.caution.setText(found.caution)
