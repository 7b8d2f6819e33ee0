"""A surface scan before it is taken in: its unit, what it shows, what is wrong with it, and how large it stays."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtWidgets import (
    QButtonGroup,
    QCheckBox,
    QDialog,
    QHBoxLayout,
    QListWidget,
    QRadioButton,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from app.questions import SurfaceAnswer, SurfaceQuestion
from app.steps.parts import Lines, button, combo, label
from app.theme import Theme
from app.window.fault_picture import FaultPicture, letter
from planner_core.case.plan import SurfaceRole
from planner_core.imaging.surface_files import GUESSED_UNITS, UNITS_MM

PICTURE_PX = 250
"""Side of the pictures (our choice: two fit side by side on a small screen)."""

UNIT_WORDS = {"mm": "Millimetres", "cm": "Centimetres", "inch": "Inches", "m": "Metres"}

ROLES = tuple(SurfaceRole)
"""What is scanned on its own and matched to the volume; a wax-up or opposing teeth lie in another scan's frame and
are opened where teeth are planned."""


class SurfaceDialog(QDialog):
    """Questions on the left; the whole scan, its faulty places and one of them from near on the right."""

    def __init__(self, question: SurfaceQuestion, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._question = question
        self._theme = theme
        self.setWindowTitle("Open a surface scan")
        whole = QVBoxLayout(self)
        whole.setContentsMargins(18, 14, 18, 14)
        whole.setSpacing(10)
        whole.addWidget(label(question.name, "title"))
        middle = QHBoxLayout()
        middle.setSpacing(16)
        middle.addWidget(self._questions(), 1)
        middle.addLayout(self._pictures())
        whole.addLayout(middle, 1)
        feet = QHBoxLayout()
        feet.addStretch(1)
        feet.addWidget(button("Cancel", self.reject, name="surface-cancel"))
        self.take = button("Take this surface scan", self.accept, main=True, name="surface-take")
        feet.addWidget(self.take)
        whole.addLayout(feet)
        self.resize(960, 560)
        if question.places:
            self.list.setCurrentRow(0)

    # ------------------------------------------------------------ making

    def _questions(self) -> QWidget:
        side = QWidget()
        rows = QVBoxLayout(side)
        rows.setContentsMargins(0, 0, 6, 0)
        rows.setSpacing(7)
        rows.addWidget(label("WHAT IT SHOWS", "heading"))
        self.role = combo("surface-role")
        self.role.addItems([role.value.capitalize() for role in ROLES])
        self.role.setCurrentIndex(ROLES.index(self._question.role))
        self.role.activated.connect(self._on_role)
        rows.addWidget(self.role)
        self.shares = QCheckBox(f"Goes with the match of {self._question.matched}", side)
        self.shares.setObjectName("surface-shares")
        self.shares.setToolTip(
            "Exported in the frame of that scan, as scans in occlusion and a wax-up on its model are. "
            "Check it in the sections."
        )
        self.shares.setVisible(bool(self._question.matched))
        self._on_role()
        rows.addWidget(self.shares)
        rows.addSpacing(6)
        rows.addWidget(label("UNIT OF THE FILE", "heading"))
        for widget in self._unit_choices():
            rows.addWidget(widget)
        rows.addSpacing(6)
        rows.addWidget(label("SIZE", "heading"))
        rows.addWidget(label(f"{len(self._question.read.surface.triangles):,} triangles".replace(",", " ")))
        self.reduce = QCheckBox(side)
        self.reduce.setObjectName("surface-reduce")
        smaller = self._question.smaller
        self.reduce.setVisible(smaller is not None)
        if smaller is not None:
            count = f"{len(smaller.surface.triangles):,}".replace(",", " ")
            self.reduce.setText(f"Reduce it to {count} triangles")
            rows.addWidget(self.reduce)
            rows.addWidget(
                label(
                    f"95 % of its points move by less than {smaller.deviation_p95_mm:.3f} mm, none by more than "
                    f"{smaller.deviation_max_mm:.3f} mm. Drawing and matching get quicker.",
                    "note",
                )
            )
        rows.addSpacing(6)
        rows.addWidget(label("WHAT WAS NOTICED", "heading"))
        lines = Lines()
        shown = [(f.severity.value, f.text) for f in self._question.findings if not f.code.startswith("unit-")]
        lines.show_lines(shown, self._theme, "Nothing to note.")
        rows.addWidget(lines)
        rows.addStretch(1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        area.setWidget(side)
        return area

    def _on_role(self, _index: int = 0) -> None:
        """Propose what is usual for such a scan."""
        self.shares.setChecked(self._question.usually_shares(ROLES[self.role.currentIndex()]))

    def _unit_choices(self) -> list[QWidget]:
        question = self._question
        self.units = QButtonGroup(self)
        made: list[QWidget] = []
        now = UNITS_MM[question.read.unit]
        known = question.read.unit not in GUESSED_UNITS or not question.unit_is_open
        if known:
            made.append(label(f"The file says {question.read.unit}."))
            self._units = [question.read.unit]
            return made
        self._units = list(GUESSED_UNITS)
        for number, unit in enumerate(self._units):
            factor = UNITS_MM[unit] / now
            size = " x ".join(f"{value * factor:.0f}" for value in sorted(question.extent_mm, reverse=True))
            choice = QRadioButton(f"{UNIT_WORDS[unit]}: the scan is {size} mm large")
            choice.setObjectName(f"surface-unit-{unit}")
            choice.setChecked(unit == question.read.unit)
            self.units.addButton(choice, number)
            made.append(choice)
        guess = next((f.text for f in question.findings if f.code.startswith("unit-")), "")
        made.append(label(guess, "note"))
        return made

    def _pictures(self) -> QVBoxLayout:
        question = self._question
        rows = QVBoxLayout()
        rows.setSpacing(8)
        both = QHBoxLayout()
        both.setSpacing(8)
        self.overview = FaultPicture(self._theme, PICTURE_PX)
        self.overview.show_patch(question.overview, "The whole scan", question.at)
        self.near = FaultPicture(self._theme, PICTURE_PX)
        both.addWidget(self.overview)
        both.addWidget(self.near)
        rows.addLayout(both)
        words = "PLACES TO LOOK AT" if question.places else "NO FAULTY PLACE WAS FOUND"
        rows.addWidget(label(words, "heading"))
        self.list = QListWidget()
        self.list.setObjectName("surface-places")
        for number, place in enumerate(question.places):
            self.list.addItem(f"{letter(number)}   {place.text}")
        self.list.currentRowChanged.connect(self._look_at)
        rows.addWidget(self.list, 1)
        self.near.setVisible(bool(question.places))
        return rows

    def _look_at(self, row: int) -> None:
        if 0 <= row < len(self._question.places):
            place = self._question.places[row]
            self.overview.choose(row)
            width = 2.0 * place.reach_mm
            self.near.show_patch(self._question.patches[row], f"{letter(row)}: {width:.0f} mm across")

    # ------------------------------------------------------------ answer

    @property
    def answer(self) -> SurfaceAnswer:
        """What was chosen."""
        number = self.units.checkedId()
        unit = self._units[number] if 0 <= number < len(self._units) else self._question.read.unit
        return SurfaceAnswer(
            unit, ROLES[self.role.currentIndex()], self.reduce.isChecked(), self.shares.isChecked()
        )
