"""The fixture in hand: typed numbers, the point that it turns about, copies of it, its abutment."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QCheckBox, QDoubleSpinBox, QGridLayout, QWidget

from app.steps.fixtures_fold import Block
from app.steps.parts import Row, button, combo, label
from app.words import site_label, site_words, sites_of_jaw
from planner_core.geometry.frames import FloatArray, unit
from planner_core.planning.fixture import FixturePose


class PoseNumbers(QWidget):
    """Typed numbers of a fixture: platform by station, outwards and height; tilt along and across the arch."""

    FIELDS = (
        ("station", "Station", " mm", 0.1, "Station of the platform, + to the patient's left"),
        ("height", "Height", " mm", 0.1, "Height of the platform over the arch curve"),
        ("outward", "Outwards", " mm", 0.1, "Platform outwards of the arch curve, to cheek or lip"),
        ("depth", "Deeper", " mm", 0.1, "Type how much deeper along its axis; negative: higher"),
        ("along", "Tilt left", " °", 0.5, "Apex towards the patient's left along the arch"),
        ("across", "Tilt out", " °", 0.5, "Apex outwards, to cheek or lip"),
        ("roll", "Roll", " °", 0.5, "Rotation about its own axis; decides how an angled abutment stands"),
    )

    def __init__(self) -> None:
        super().__init__()
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(7)
        grid.setVerticalSpacing(4)
        grid.setColumnStretch(1, 1)
        grid.setColumnStretch(3, 1)
        self.boxes: dict[str, QDoubleSpinBox] = {}
        for k, (key, words, suffix, step, tip) in enumerate(self.FIELDS):
            box = number_box(f"fixture-{key}", suffix, step, tip)
            grid.addWidget(label(words, "note", wrap=False), k // 2, 2 * (k % 2))
            grid.addWidget(box, k // 2, 2 * (k % 2) + 1)
            self.boxes[key] = box

    def show_values(self, values: dict[str, float]) -> None:
        """Show these numbers without telling anyone."""
        for key, value in values.items():
            box = self.boxes[key]
            if not box.hasFocus() or abs(box.value() - value) > 0.051:
                with QSignalBlocker(box):
                    box.setValue(value)


def number_box(
    name: str, suffix: str, step: float, tip: str = "", low: float = -360.0, high: float = 360.0
) -> QDoubleSpinBox:
    """Give a box for a typed number with one decimal."""
    box = QDoubleSpinBox()
    box.setObjectName(name)
    box.setRange(low, high)
    box.setDecimals(1)
    box.setSingleStep(step)
    box.setSuffix(suffix)
    box.setKeyboardTracking(False)
    box.setToolTip(tip)
    box.setMinimumWidth(84)
    return box


class HandBlock(Block):
    """Numbers, pivot, lock, and the copies that can be made of the fixture in hand."""

    def build(self) -> None:
        """Make the widgets."""
        self.numbers = PoseNumbers()
        for box in self.numbers.boxes.values():
            box.valueChanged.connect(self._typed)
        self.add(self.numbers)
        self.pivot = combo("fixture-pivot")
        for words, about_apex in (("its entry", False), ("its apex", True)):
            self.pivot.addItem(words, about_apex)
        self.pivot.activated.connect(self._on_pivot)
        self.lock = QCheckBox("Locked")
        self.lock.clicked.connect(self._on_lock)
        self.add(Row(label("Turn about", "note", wrap=False), self.pivot, self.lock, stretch=1))
        self.other = combo("parallel-to")
        self.parallel = button("Turn", self._parallel, "Turn it parallel to the chosen fixture", name="parallel")
        self.add(Row(label("Parallel to", "note", wrap=False), self.other, self.parallel, stretch=1))
        self.copy_site = combo("copy-site")
        self.copy = button("Copy", self._copy, "The same fixture at the chosen site, parallel", name="copy-fixture")
        self.mirror = button(
            "Mirror", self._mirror, "Mirror it to the other side of the arch", name="mirror-fixture"
        )
        self.add(Row(label("Copy to", "note", wrap=False), self.copy_site, self.copy, self.mirror, stretch=1))
        self.abutment, self.position = combo("abutment"), combo("abutment-position")
        self.abutment.activated.connect(self._on_abutment)
        self.position.activated.connect(self._on_abutment)
        self.workspace.catalogue_changed.connect(self._fill_abutments)
        self._fill_abutments()
        self.add(Row(label("Abutment", "note", wrap=False), self.abutment, self.position, stretch=1))
        self.position.setMinimumWidth(64)
        tip = "Give it the diameter and length chosen above; the platform stays"
        self.add(
            Row(button("Take the size above", self._change, tip), button("Delete", self._delete, name="delete"))
        )
        self.add(
            label(
                "Drag its body to move it, with Ctrl along its axis only, or the square at apex or top to turn it;"
                " in the 3D view too. Ctrl+arrows: 0.1 mm, Alt+arrows: 0.5°, Ctrl+Page keys: depth.",
                "note",
            )
        )

    def _fill_abutments(self) -> None:
        with QSignalBlocker(self.abutment):
            self.abutment.clear()
            self.abutment.addItem("none", "")
            for key, abutment in self.do.catalogue.abutments.items():
                self.abutment.addItem(abutment.label.replace("Generic ", ""), key)

    def refresh(self) -> None:
        """Bring them up to date."""
        fixture = self.workspace.selected
        self.setVisible(fixture is not None)
        if fixture is None:
            return
        self.say("locked" if fixture.locked else "")
        if not self.is_open:
            return
        plan = self.plan
        self.lock.setChecked(fixture.locked)
        self.numbers.setEnabled(not fixture.locked)
        self.numbers.show_values(self.values(fixture.pose))
        self.pivot.setCurrentIndex(1 if self.do.fixtures.about_apex else 0)
        _fill(self.other, [site for site in plan.fixtures if site != fixture.site], self._label)
        _fill(self.copy_site, [s for s in sites_of_jaw(plan.jaw.value) if s not in plan.fixtures], self._label)
        self.parallel.setEnabled(self.other.count() > 0 and not fixture.locked)
        self.copy.setEnabled(plan.arch is not None)
        self.mirror.setEnabled(plan.arch is not None)
        self._show_abutment(fixture.site)

    def _label(self, site: str) -> str:
        return site_label(site, self.workspace.settings.notation)

    def _show_abutment(self, site: str) -> None:
        chosen = self.plan.abutments.get(site)
        labels = {a.label: key for key, a in self.do.catalogue.abutments.items()}
        key = "" if chosen is None else labels.get(chosen.abutment.label, "")
        if chosen is not None and not key:
            if self.abutment.findText(chosen.abutment.label) < 0:
                self.abutment.addItem(chosen.abutment.label, "kept")
            key = "kept"
        self.abutment.setCurrentIndex(max(0, self.abutment.findData(key)))
        count = (
            1 if chosen is None or chosen.abutment.angle_deg == 0 else max(1, chosen.abutment.rotational_positions)
        )
        if self.position.count() != count:
            self.position.clear()
            for k in range(count):
                self.position.addItem(f"{360.0 * k / count:.0f}°", k)
        self.position.setEnabled(count > 1)
        self.position.setToolTip("Rotational position of the angled abutment on the fixture")
        self.position.setCurrentIndex(0 if chosen is None else chosen.position % count)

    # ------------------------------------------------------------ numbers

    def _axes(self, pose: FixturePose) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
        arch = self.plan.arch
        if arch is None:
            left, outward, up = np.eye(3) * np.array([1.0, -1.0, 1.0])
            return np.zeros(3), left, outward, up, 0.0
        station = arch.station_of(pose.platform_lps_mm)
        return arch.point_at(station), arch.tangent_at(station), arch.outward_at(station), arch.up_lps, station

    def values(self, pose: FixturePose) -> dict[str, float]:
        """Give the numbers of a pose."""
        base, along, outward, up, station = self._axes(pose)
        offset = pose.platform_lps_mm - base
        straight = abs(float(pose.axis_lps @ up))
        return {
            "station": station + float(offset @ along),
            "outward": float(offset @ outward),
            "height": float(offset @ up),
            "depth": 0.0,
            "along": float(np.degrees(np.arctan2(float(pose.axis_lps @ along), straight))),
            "across": float(np.degrees(np.arctan2(float(pose.axis_lps @ outward), straight))),
            "roll": (pose.roll_deg + 180.0) % 360.0 - 180.0,
        }

    def _typed(self) -> None:
        fixture = self.workspace.selected
        if fixture is None or fixture.locked:
            return
        values = {key: box.value() for key, box in self.numbers.boxes.items()}
        before = self.values(fixture.pose)
        if all(abs(values[key] - before[key]) < 0.051 for key in values):
            return
        pose = self._pose_of(fixture.pose, values, before)
        turned = any(abs(values[key] - before[key]) > 0.051 for key in ("along", "across"))
        if turned and self.do.fixtures.about_apex:
            length = fixture.shape.length_mm
            pose = pose.shifted(fixture.pose.at_depth(length) - pose.at_depth(length))
        self.guarded(self.do.fixtures.set_pose, fixture.site, pose)

    def _pose_of(self, pose: FixturePose, values: dict[str, float], before: dict[str, float]) -> FixturePose:
        arch = self.plan.arch
        base, along, outward, up, station = self._axes(pose)
        left = values["station"] - station
        if arch is not None and abs(values["station"] - before["station"]) > 0.051:
            station, left = values["station"], 0.0
            base, along, outward = arch.point_at(station), arch.tangent_at(station), arch.outward_at(station)
        platform = base + left * along + values["outward"] * outward + values["height"] * up
        down = -up if float(pose.axis_lps @ up) < 0 else up
        tangents = np.tan(np.radians(np.clip([values["along"], values["across"]], -60.0, 60.0)))
        axis = unit(down + tangents[0] * along + tangents[1] * outward)
        return FixturePose(platform + values["depth"] * axis, axis, values["roll"])

    # ------------------------------------------------------------ acting

    def _site(self) -> str:
        return self.workspace.view.site

    def _on_pivot(self) -> None:
        self.do.fixtures.about_apex = bool(self.pivot.currentData())

    def _on_lock(self, locked: bool) -> None:
        self.guarded(self.do.fixtures.set_lock, self._site(), locked)

    def _parallel(self) -> None:
        self.guarded(self.do.fixtures.make_parallel, self._site(), str(self.other.currentData()))

    def _copy(self) -> None:
        self.guarded(self.do.fixtures.copy_to, self._site(), str(self.copy_site.currentData()))

    def _mirror(self) -> None:
        self.guarded(self.do.fixtures.mirror, self._site())

    def _on_abutment(self) -> None:
        key, position = str(self.abutment.currentData()), self.position.currentData() or 0
        if key != "kept":
            self.guarded(self.do.fixtures.set_abutment, self._site(), key, int(position))

    def _change(self) -> None:
        self.guarded(self.do.fixtures.change_shape, self._site(), self.panel.place_block.shape())

    def _delete(self) -> None:
        self.guarded(self.do.fixtures.delete_fixture, self._site())


def _fill(box: object, sites: list[str], words: object) -> None:
    """Offer these sites; the one chosen before stays chosen where it can."""
    if [box.itemData(k) for k in range(box.count())] == sites:  # type: ignore[attr-defined]
        return
    before = box.currentData()  # type: ignore[attr-defined]
    box.clear()  # type: ignore[attr-defined]
    for k, site in enumerate(sites):
        box.addItem(words(site), site)  # type: ignore[attr-defined, operator]
        box.setItemData(k, site_words(site), 3)  # type: ignore[attr-defined]
    if before in sites:
        box.setCurrentIndex(sites.index(before))  # type: ignore[attr-defined]
