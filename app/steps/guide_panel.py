"""The panel of Guide: what carries the drill."""

from __future__ import annotations

from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QCheckBox, QComboBox, QDoubleSpinBox, QGridLayout, QLineEdit, QWidget

from app.steps.guide_carriers import Carriers
from app.steps.panel import StepPanel
from app.steps.parts import Facts, Row, Table, combo, label
from app.view_state import Step
from app.words import mm, site_label
from planner_core.planning.drilling import Guidance, Support

SUPPORT_WORDS = {
    Support.TEETH: "Teeth",
    Support.MUCOSA: "Mucosa",
    Support.BONE: "Bone",
    Support.NONE: "No guide (free hand)",
}
GUIDANCE_WORDS = {
    Guidance.FREE_HAND: "Free hand",
    Guidance.PILOT: "Pilot drill only",
    Guidance.DRILLS: "All drills",
    Guidance.FULL: "All drills and the fixture",
}


MOUTH_FIELDS = {
    "mucosa_thickness_mm": "Thickest mucosa under it",
    "keratinised_width_mm": "Keratinised band at the sites",
    "mouth_opening_mm": "Mouth opening",
}


class GuidePanel(StepPanel):
    """Support, guidance, a sleeve for each site, the drill list, the code on the guide."""

    step = Step.GUIDE
    title = "Guide"
    question = "What carries the drill, and how much of the drilling does it lead?"

    def build(self) -> None:
        """Make the widgets."""
        carry = self.section("Carried by, and leading")
        self.support = combo()
        for support, words in SUPPORT_WORDS.items():
            self.support.addItem(words, support)
        self.support.activated.connect(
            lambda _: self.guarded(self.actions_.guide.set_guide, self.support.currentData())
        )
        self.guidance = combo()
        for guidance, words in GUIDANCE_WORDS.items():
            self.guidance.addItem(words, guidance)
        self.guidance.activated.connect(
            lambda _: self.guarded(self.actions_.guide.set_guide, None, self.guidance.currentData())
        )
        carry.add(Row(label("Carried by", "note", wrap=False), self.support, stretch=1))
        carry.add(Row(label("Leads", "note", wrap=False), self.guidance, stretch=1))
        self.code = QLineEdit()
        self.code.setMaxLength(12)
        self.code.setPlaceholderText("engraved on the guide, compared aloud")
        self.code.editingFinished.connect(
            lambda: self.guarded(self.actions_.guide.set_guide, None, None, self.code.text())
        )
        carry.add(Row(label("Guide code", "note", wrap=False), self.code, stretch=1))
        self.carriers = Carriers(self.workspace, self.actions_, self.guarded)
        self.section("What it rests on").add(self.carriers)
        sleeves = self.section("Sleeves")
        self.sleeve_area = QWidget()
        self.sleeve_grid = QGridLayout(self.sleeve_area)
        self.sleeve_grid.setContentsMargins(0, 0, 0, 0)
        self.sleeve_grid.setColumnStretch(1, 1)
        self.sleeve_boxes: dict[str, QComboBox] = {}
        self.no_sites = label("Place a fixture first.", "note")
        sleeves.add(self.no_sites)
        sleeves.add(self.sleeve_area)
        self.depths = Table(["Site", "Gap", "Offset", "From sleeve top"], stretch=0)
        sleeves.add(self.depths)
        sleeves.add(
            label(
                "Gap: sleeve underside to platform. Offset: sleeve top to platform. Depth from the sleeve top:"
                " offset and true fixture length; the drill tip beyond it is stated apart.",
                "note",
            )
        )
        drills = self.section("Drill list")
        self.drill_list = combo()
        self.drill_list.activated.connect(
            lambda _: self.guarded(self.actions_.guide.set_drill_list, self.drill_list.currentData())
        )
        drills.add(Row(self.drill_list, stretch=0))
        self.steps = Table(["Drill", "Diameter", "To depth", "Guided"], stretch=0)
        drills.add(self.steps)
        self.facts = Facts()
        drills.add(self.facts)
        self._build_mouth()
        self.workspace.catalogue_changed.connect(self._fill_catalogue)
        self._fill_catalogue()

    def _build_mouth(self) -> None:
        mouth = self.section("Examined at the chair (decides which guides are open)")
        area = QWidget()
        grid = QGridLayout(area)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(8)
        grid.setVerticalSpacing(4)
        grid.setColumnStretch(1, 1)
        self.facts_boxes: dict[str, QDoubleSpinBox] = {}
        for row, (key, words) in enumerate(MOUTH_FIELDS.items()):
            box = QDoubleSpinBox()
            box.setObjectName(f"mouth-{key}")
            box.setRange(0.0, 80.0)
            box.setDecimals(1)
            box.setSingleStep(0.5)
            box.setSuffix(" mm")
            box.setSpecialValueText("not examined")
            box.setKeyboardTracking(False)
            box.valueChanged.connect(
                lambda value, key=key: self.guarded(self._set_mouth, key, value if value > 0 else None)
            )
            grid.addWidget(label(words, "note", wrap=False), row, 0)
            grid.addWidget(box, row, 1)
            self.facts_boxes[key] = box
        mouth.add(area)
        self.loose = QCheckBox("The mucosa under the guide is mobile")
        self.loose.clicked.connect(lambda on: self.guarded(self._set_mouth, "mucosa_mobile", on or None))
        mouth.add(self.loose)
        self.flap = QCheckBox("A flap is raised in any case")
        self.flap.clicked.connect(lambda on: self.guarded(self._set_mouth, "flap_needed", on))
        mouth.add(self.flap)

    def _set_mouth(self, key: str, value: float | bool | None) -> None:
        self.actions_.guide.set_mouth(**{key: value})

    def _show_mouth(self) -> None:
        mouth = self.workspace.plan.mouth
        for key, box in self.facts_boxes.items():
            value = getattr(mouth, key)
            with QSignalBlocker(box):
                box.setValue(0.0 if value is None else value)
        self.loose.setChecked(bool(mouth.mucosa_mobile))
        self.flap.setChecked(mouth.flap_needed)

    def _fill_catalogue(self) -> None:
        """List what the catalogue holds, own lists included."""
        self.drill_list.clear()
        self.drill_list.addItem("none yet", "")
        for list_id, drill_list in self.actions_.catalogue.drill_lists.items():
            self.drill_list.addItem(drill_list.label, list_id)
        self.sleeve_boxes = {}
        if self.isVisible():
            self.refresh()

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.workspace.plan
        guide = plan.guide
        with QSignalBlocker(self.support), QSignalBlocker(self.guidance):
            self.support.setCurrentIndex(list(SUPPORT_WORDS).index(guide.support))
            self.guidance.setCurrentIndex(list(GUIDANCE_WORDS).index(guide.guidance))
        if not self.code.hasFocus():
            self.code.setText(guide.code)
        self.carriers.refresh()
        self._show_sleeves()
        self._show_mouth()
        drills = guide.drill_list
        catalogue = self.actions_.catalogue.drill_lists
        ids = ["", *catalogue]
        chosen = next((k for k, d in catalogue.items() if drills is not None and d.label == drills.label), "")
        if drills is not None and not chosen:
            if self.drill_list.findText(drills.label) < 0:
                self.drill_list.addItem(drills.label, None)
            self.drill_list.setCurrentIndex(self.drill_list.findText(drills.label))
        else:
            self.drill_list.setCurrentIndex(ids.index(chosen))
        self.steps.show_rows(
            []
            if drills is None
            else [
                (
                    step.label,
                    f"{mm(step.diameter_mm)} mm",
                    "full" if step.depth_below_platform_mm is None else f"{mm(step.depth_below_platform_mm)} mm",
                    "yes" if step.guided else "no",
                )
                for step in drills.steps
            ]
        )
        if drills is None:
            self.facts.show_facts([("", "Choose the drills; without them the drill's width and tip are assumed.")])
        else:
            tip = (
                "not known: 2.0 mm are taken"
                if drills.tip_overshoot_mm is None
                else f"{mm(drills.tip_overshoot_mm)} mm beyond the depth"
            )
            facts = [("Drill tip", tip)]
            if drills.generic:
                facts.append(
                    (
                        "",
                        "A generic list never makes a final sheet: the clinic's own is needed.",
                    )
                )
            self.facts.show_facts(facts)

    def _show_sleeves(self) -> None:
        plan, catalogue = self.workspace.plan, self.actions_.catalogue
        notation = self.workspace.settings.notation
        self.no_sites.setVisible(not plan.fixtures)
        self.depths.setVisible(bool(plan.fixtures))
        if list(self.sleeve_boxes) != list(plan.fixtures):
            while (item := self.sleeve_grid.takeAt(0)) is not None:
                widget = item.widget()
                if widget is not None:
                    widget.deleteLater()
            self.sleeve_boxes = {}
            for row, site in enumerate(plan.fixtures):
                box = combo()
                box.setObjectName(f"sleeve-{site}")
                box.addItem("none", "")
                for sleeve_id, sleeve in catalogue.sleeves.items():
                    box.addItem(sleeve.label, sleeve_id)
                box.activated.connect(
                    lambda _, site=site, box=box: self.guarded(
                        self.actions_.guide.set_sleeve, site, box.currentData()
                    )
                )
                self.sleeve_grid.addWidget(label(site_label(site, notation), wrap=False), row, 0)
                self.sleeve_grid.addWidget(box, row, 1)
                self.sleeve_boxes[site] = box
        rows = []
        for site, box in self.sleeve_boxes.items():
            sleeve = plan.guide.sleeves.get(site)
            index = 0 if sleeve is None else box.findText(sleeve.label)
            if index < 0 and sleeve is not None:
                box.addItem(sleeve.label, None)
                index = box.count() - 1
            box.setCurrentIndex(index)
            name = site_label(site, notation)
            if sleeve is None:
                rows.append((name, "–", "–", "–"))
            else:
                depth = sleeve.drill_depth_mm(plan.fixtures[site].shape.length_mm)
                rows.append((name, f"{mm(sleeve.gap_mm)} mm", f"{mm(sleeve.offset_mm)} mm", f"{mm(depth)} mm"))
        self.depths.show_rows(rows)
