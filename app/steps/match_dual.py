"""The dual scan: the patient with the prosthesis, then the prosthesis alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from PySide6.QtWidgets import QDoubleSpinBox

from app.steps.match_marker_list import MarkerList
from app.steps.panel_block import PanelBlock
from app.steps.parts import Facts, Lines, Row, button, label
from app.words import mm
from planner_core.case.derived.match_inputs import prosthesis_of
from planner_core.registration.dual_scan import ADVISED_MARKERS
from planner_core.registration.kept import PATIENT_FRAME, in_use
from planner_core.registration.match import Road

BALL_MM = 6.0


class DualBlock(PanelBlock):
    """Second scan, its markers, its grey value, and the match."""

    def build(self) -> None:
        """Make the widgets."""
        self.note = label(
            "For a prosthesis with markers, or the plastic duplicate of a bridge: scan the patient wearing it, then"
            " it alone.",
            "note",
        )
        self.facts = Facts()
        self.lines = Lines()
        self.open = button("Open second scan …", self._open, name="open-second")
        self.drop = button("Take it out", lambda: self.guarded(self.do.match.dual.drop), name="drop-second")
        self.run = button("Match by dual scan", self._match, main=True, name="match-dual")
        self.again = button("Find markers anew", lambda: self._match(True), name="dual-anew")
        self.ball = QDoubleSpinBox()
        self.ball.setRange(1.0, 30.0)
        self.ball.setValue(BALL_MM)
        self.ball.setSuffix(" mm")
        self.ball.setToolTip("Diameter of a ball of known size that stood free beside the prosthesis in its scan")
        self.click = button("Click the ball", self._ball, name="click-ball")
        self.list = MarkerList(self.panel, "prosthesis", (Road.DUAL_SCAN,))
        self.half = button("Half way again", lambda: self.guarded(self.do.match.dual.set_ball, None))
        self.ball_row = Row(label("Ball in the scan", "note", wrap=False), self.ball, self.click)
        for widget in (
            self.note,
            self.facts,
            self.lines,
            Row(self.run, self.again),
            self.list,
            Row(self.open, self.drop),
            self.ball_row,
            Row(self.half),
        ):
            self.add(widget)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme = self.plan, self.workspace.theme
        taken, second = prosthesis_of(plan), plan.second_scan
        self.run.setEnabled(plan.scan is not None and taken is not None)
        kept = () if taken is None else in_use(plan.markers.get(taken.surface.frame, ()))
        self.again.setVisible(bool(kept))
        self.list.setVisible(taken is not None)
        if taken is not None:
            self.list.refresh()
        self.open.setText("Open another …" if second is not None else "Open second scan …")
        for widget in (self.drop, self.ball_row):
            widget.setVisible(second is not None)
        self.half.setVisible(second is not None and second.ball is not None)
        if taken is None:
            self.facts.show_facts([("Second scan", "none yet")])
            self.lines.show_lines(
                [],
                theme,
                "An optical scan of the fitting side does as well: open it as surface scan, shows prosthesis.",
            )
            return
        facts = [("Prosthesis", taken.label)]
        if second is not None:
            how = (
                "half way, not calibrated"
                if second.ball is None
                else f"from a ball of {mm(second.ball.diameter_mm)} mm"
            )
            facts.append(("Surface at grey", f"{mm(second.iso_grey, 0)} ({how})"))
        else:
            facts.append(("Source", "optical scan"))
        if kept:
            there = len(in_use(plan.markers.get(PATIENT_FRAME, ())))
            facts.append(("Markers", f"{there} in the patient's scan, {len(kept)} in the prosthesis"))
        self.facts.show_facts(facts)
        few = bool(kept) and len(kept) < ADVISED_MARKERS
        words = f"At least {ADVISED_MARKERS} markers are advised (laboratory practice)."
        self.lines.show_lines([("warning", words)] if few else [], theme)

    def _match(self, anew: bool = False) -> None:
        self.guarded(self.do.match.dual.match, anew)

    def _ball(self) -> None:
        self.guarded(self.do.match.dual.click_ball, self.ball.value())

    def _open(self) -> None:
        dialogs = self.panel.case.dialogs
        source = dialogs.folder(
            "Open second scan: choose the folder that holds it", self.workspace.settings.last_folder
        )
        if source is not None:
            self.read(source)

    def read(self, source: Path) -> None:
        """Look what a source holds, then read the series that the user means."""
        if not (source.is_dir() or source.suffix.lower() == ".zip"):
            self.guarded(self.do.match.dual.read, source)
            return
        from planner_core.imaging.dicom_import import list_series

        job = self.workspace.jobs.start("Looking for scans", list_series, source, key="second scan")
        job.succeeded.connect(lambda listing: self._choose(source, listing))
        job.failed.connect(self.workspace.messages.report)

    def _choose(self, source: Path, listing: Any) -> None:
        series = list(listing.series)
        chosen: int | None = 0
        if len(series) > 1:
            lines = [
                f"{s.description or 'no description'}, {s.date or 'no date'}, {s.n_files} files" for s in series
            ]
            chosen = self.panel.case.dialogs.one_of("Several scans", "Which one shows the prosthesis alone?", lines)
        if chosen is not None:
            self.guarded(self.do.match.dual.read, source, series[chosen].uid if series else None)
