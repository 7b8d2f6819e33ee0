"""Where is the jaw? The arch curve, and how strip and sections show it."""

from __future__ import annotations

from PySide6.QtWidgets import QComboBox, QDoubleSpinBox

from app.steps.anatomy_block import Block
from app.steps.fold import Fold
from app.steps.parts import Facts, Row, button, combo, label
from app.words import mm

MODES = (("mean", "averaged"), ("max", "brightest"))
COUNTS = ((1, "one"), (3, "3 in a row"), (5, "5 in a row"), (7, "7 in a row"), (9, "9 in a row"))


def length_box(low: float, high: float, step: float, value: float, name: str = "") -> QDoubleSpinBox:
    """Give a field for a length in mm."""
    made = QDoubleSpinBox()
    made.setRange(low, high)
    made.setSingleStep(step)
    made.setDecimals(1 if step >= 0.1 else 2)
    made.setValue(value)
    made.setSuffix(" mm")
    made.setKeyboardTracking(False)
    if name:
        made.setObjectName(name)
    return made


class Where(Block):
    """The arch."""

    question = "Where is the jaw?"

    def build(self) -> None:
        """Make the widgets."""
        self.facts = Facts()
        self.fold.add(self.facts)
        anatomy = self.actions.anatomy
        self.draw = button("Draw the arch", lambda: self.guarded(anatomy.draw_arch), name="draw-arch")
        self.propose = button(
            "Propose the arch", lambda: self.guarded(anatomy.propose_arch), main=True, name="propose-arch"
        )
        self.midline = button(
            "Midline here",
            lambda: self.guarded(anatomy.set_midline),
            "Stations are counted, teeth numbered and sides told from the station looked at now",
            name="set-midline",
        )
        self.fold.add(Row(self.propose, self.draw, self.midline))
        shown = Fold("How the pictures show it", "shown")
        self.fold.add(shown)
        view = self.workspace.view
        self.strip_slab = length_box(0.0, 20.0, 1.0, view.strip_slab_mm, "strip-slab")
        self.strip_slab.valueChanged.connect(view.set_strip_slab)
        self.slab = length_box(0.0, 20.0, 1.0, view.slab_mm, "section-slab")
        self.slab.valueChanged.connect(view.set_slab)
        self.mode = self._choice(MODES, "slab-mode", lambda mode: view.set_slab(view.slab_mm, mode))
        shown.add(Row(label("Strip over", "note", wrap=False), self.strip_slab))
        shown.add(Row(label("Sections over", "note", wrap=False), self.slab))
        shown.add(Row(label("Thick pictures are", "note", wrap=False), self.mode))
        self.count = self._choice(COUNTS, "row-count", lambda count: view.set_row(count, view.row_spacing_mm))
        self.spacing = length_box(0.5, 10.0, 0.5, view.row_spacing_mm, "row-spacing")
        self.spacing.valueChanged.connect(lambda value: view.set_row(view.row_count, value))
        shown.add(Row(label("Cross-sections:", "note", wrap=False), self.count))
        shown.add(Row(label("that far apart:", "note", wrap=False), self.spacing))
        shown.add(
            label(
                "Shift+wheel in a picture changes its thickness. Alt+drag, or Shift+arrow keys, leans a section by "
                "hand; Home straightens it. [ and ] go along the arch.",
                "note",
            )
        )
        view.restyled.connect(self._on_restyled)

    def _choice(self, choices: object, name: str, run: object) -> QComboBox:
        box = combo(name)
        for value, words in choices:  # type: ignore[attr-defined]
            box.addItem(words, value)
        box.activated.connect(lambda k: run(box.itemData(k)))  # type: ignore[operator]
        return box

    def _on_restyled(self) -> None:
        view = self.workspace.view
        for box, value in (
            (self.strip_slab, view.strip_slab_mm),
            (self.slab, view.slab_mm),
            (self.spacing, view.row_spacing_mm),
        ):
            blocked = box.blockSignals(True)
            box.setValue(value)
            box.blockSignals(blocked)
        self.mode.setCurrentIndex(self.mode.findData(view.slab_mode))
        self.count.setCurrentIndex(max(self.count.findData(view.row_count), 0))

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.plan
        has_scan = plan.scan is not None
        self.draw.setEnabled(has_scan)
        self.propose.setEnabled(has_scan)
        self.midline.setEnabled(plan.arch is not None)
        self.draw.setText("Draw the arch" if plan.arch is None else "Change the arch")
        self.propose.setText("Propose the arch" if plan.arch is None else "Propose anew")
        self.propose.setProperty("role", "main" if plan.arch is None else "")
        self.propose.style().polish(self.propose)
        if plan.arch is None:
            self.fold.explain("Not drawn yet: stations, strip and ridge need the arch.")
            self.facts.show_facts([])
            return
        stations = plan.arch.stations_mm
        self.fold.explain(
            f"{plan.jaw.value.capitalize()} jaw, {mm(float(stations[-1] - stations[0]), 0)} mm of arch."
        )
        self.facts.show_facts(
            [
                ("Stations", f"{mm(float(stations[0]))} (right) to {mm(float(stations[-1]))} mm (left)"),
                ("Points", f"{len(plan.arch.control_lps_mm)}, in the axial view"),
            ]
        )
