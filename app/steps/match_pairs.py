"""The road by pairs of points named by hand."""

from __future__ import annotations

from PySide6.QtWidgets import QDoubleSpinBox

from app import drawn
from app.steps.panel_block import PanelBlock
from app.steps.parts import Row, Table, button, label
from app.words import mm
from planner_core.case import derived
from planner_core.registration.match import Road

DEFAULT_LOCALISATION_MM = 0.5
"""Expected 3-D error of a pair named by hand, both ends together, mm (as `PointPair`)."""


class PairsBlock(PanelBlock):
    """The list of pairs."""

    def build(self) -> None:
        """Make the widgets."""
        self.add(
            label(
                "Name the same spot in surface scan and scan: three pairs at least; five, spread wide, are better.",
                "note",
            )
        )
        self.run = button(
            "Match by these pairs", lambda: self.guarded(self.do.match.match_by_pairs), main=True, name="match"
        )
        self.table = Table(["Pair", "Localised", "Residual"], stretch=0, most_rows=8)
        self.table.currentCellChanged.connect(self._go_to_pair)
        self.localisation = QDoubleSpinBox()
        self.localisation.setRange(0.05, 3.0)
        self.localisation.setSingleStep(0.05)
        self.localisation.setValue(DEFAULT_LOCALISATION_MM)
        self.localisation.setSuffix(" mm")
        self.localisation.setToolTip("Expected error of naming a spot, both ends together (root mean square)")
        self.pick = button("Name pairs", self._pick, name="pick-pairs")
        self.remove = button("Remove pair", self._remove)
        self.add(Row(self.run))
        self.add(self.table)
        self.add(Row(self.pick, self.remove))
        self.add(Row(label("Expected naming error", "note", wrap=False), self.localisation))

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.plan
        adopted, surface = plan.match, drawn.first_surface(self.workspace)
        residuals = adopted.match.residuals_mm if adopted is not None and adopted.match.road is Road.POINTS else ()
        current = derived.match_state(plan) in ("in use", "not trusted") and len(residuals) == len(plan.pairs)
        self.table.show_rows(
            [
                (
                    pair.name,
                    f"{mm(pair.localisation_mm, 2)} mm",
                    f"{mm(float(residuals[k]), 2)} mm" if current else "–",
                )
                for k, pair in enumerate(plan.pairs)
            ]
        )
        self.pick.setEnabled(surface is not None and plan.scan is not None)
        self.run.setEnabled(surface is not None and len(plan.pairs) >= 3)
        self.remove.setEnabled(bool(plan.pairs))

    def _pick(self) -> None:
        self.guarded(self.do.match.pick_pairs, self.localisation.value())

    def _remove(self) -> None:
        row, pairs = self.table.currentRow(), self.plan.pairs
        if pairs:
            self.guarded(self.do.match.remove_pair, pairs[row if 0 <= row < len(pairs) else -1].name)

    def _go_to_pair(self, row: int, *_: int) -> None:
        pairs = self.plan.pairs
        if 0 <= row < len(pairs):
            self.workspace.view.select("")
            self.workspace.go_to_point(pairs[row].lps_mm)
