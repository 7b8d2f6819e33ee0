"""How much bone is there? The ridge at the station looked at and along the arch, before and after a reduction."""

from __future__ import annotations

from typing import Any

import numpy as np

from app.steps.anatomy_block import Block
from app.steps.anatomy_parts import Chart
from app.steps.anatomy_where import length_box
from app.steps.fold import Fold
from app.steps.parts import Facts, Row, Table, button, combo, label
from app.steps.ridge_words import NOT_HERE, courses_of, ridge_facts, table_row
from app.words import mm, within
from planner_core.anatomy.ridge import Ridge

CSV_FILES = "Tables (*.csv)"


class Bone(Block):
    """The ridge."""

    question = "How much bone is there?"

    def build(self) -> None:
        """Make the widgets."""
        self.here = Facts()
        self.fold.add(self.here)
        self.what = combo("chart-what")
        self.what.activated.connect(lambda _: self._show_chart())
        self.fold.add(Row(label("Along the arch:", "note", wrap=False), self.what, stretch=1))
        self.chart = Chart(self.workspace.theme)
        self.chart.setObjectName("ridge-chart")
        self.chart.picked.connect(self.workspace.go_to_station)
        self.fold.add(self.chart)
        self.chart_note = label("", "note")
        self.fold.add(self.chart_note)
        self._build_table()
        self._build_cut()
        self._build_surface()

    def _build_table(self) -> None:
        folded = Fold("Table along the arch", "table")
        self.fold.add(folded)
        self.table_fold = folded
        columns = ["Station", "0.5", "1", "3", "5", "Height", "Cheek", "Tongue"]
        self.table = Table(columns, stretch=0, most_rows=8)
        self.table.setObjectName("ridge-table")
        self.table.itemSelectionChanged.connect(self._go_to_row)
        folded.add(self.table)
        folded.add(
            label(
                "mm. 0.5 to 5: width so far below the crest. Cheek, tongue: plates 3 mm below it. "
                "Rest the pointer on a row for each error.",
                "note",
            )
        )
        self.save = button("Save as CSV …", self._save, name="save-ridge")
        self.save_soft = button("Soft tissue as CSV …", self._save_soft, name="save-soft")
        folded.add(Row(self.save, self.save_soft))
        folded.opened.connect(self._fill_table)
        self._tabled: Any = None

    def _build_cut(self) -> None:
        self.cut_fold = Fold("Take bone off", "cut")
        self.fold.add(self.cut_fold)
        self.reduce = length_box(0.5, 15.0, 0.5, 2.0, "reduce-mm")
        measures = self.actions.measures
        self.plan_cut = button(
            "Plan it", lambda: self.guarded(measures.plan_cut, self.reduce.value()), name="plan-cut"
        )
        self.cut_fold.add(Row(self.reduce, label("off the crest here", "note", wrap=False), self.plan_cut))
        self.move_cut = button("Move or lean it", lambda: self.guarded(measures.place_cut), name="move-cut")
        self.drop_cut = button("Take it back", lambda: self.guarded(measures.remove_cut), name="drop-cut")
        self.cut_fold.add(Row(self.move_cut, self.drop_cut))
        self.effect = Facts()
        self.cut_fold.add(self.effect)

    def _build_surface(self) -> None:
        self.bone_fold = Fold("Bone surface", "surface")
        self.fold.add(self.bone_fold)
        self.bone_facts = Facts()
        self.bone_fold.add(self.bone_facts)
        self.bone = button(
            "Draw the bone surface", lambda: self.guarded(self.actions.anatomy.make_bone), name="make-bone"
        )
        self.bone_fold.add(Row(self.bone))

    # ------------------------------------------------------------ what the buttons do

    def _save(self) -> None:
        path = self.panel.case.dialogs.new_file("Save the ridge along the arch", CSV_FILES, "ridge.csv")
        if path is not None:
            self.guarded(self.actions.measures.save_ridge_table, path)

    def _save_soft(self) -> None:
        path = self.panel.case.dialogs.new_file("Save the soft tissue along the arch", CSV_FILES, "soft-tissue.csv")
        if path is not None:
            self.guarded(self.actions.measures.save_soft_tissue, path)

    def _go_to_row(self) -> None:
        tracks, row = self.workspace.numbers.tracks, self.table.currentRow()
        if tracks is not None and 0 <= row < len(tracks.stations_mm):
            self.workspace.go_to_station(float(tracks.stations_mm[row]))

    # ------------------------------------------------------------ up to date

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, tracks = self.plan, self.workspace.numbers.tracks
        self.chart.theme = self.workspace.theme
        names = list(courses_of(tracks))
        if [self.what.itemText(k) for k in range(self.what.count())] != names:
            chosen = self.what.currentText() or names[1]
            self.what.clear()
            self.what.addItems(names)
            self.what.setCurrentText(chosen if chosen in names else names[1])
        has_table = tracks is not None and tracks.table is not None
        self.save.setEnabled(has_table)
        self.save_soft.setVisible(tracks is not None and tracks.soft is not None)
        self._show_chart()
        if self.table_fold.is_open:
            self._fill_table()
        self._show_cut()
        self.bone.setEnabled(plan.scan is not None)
        self.bone.setText("Draw the bone surface" if plan.bone is None else "Draw it again")
        if plan.bone is None:
            self.bone_fold.explain("Not drawn yet: 3D view, clearances and seating need it.")
            self.bone_facts.show_facts([])
        else:
            bone = plan.bone.bone
            self.bone_fold.explain(f"Drawn, known to ± {mm(1.96 * bone.sigma_mm, 2)} mm along its normal.")
            self.bone_facts.show_facts([("Triangles", f"{len(bone.surface.triangles)}")])
        self.look()

    def look(self) -> None:
        """Show the station looked at."""
        workspace = self.workspace
        tracks = workspace.numbers.tracks
        if workspace.plan.arch is None:
            self.fold.explain("Needs the arch.")
            self.here.show_facts([])
            return
        if tracks is None or tracks.table is None:
            self.fold.explain("Being measured along the arch, once the scan check is there …")
            self.here.show_facts([])
            return
        ridge = tracks.ridge_at(workspace.view.station_mm)
        assert ridge is not None
        self.fold.explain(self._answer(ridge, tracks))
        self.here.show_facts(ridge_facts(ridge))
        self.chart.set_mark(workspace.view.station_mm)
        self._show_effect()

    def _answer(self, ridge: Ridge, tracks: Any) -> str:
        after = " after the planned reduction" if self.plan.bone_cut is not None else ""
        words = f"Station {mm(ridge.station_mm, 0)} mm{after}: "
        level = float(tracks.scatter[tracks.nearest(ridge.station_mm)])
        if ridge.crest_lps_mm is None:
            return f"{words}{NOT_HERE}."
        streaked = f"; scatter level {mm(level, 2)} of 1" if np.isfinite(level) and level > 0.0 else ""
        wide = within(ridge.width_mm.get(1.0), ridge.width_sigma_mm.get(1.0))
        known = ridge.height_mm is not None
        high = f"{within(ridge.height_mm, ridge.height_sigma_mm)} mm high" if known else "height not measurable"
        return f"{words}{wide} mm wide, {high}{streaked}."

    def _show_chart(self) -> None:
        tracks = self.workspace.numbers.tracks
        if tracks is None or tracks.table is None:
            self.chart.show_courses(np.zeros(0), ())
            self.chart_note.setText("")
            return
        name = self.what.currentText()
        course = courses_of(tracks).get(name)
        if course is None:
            return
        values, sigmas = course(tracks.table)
        shown = [(name, values, False)]
        gaps = int(np.isnan(values).sum())
        words = f"Not measurable at {gaps} of {len(values)} stations (gaps)." if gaps else "Measured all along."
        if tracks.before_cut is not None and not name.startswith("Soft"):
            shown.insert(0, ("", course(tracks.before_cut)[0], True))
            words += " Dashed: before the bone reduction."
        half = 1.96 * sigmas
        if np.isfinite(half).any():
            words += f" Band: 95 %, ± {mm(np.nanmin(half))} to {mm(np.nanmax(half))} mm."
        self.chart.show_courses(tracks.stations_mm, shown, self.workspace.view.station_mm, band=half)
        self.chart_note.setText(words)

    def _fill_table(self) -> None:
        tracks = self.workspace.numbers.tracks
        if tracks is None or tracks.table is None or self._tabled is tracks.table:
            return
        self._tabled = tracks.table
        rows = [table_row(row) for row in tracks.table.rows]
        self.table.show_rows([cells for cells, _ in rows], tips=[said for _, said in rows])

    def _show_cut(self) -> None:
        cut = self.plan.bone_cut
        self.plan_cut.setEnabled(self.plan.arch is not None)
        self.plan_cut.setText("Plan it" if cut is None else "Plan it anew")
        for push in (self.move_cut, self.drop_cut):
            push.setEnabled(cut is not None)
        words = "Widths, heights, plates and distances are those after the cut." if cut is not None else ""
        self.cut_fold.explain(words)
        self._show_effect()

    def _show_effect(self) -> None:
        tracks = self.workspace.numbers.tracks
        if self.plan.bone_cut is None or tracks is None or tracks.before_cut is None or tracks.table is None:
            self.effect.show_facts([])
            return
        k = tracks.nearest(self.workspace.view.station_mm)
        both = tracks.before_cut.rows[k], tracks.table.rows[k]
        self.effect.show_facts(
            [
                ("Width at 1 mm", " → ".join(within(r.width_mm.get(1.0), r.width_sigma_mm.get(1.0)) for r in both)),
                ("Height", " → ".join(within(r.height_mm, r.height_sigma_mm) for r in both)),
            ]
        )
