"""The panel of Fixtures: where do they go."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QCheckBox, QDoubleSpinBox, QGridLayout, QWidget

from app.steps.panel import StepPanel
from app.steps.parts import Row, Table, button, combo, label, state_icon
from app.view_state import Step
from app.words import mm, site_label, site_words, sites_of_jaw
from planner_core.geometry.frames import FloatArray, unit
from planner_core.planning.fixture import FixturePose, FixtureShape

FAR_MM = 20.0
"""Rows of the ledger further away than this are left out of the panel, mm (our choice)."""


class PoseNumbers(QWidget):
    """Typed numbers of a fixture: platform by station, outwards and height; tilt along and across the arch."""

    FIELDS = (
        ("station", "Station", " mm", 0.1, "Station of the platform, + to the patient's left"),
        ("height", "Height", " mm", 0.1, "Height of the platform over the arch curve"),
        ("outward", "Outwards", " mm", 0.1, "Platform outwards of the arch curve, to cheek or lip"),
        ("along", "Tilt left", " °", 0.5, "Apex towards the patient's left along the arch"),
        ("across", "Tilt out", " °", 0.5, "Apex outwards, to cheek or lip"),
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
            box = QDoubleSpinBox()
            box.setObjectName(f"fixture-{key}")
            box.setRange(-200.0, 200.0)
            box.setDecimals(1)
            box.setSingleStep(step)
            box.setSuffix(suffix)
            box.setKeyboardTracking(False)
            box.setToolTip(tip)
            box.setMinimumWidth(84)
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


class FixturesPanel(StepPanel):
    """Catalogue, site, typed numbers, and the ledger of the fixture in hand."""

    step = Step.FIXTURES
    title = "Fixtures"
    question = "Where do they go, and what do they come near?"

    def build(self) -> None:
        """Make the widgets."""
        self._build_place()
        placed = self.section("Placed (choose one to take it in hand)")
        self.list = Table(["Site", "Fixture", "Nearest"], stretch=1, most_rows=6)
        self.list.cellClicked.connect(self._on_choose)
        placed.add(self.list)
        self.ledger_section = self.section("In hand: its ledger")
        self.title_ = label("", "")
        self.ledger_section.add(self.title_)
        self.ledger = Table(["To", "mm", "Margin", "State"], stretch=0, most_rows=10)
        self.ledger_section.add(self.ledger)
        self.ledger_section.add(
            label(
                "± how well the structure is known here; c: a margin by convention. Sources in the tool tips.",
                "note",
            )
        )
        self._build_hand()

    def _build_place(self) -> None:
        new = self.section("Place a fixture (generic shapes, no maker's)")
        self.site = combo("new-site")
        self.kind = combo()
        self.diameter = combo()
        self.length = combo()
        self.kind.currentIndexChanged.connect(self._on_kind)
        self.workspace.catalogue_changed.connect(self._fill_catalogue)
        self._fill_catalogue()
        self.place = button("Place by a click", self._place, main=True, name="place-fixture")
        new.add(Row(label("Site", "note", wrap=False), self.site, stretch=1))
        new.add(Row(label("Kind", "note", wrap=False), self.kind, stretch=1))
        sizes = (label("Ø", "note", wrap=False), self.diameter, label("length", "note", wrap=False), self.length)
        new.add(Row(*sizes, stretch=1))
        self.propose = button(
            "Propose a place",
            self._propose,
            "Search the place under the tooth that keeps every margin and leaves the most leeway",
            name="propose-fixture",
        )
        new.add(Row(self.place, self.propose))
        self.proposals_section = self.section("Proposals (choose one to take it)")
        self.proposals = Table(["Fixture", "Leeway", "Margins"], stretch=0, most_rows=4)
        self.proposals.cellClicked.connect(self._on_suggestion)
        self.proposals_section.add(self.proposals)
        self.proposals_section.hide()
        self._proposal: Any = None

    def _build_hand(self) -> None:
        self.hand = self.section("In hand: its place")
        self.numbers = PoseNumbers()
        for box in self.numbers.boxes.values():
            box.valueChanged.connect(self._typed)
        self.hand.add(self.numbers)
        self.lock = QCheckBox("Locked")
        self.lock.clicked.connect(self._on_lock)
        tip = "Give it the diameter and length chosen above; the platform stays"
        self.hand.add(
            Row(self.lock, button("Take the size above", self._change, tip), button("Delete", self._delete))
        )
        self.hand.add(
            label(
                "Drag its body to move it, the square at its apex to turn it. Ctrl+arrows move it by 0.1 mm,"
                " Alt+arrows turn it by 0.5°, Ctrl+Page keys change its depth.",
                "note",
            )
        )

    def _fill_catalogue(self) -> None:
        """List the generic families, then every fixture of the clinic's own lists."""
        catalogue = self.actions_.catalogue
        entries: dict[str, str] = {}
        for shape_id, shape in catalogue.fixtures.items():
            if shape.generic:
                entries.setdefault(shape_id.rsplit("-", 1)[0], shape.label.rsplit(" ", 3)[0])
            else:
                entries[shape_id] = shape.label
        with QSignalBlocker(self.kind):
            self.kind.clear()
            for key, words in entries.items():
                self.kind.addItem(words, key)
        self._on_kind()

    def _on_kind(self) -> None:
        key = str(self.kind.currentData())
        fixtures = self.actions_.catalogue.fixtures
        shapes = [fixtures[key]] if key in fixtures else [s for k, s in fixtures.items() if k.startswith(f"{key}-")]
        for box, values, wanted in (
            (self.diameter, sorted({s.diameter_mm for s in shapes}), 4.0),
            (self.length, sorted({s.length_mm for s in shapes}), 10.0),
        ):
            before = box.currentData() or wanted
            box.clear()
            for value in values:
                box.addItem(f"{value:g} mm", value)
            box.setEnabled(len(values) > 1)
            box.setCurrentIndex(int(np.argmin([abs(v - before) for v in values])))

    def _shape(self) -> FixtureShape:
        key, catalogue = str(self.kind.currentData()), self.actions_.catalogue
        if key in catalogue.fixtures:
            return catalogue.fixture(key)
        diameter, length = float(self.diameter.currentData()), float(self.length.currentData())
        return catalogue.nearest_fixture(diameter, length, key)

    # ------------------------------------------------------------ showing

    def refresh(self) -> None:
        """Bring them up to date."""
        workspace = self.workspace
        plan, numbers = workspace.plan, workspace.numbers
        notation = workspace.settings.notation
        free = [site for site in sites_of_jaw(plan.jaw.value) if site not in plan.fixtures]
        if [self.site.itemData(k) for k in range(self.site.count())] != free:
            before = self.site.currentData()
            self.site.clear()
            for site in free:
                self.site.addItem(site_words(site), site)
            likely = before if before in free else next((s for s in ("36", "46", "16", "26") if s in free), free[0])
            self.site.setCurrentIndex(free.index(likely))
        self.place.setEnabled(plan.scan is not None)
        self.propose.setEnabled(plan.arch is not None)
        self._show_proposals()
        sites = list(plan.fixtures)
        rows, icons = [], []
        for site in sites:
            near = [r for r in numbers.rows if r.site == site and r.body == "fixture"]
            worst = min(near, key=lambda r: r.distance_mm - r.margin_mm, default=None)
            text = "–" if worst is None else f"{mm(worst.distance_mm)} mm {worst.kind.value}"
            rows.append((site_label(site, notation), plan.fixtures[site].shape.label.replace("Generic ", ""), text))
            icons.append(None if worst is None else state_icon(worst.state.value, workspace.theme))
        self.list.show_rows(rows, icons, [site_words(site) for site in sites], icon_column=2)
        if workspace.view.site in sites:
            self.list.selectRow(sites.index(workspace.view.site))
        else:
            self.list.clearSelection()
        self._show_hand()

    def _show_hand(self) -> None:
        fixture = self.workspace.selected
        self.hand.setVisible(fixture is not None)
        self.ledger_section.setVisible(fixture is not None)
        if fixture is None:
            return
        shape = fixture.shape
        shape = fixture.shape
        self.title_.setText(f"{site_words(fixture.site)}\n{shape.label} (true length {mm(shape.length_mm)} mm)")
        self.lock.setChecked(fixture.locked)
        self.numbers.setEnabled(not fixture.locked)
        self.numbers.show_values(self._values(fixture.pose))
        rows, icons, tips = [], [], []
        for row in self.workspace.numbers.rows:
            if row.site != fixture.site or row.distance_mm > FAR_MM:
                continue
            name = row.obstacle.replace(", ", " ")
            to = name if row.body == "fixture" else f"drill to {name}"
            mark = " c" if row.convention else ""
            rows.append(
                (to, f"{mm(row.distance_mm)} ± {mm(row.sigma_mm)}", f"{mm(row.margin_mm)}{mark}", row.state.value)
            )
            icons.append(state_icon(row.state.value, self.workspace.theme))
            tips.append(
                f"Margin {mm(row.margin_mm)} mm: {row.margin_source}{' (a convention)' if row.convention else ''}"
            )
        self.ledger.show_rows(rows, icons, tips, icon_column=3)

    def _axes(self, pose: FixturePose) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, float]:
        arch = self.workspace.plan.arch
        if arch is None:
            left, outward, up = np.eye(3) * np.array([1.0, -1.0, 1.0])
            return np.zeros(3), left, outward, up, 0.0
        station = arch.station_of(pose.platform_lps_mm)
        return arch.point_at(station), arch.tangent_at(station), arch.outward_at(station), arch.up_lps, station

    def _values(self, pose: FixturePose) -> dict[str, float]:
        base, along, outward, up, station = self._axes(pose)
        offset = pose.platform_lps_mm - base
        straight = abs(float(pose.axis_lps @ up))
        return {
            "station": station + float(offset @ along),
            "outward": float(offset @ outward),
            "height": float(offset @ up),
            "along": float(np.degrees(np.arctan2(float(pose.axis_lps @ along), straight))),
            "across": float(np.degrees(np.arctan2(float(pose.axis_lps @ outward), straight))),
        }

    # ------------------------------------------------------------ acting

    def _typed(self) -> None:
        fixture = self.workspace.selected
        if fixture is None or fixture.locked:
            return
        values = {key: box.value() for key, box in self.numbers.boxes.items()}
        before = self._values(fixture.pose)
        if all(abs(values[key] - before[key]) < 0.051 for key in values):
            return
        arch = self.workspace.plan.arch
        base, along, outward, up, station = self._axes(fixture.pose)
        if arch is not None and abs(values["station"] - before["station"]) > 0.051:
            station = values["station"]
            base, along, outward = arch.point_at(station), arch.tangent_at(station), arch.outward_at(station)
            left = 0.0
        else:
            left = values["station"] - station
        platform = base + left * along + values["outward"] * outward + values["height"] * up
        down = -up if float(fixture.pose.axis_lps @ up) < 0 else up
        tangents = np.tan(np.radians(np.clip([values["along"], values["across"]], -60.0, 60.0)))
        axis = unit(down + tangents[0] * along + tangents[1] * outward)
        self.guarded(
            self.actions_.fixtures.set_pose, fixture.site, FixturePose(platform, axis, fixture.pose.roll_deg)
        )

    def _place(self) -> None:
        self.guarded(self.actions_.fixtures.place_fixture, str(self.site.currentData()), self._shape())

    def _propose(self) -> None:
        site, family = str(self.site.currentData()), str(self.kind.currentData())
        self.guarded(self.actions_.fixtures.propose_fixture, site, family, self._take_proposal)

    def _take_proposal(self, proposal: Any) -> None:
        self._proposal = proposal
        self.refresh()

    def _show_proposals(self) -> None:
        proposal = self._proposal
        if proposal is not None and proposal.site not in self.workspace.plan.fixtures:
            proposal = self._proposal = None
        self.proposals_section.setVisible(proposal is not None)
        if proposal is None:
            return
        site, theme = site_label(proposal.site, self.workspace.settings.notation), self.workspace.theme
        self.proposals.show_rows(
            [
                (
                    f"{site}: {one.label.replace('Generic ', '')}",
                    "nothing near" if one.leeway_over_need > 99 else f"{one.leeway_over_need:.1f} x need",
                    "kept" if one.keeps_margins else f"{len(one.broken)} not kept",
                )
                for one in proposal.suggestions
            ],
            [state_icon("clear" if one.keeps_margins else "touches", theme) for one in proposal.suggestions],
            ["\n".join([one.exit_text, one.gives_up, *one.broken]).strip() for one in proposal.suggestions],
            icon_column=2,
        )

    def _on_suggestion(self, row: int, _column: int) -> None:
        if self._proposal is not None and row < len(self._proposal.suggestions):
            self.guarded(self.actions_.fixtures.take_suggestion, self._proposal.suggestions[row].fixture)

    def _change(self) -> None:
        fixture = self.workspace.selected
        if fixture is not None:
            self.guarded(self.actions_.fixtures.change_shape, fixture.site, self._shape())

    def _delete(self) -> None:
        fixture = self.workspace.selected
        if fixture is not None:
            self.guarded(self.actions_.fixtures.delete_fixture, fixture.site)

    def _on_lock(self, locked: bool) -> None:
        fixture = self.workspace.selected
        if fixture is not None:
            self.guarded(self.actions_.fixtures.set_lock, fixture.site, locked)

    def _on_choose(self, row: int, _column: int) -> None:
        sites = list(self.workspace.plan.fixtures)
        if 0 <= row < len(sites):
            self.workspace.view.select(sites[row])
            self.workspace.go_to_point(self.workspace.plan.fixtures[sites[row]].pose.platform_lps_mm)
