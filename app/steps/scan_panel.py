"""The panel of Scan: can this scan be trusted."""

from __future__ import annotations

import time

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QLineEdit, QPlainTextEdit

from app.steps.panel import StepPanel
from app.steps.parts import Facts, Lines, Row, button, combo, label
from app.steps.scan_bodies import BodiesBlock
from app.steps.scan_picture import PictureBlock
from app.steps.scan_trust import TrustBlock
from app.view_state import Step
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
        self.source = source
        found = self.section("What was noticed")
        self.lines = Lines()
        found.add(self.lines)
        self.trust = TrustBlock(self, "Can it be trusted?")
        self.bodies = BodiesBlock(self, "Restorations and other dense bodies")
        self.picture = PictureBlock(self, "Picture with fewer streaks")
        # The answer comes first, what it was made from after it.
        for place, block in enumerate((self.trust, self.bodies, self.picture), start=2):
            self._rows.insertWidget(place, block)
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
        for block in (self.trust, self.bodies, self.picture):
            block.setVisible(scan is not None)
            if scan is not None:
                block.refresh()
        for widget in (self.reader, self.reading, self.sign):
            widget.setVisible(plan.reading is None)
            widget.setEnabled(scan is not None)
        self.unsign.setVisible(plan.reading is not None)
        if scan is None:
            self.facts.show_facts([("Scan", "none yet")])
            self.lines.show_lines([], theme, "Open a folder, zip or file with the scan.")
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
        if plan.reading is None:
            self.reading_text.setText(
                "Not signed yet. No sheet is final before the whole volume was read and signed."
            )
        else:
            self.reading_text.setText(
                f"Read by {plan.reading.reader} on {plan.reading.date}: {plan.reading.text or 'no text'}"
            )

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
