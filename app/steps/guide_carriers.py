"""What carries the guide: the teeth in use, stretches of mucosa or bone, pins, and what that makes of free ends."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QDoubleSpinBox, QGridLayout, QPushButton, QWidget

from app.plan_actions import PlanActions
from app.steps.parts import Lines, Row, Table, button, combo, label, state_icon
from app.words import mm, site_label, site_words, sites_of_jaw
from app.workspace import Workspace
from planner_core.case.derived import guide_inputs_of, mouth_of, places_of
from planner_core.case.plan import Plan
from planner_core.planning.carriers import REFERENCE_MUCOSA_MM, THICKEST_MM, BearingArea
from planner_core.planning.drilling import Support
from planner_core.planning.eligibility import CarrierTooth
from planner_core.planning.seating import Pin, free_end_deflection_mm

NOTICED_MM = 0.3
"""A free end that bends more is a warning, mm (our choice: about a match in a clean mouth)."""

STATES = ("not used", "carries", "mobile", "to be extracted")
"""What one press after the other makes of a tooth."""
STATE_MARKS = {"not used": "open", "carries": "answered", "mobile": "warning", "to be extracted": "stale"}
"""The shape of each state."""


def tooth_state(teeth: tuple[CarrierTooth, ...] | None, number: str) -> str:
    """Give the state of a tooth as a carrier, in words."""
    for tooth in teeth or ():
        if tooth.number == number:
            return "to be extracted" if tooth.to_extract else ("mobile" if tooth.mobile else "carries")
    return "not used"


def with_tooth(teeth: tuple[CarrierTooth, ...] | None, number: str, state: str) -> tuple[CarrierTooth, ...] | None:
    """Give the teeth with one of them in another state; None when none is left."""
    others = [tooth for tooth in teeth or () if tooth.number != number]
    if state != "not used":
        others.append(CarrierTooth(number, state == "mobile", state == "to be extracted"))
    return tuple(sorted(others, key=lambda tooth: tooth.number)) or None


class TeethMap(QWidget):
    """The teeth of the jaw as buttons with number and shape; each press gives a tooth its next state."""

    def __init__(self, workspace: Workspace, actions: PlanActions, guarded: Any) -> None:
        super().__init__()
        self._workspace, self._actions, self._guarded = workspace, actions, guarded
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setSpacing(3)
        self.buttons: dict[str, QPushButton] = {}

    def refresh(self) -> None:
        """Show the states."""
        plan, theme = self._workspace.plan, self._workspace.theme
        sites = sites_of_jaw(plan.jaw.value)
        if tuple(self.buttons) != sites:
            self._make(sites)
        own, counted = plan.mouth.teeth, mouth_of(plan).teeth
        for number, made in self.buttons.items():
            state = tooth_state(counted, number)
            made.setIcon(state_icon(STATE_MARKS[state], theme))
            made.setText(site_label(number, self._workspace.settings.notation))
            said = "" if state == tooth_state(own, number) else ", as it is marked in the scan"
            made.setToolTip(f"{site_words(number)}: {state}{said}")
            made.setAccessibleName(f"{number} {state}")

    def _make(self, sites: tuple[str, ...]) -> None:
        for made in self.buttons.values():
            made.deleteLater()
        self.buttons = {}
        half = len(sites) // 2
        for k, number in enumerate(sites):
            made = button("", lambda number=number: self._press(number), name=f"tooth-{number}")
            made.setStyleSheet("QPushButton { padding: 3px 1px; }")
            self._grid.addWidget(made, k // half, k % half)
            self.buttons[number] = made

    def _press(self, number: str) -> None:
        teeth = self._workspace.plan.mouth.teeth
        state = STATES[(STATES.index(tooth_state(teeth, number)) + 1) % len(STATES)]
        self._guarded(lambda: self._actions.guide.set_mouth(teeth=with_tooth(teeth, number, state)))


class AreasTable(QWidget):
    """Stretches of mucosa or bone that carry, by station."""

    def __init__(self, workspace: Workspace, actions: PlanActions, guarded: Any) -> None:
        super().__init__()
        self._workspace, self._actions, self._guarded = workspace, actions, guarded
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(4)
        self.table = Table(["Carried by", "From", "To", "Thickness"], stretch=0, most_rows=5)
        grid.addWidget(self.table, 0, 0, 1, 4)
        self.kind = combo("area-kind")
        self.kind.addItem("Mucosa", Support.MUCOSA)
        self.kind.addItem("Bone", Support.BONE)
        self.start, self.stop = _station_box("area-from"), _station_box("area-to")
        self.thickness = QDoubleSpinBox()
        self.thickness.setObjectName("area-thickness")
        self.thickness.setRange(0.5, THICKEST_MM)
        self.thickness.setDecimals(1)
        self.thickness.setSingleStep(0.5)
        self.thickness.setValue(REFERENCE_MUCOSA_MM)
        self.thickness.setToolTip("Thickness of the mucosa, mm")
        self.kind.currentIndexChanged.connect(
            lambda _: self.thickness.setEnabled(Support(self.kind.currentData()) is Support.MUCOSA)
        )
        self.thickness.setSuffix(" mm")
        for row, (words, widget, more, other) in enumerate(
            (("Kind", self.kind, "thick", self.thickness), ("From", self.start, "to", self.stop)), 1
        ):
            grid.addWidget(label(words, "note", wrap=False), row, 0)
            grid.addWidget(widget, row, 1)
            grid.addWidget(label(more, "note", wrap=False), row, 2)
            grid.addWidget(other, row, 3)
        for column in (1, 3):
            grid.setColumnStretch(column, 1)
        self.add = button("Add stretch", self._add, "Stations in mm along the arch, + to the left", name="area-add")
        self.remove = button("Remove", self._remove, "Take the chosen stretch, or the last one, away")
        grid.addWidget(Row(self.add, self.remove), 3, 0, 1, 4)

    def refresh(self) -> None:
        """Show the stretches."""
        plan = self._workspace.plan
        areas = plan.guide.bearing_areas
        self.add.setEnabled(plan.arch is not None)
        self.remove.setEnabled(bool(areas))
        if plan.arch is not None:
            low, high = float(plan.arch.stations_mm[0]), float(plan.arch.stations_mm[-1])
            for box, value in ((self.start, low), (self.stop, high)):
                with QSignalBlocker(box):
                    if (box.minimum(), box.maximum()) != (round(low, 1), round(high, 1)):
                        box.setRange(round(low, 1), round(high, 1))
                        box.setValue(0.6 * value)
        self.table.show_rows(
            [
                (
                    area.support.value.capitalize(),
                    f"{area.from_station_mm:+.0f} mm".replace("-", "−"),
                    f"{area.to_station_mm:+.0f} mm".replace("-", "−"),
                    f"{mm(area.mucosa_mm)} mm" if area.support is Support.MUCOSA else "–",
                )
                for area in areas
            ]
        )

    def _add(self) -> None:
        def work() -> None:
            area = BearingArea(
                Support(self.kind.currentData()), self.start.value(), self.stop.value(), self.thickness.value()
            )
            areas = (*self._workspace.plan.guide.bearing_areas, area)
            self._actions.guide.set_bearing_areas(areas)

        self._guarded(work)

    def _remove(self) -> None:
        areas = list(self._workspace.plan.guide.bearing_areas)
        row = self.table.currentRow()
        areas.pop(row if 0 <= row < len(areas) else -1)
        self._guarded(lambda: self._actions.guide.set_bearing_areas(tuple(areas)))


def _station_box(name: str) -> QDoubleSpinBox:
    box = QDoubleSpinBox()
    box.setObjectName(name)
    box.setDecimals(0)
    box.setSingleStep(1.0)
    box.setToolTip("Station along the arch, mm, + to the patient's left")
    return box


class Carriers(QWidget):
    """All of it, with what it comes to."""

    def __init__(self, workspace: Workspace, actions: PlanActions, guarded: Any) -> None:
        super().__init__()
        self._workspace, self._actions, self._guarded = workspace, actions, guarded
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(5)
        self.outcome = Lines()
        grid.addWidget(self.outcome, 0, 0)
        self.teeth_note = label(
            "Press by press: not used (ring), carries (filled), mobile (half), to be extracted (struck ring).",
            "note",
        )
        grid.addWidget(self.teeth_note, 1, 0)
        self.teeth = TeethMap(workspace, actions, guarded)
        grid.addWidget(self.teeth, 2, 0)
        self.take = button(
            "Take the teeth marked in the scan", self._take_marked, "Sound marked teeth carry", name="take-marked"
        )
        grid.addWidget(Row(self.take), 3, 0)
        self.areas = AreasTable(workspace, actions, guarded)
        grid.addWidget(self.areas, 4, 0)
        self.pin = button(
            "Pin here", self._add_pin, "A pin from outside at the station that is looked at", name="pin-here"
        )
        self.no_pin = button("Remove last pin", self._remove_pin)
        self.pins = label("", "note", wrap=False)
        grid.addWidget(Row(self.pin, self.no_pin, self.pins), 5, 0)
        self.wall = QDoubleSpinBox()
        self.wall.setObjectName("guide-wall")
        self.wall.setRange(1.0, 8.0)
        self.wall.setDecimals(1)
        self.wall.setSingleStep(0.5)
        self.wall.setSuffix(" mm")
        self.wall.setKeyboardTracking(False)
        self.wall.valueChanged.connect(lambda value: guarded(lambda: actions.guide.set_wall(value)))
        grid.addWidget(Row(label("Wall of the guide", "note", wrap=False), self.wall), 6, 0)

    def refresh(self) -> None:
        """Bring everything up to date."""
        plan = self._workspace.plan
        on_teeth = plan.guide.support is Support.TEETH
        for widget in (self.teeth_note, self.teeth, self.take):
            widget.setVisible(on_teeth)
        self.areas.setVisible(plan.guide.support in (Support.MUCOSA, Support.BONE))
        self.setVisible(plan.guide.support is not Support.NONE)
        self.teeth.refresh()
        self.areas.refresh()
        self.take.setEnabled(any(tooth.state.carries_guide for tooth in plan.teeth.values()))
        self.pin.setEnabled(plan.arch is not None)
        count = len(plan.guide.pins)
        self.no_pin.setEnabled(count > 0)
        self.pins.setText(f"{count} pin{'' if count == 1 else 's'}")
        with QSignalBlocker(self.wall):
            self.wall.setValue(plan.guide.wall_mm)
        self.outcome.show_lines(carrying_lines(plan, self._workspace.settings.notation), self._workspace.theme)

    def _take_marked(self) -> None:
        plan = self._workspace.plan
        teeth = plan.mouth.teeth
        for number, tooth in plan.teeth.items():
            if tooth.state.carries_guide and number in sites_of_jaw(plan.jaw.value):
                teeth = with_tooth(teeth, number, "carries")
        self._guarded(lambda: self._actions.guide.set_mouth(teeth=teeth))

    def _add_pin(self) -> None:
        plan, view = self._workspace.plan, self._workspace.view
        assert plan.arch is not None
        point = plan.arch.point_at(view.station_mm)
        pin = Pin(np.asarray(point), -plan.arch.outward_at(view.station_mm))
        self._guarded(lambda: self._actions.guide.set_pins((*plan.guide.pins, pin)))

    def _remove_pin(self) -> None:
        pins = self._workspace.plan.guide.pins
        self._guarded(lambda: self._actions.guide.set_pins(pins[:-1]))


def carrying_lines(plan: Plan, notation: str) -> list[tuple[str, str]]:
    """Give what carries the guide, and which sites lie beyond it, in words."""
    support = plan.guide.support
    if support is Support.NONE:
        return []
    places = places_of(plan).get(support)
    if places is None:
        missing = {
            Support.TEETH: "Choose the teeth that carry",
            Support.MUCOSA: "Add the stretches of mucosa that carry",
            Support.BONE: "Add the stretches of bone that carry",
        }[support]
        why = "" if plan.arch is not None else ", once the arch is drawn"
        return [("warning", f"{missing}{why}; until then the budget assumes a typical guide all round the arch.")]
    guide = guide_inputs_of(plan)
    lines = [("answered", f"Rests on {places.words}.")]
    for site, length in guide.free_end_mm.items():
        bend = free_end_deflection_mm(
            guide.value("load_axial_n"), length, guide.value("guide_width_mm"), guide.wall_mm,
            guide.value("guide_modulus_n_per_mm2"),
        )  # fmt: skip
        lines.append(
            (
                "warning" if bend > NOTICED_MM else "note",
                f"{site_label(site, notation)}: {mm(length)} mm beyond what carries; under"
                f" {guide.value('load_axial_n'):.0f} N this free end bends {mm(bend, 2)} mm.",
            )
        )
    return lines
