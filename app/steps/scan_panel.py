"""The panel of Scan: can this scan be trusted."""

from __future__ import annotations

import time

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLineEdit, QPlainTextEdit

from app.steps.panel import StepPanel
from app.steps.parts import Facts, Lines, Row, Table, button, combo, label
from app.view_state import Step
from app.words import mm, site_label, slice_ranges
from planner_core.anatomy.structures import Jaw


class ScanPanel(StepPanel):
    """Import, findings, what is degraded, and the statement that the volume was read."""

    step = Step.SCAN
    title = "Scan"
    question = "Can this scan be trusted, and where?"

    def build(self) -> None:
        """Make the widgets."""
        source = self.section("Cone-beam scan")
        self.facts = Facts()
        source.add(self.facts)
        source.add(
            Row(
                button("Open folder …", lambda: self.guarded(self.case.import_folder), name="import-folder"),
                button("Open file …", lambda: self.guarded(self.case.import_file), name="import-file"),
            )
        )
        self.jaw = combo()
        self.jaw.addItems(["Lower jaw", "Upper jaw"])
        self.jaw.activated.connect(self._on_jaw)
        source.add(Row(label("Jaw to plan", "note", wrap=False), self.jaw))
        found = self.section("What was noticed")
        self.lines = Lines()
        found.add(self.lines)
        trust = self.section("Degraded places")
        self.ranges = label("")
        self.sites = Lines()
        trust.add(self.ranges)
        trust.add(self.sites)
        dense = self.section("Dense bodies (choose one to go there)")
        self.bodies = Table(["Likely kind", "Size", "mm³"], stretch=0, most_rows=6)
        self.bodies.currentCellChanged.connect(self._go_to_body)
        dense.add(self.bodies)
        reading = self.section("Reading of the whole volume")
        self.reading_text = label("")
        reading.add(self.reading_text)
        self.reader = QLineEdit()
        self.reader.setPlaceholderText("Name of the qualified reader")
        self.reading = QPlainTextEdit()
        self.reading.setPlaceholderText("What was found in the whole volume, in a sentence or two")
        self.reading.setFixedHeight(58)
        self.reading.setTabChangesFocus(True)
        self.sign = button("Sign as read today", self._sign, name="sign-reading")
        self.unsign = button("Take the signature back", lambda: self.guarded(self.actions_.scan.take_reading_back))
        for widget in (self.reader, self.reading, self.sign, self.unsign):
            reading.add(widget)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, numbers, theme = self.workspace.plan, self.workspace.numbers, self.workspace.theme
        self.jaw.setCurrentIndex(0 if plan.jaw is Jaw.LOWER else 1)
        scan = plan.scan
        for widget in (self.reader, self.reading, self.sign):
            widget.setVisible(plan.reading is None)
            widget.setEnabled(scan is not None)
        self.unsign.setVisible(plan.reading is not None)
        if scan is None:
            self.facts.show_facts([("Scan", "none yet")])
            self.lines.show_lines([], theme, "Open a folder, zip or file with the scan.")
            self.ranges.setText("–")
            self.sites.show_lines([], theme)
            self.bodies.show_rows([])
            self.reading_text.setText(
                "The whole volume must be read by a qualified person, not only the planned sites."
            )
            return
        volume, source = scan.volume, scan.source
        slices, rows, columns = volume.shape
        spacing = " x ".join(f"{s:.2f}" for s in reversed(volume.spacing_mm))
        facts = [
            ("Voxels", f"{columns} x {rows} x {slices}"),
            ("Voxel size", f"{spacing} mm"),
            ("Source", " ".join(v for v in (source.kind.upper(), source.series_description) if v) or "–"),
            ("Date", source.study_date or "–"),
            ("Patient", plan.patient.name or source.patient_name or "not named"),
        ]
        if plan.patient.invented:
            facts.append(("", "An invented case: no real person."))
        self.facts.show_facts(facts)
        check = numbers.scan_check
        findings = [*scan.findings, *(check.findings if check is not None else ())]
        self.lines.show_lines([(f.severity.value, f.text) for f in findings], theme, "Nothing to note.")
        self._show_check(check)
        if plan.reading is None:
            self.reading_text.setText(
                "Not signed yet. No sheet is final before the whole volume was read and signed."
            )
        else:
            self.reading_text.setText(
                f"Read by {plan.reading.reader} on {plan.reading.date}: {plan.reading.text or 'no text'}"
            )

    def _show_check(self, check: object) -> None:
        theme = self.workspace.theme
        if check is None:
            self.ranges.setText("The scan is being checked …")
            self.sites.show_lines([], theme)
            self.bodies.show_rows([])
            return
        total = len(check.slice_scores)  # type: ignore[attr-defined]
        degraded = sum(b - a + 1 for a, b in check.degraded_slices)  # type: ignore[attr-defined]
        words = slice_ranges(check.degraded_slices)  # type: ignore[attr-defined]
        if degraded:
            self.ranges.setText(
                f"Slices {words} of {total} are degraded ({100 * degraded / total:.0f} %); hatched in the views."
            )
        else:
            self.ranges.setText(f"None of the {total} slices is degraded as a whole.")
        lines = []
        for site, fixture in self.workspace.plan.fixtures.items():
            verdict = check.readable_at(fixture.pose.at_depth(fixture.shape.length_mm / 2))  # type: ignore[attr-defined]
            word = "readable" if verdict.readable else "not readable"
            name = site_label(site, self.workspace.settings.notation)
            lines.append(("clear" if verdict.readable else "warning", f"{name}: {word}. {verdict.why}"))
        self.sites.show_lines(lines, theme, "Place a fixture to have its site judged.")
        self._bodies = check.restorations  # type: ignore[attr-defined]
        self.bodies.show_rows(
            [
                (
                    f"{body.kind} ({100 * body.kind_confidence:.0f} %)",
                    " x ".join(f"{v:.0f}" for v in body.extent_mm) + " mm",
                    mm(body.volume_mm3, 0),
                )
                for body in self._bodies
            ]
        )

    def _go_to_body(self, row: int, *_: int) -> None:
        bodies = getattr(self, "_bodies", ())
        if 0 <= row < len(bodies):
            self.workspace.view.select("")
            self.workspace.go_to_point(bodies[row].centre_lps_mm)

    def _on_jaw(self, index: int) -> None:
        self.guarded(self.actions_.scan.set_jaw, Jaw.LOWER if index == 0 else Jaw.UPPER)

    def _sign(self) -> None:
        text = self.reading.toPlainText().strip()
        self.guarded(self.actions_.scan.sign_reading, self.reader.text(), time.strftime("%Y-%m-%d"), text)

    def keyPressEvent(self, event: object) -> None:  # noqa: N802
        """Enter in the name field signs nothing by accident."""
        if getattr(event, "key", lambda: None)() in (Qt.Key.Key_Return, Qt.Key.Key_Enter):
            return
        super().keyPressEvent(event)  # type: ignore[arg-type]
