"""Planned teeth: set up, taken from a wax-up, and changed."""

from __future__ import annotations

from typing import Any

from PySide6.QtCore import QSignalBlocker
from PySide6.QtWidgets import QGridLayout, QWidget

from app.steps.fixtures_fold import Block
from app.steps.fixtures_hand import number_box
from app.steps.parts import Lines, Row, Table, button, combo, label
from app.words import mm, site_label, site_words, sites_of_jaw
from planner_core.case.plan import SurfaceRole

FIELDS = (
    ("along", "Along", " mm", "Type how far to move it along the arch, + to the patient's left"),
    ("facial", "Outwards", " mm", "Type how far to move it to cheek or lip"),
    ("up", "Higher", " mm", "Type how far to move it towards the opposing teeth"),
    ("turn", "Turn", " °", "Type how far to turn it about its own axis"),
    ("width", "Width", " mm", "Mesiodistal diameter"),
    ("thick", "Depth", " mm", "Faciolingual diameter"),
    ("height", "Height", " mm", "From the planned gingival margin to the occlusal table or edge"),
    ("tip", "Tip out", " °", "Type how far to tip its crown outwards"),
)
STEPS = ("along", "facial", "up", "turn", "tip")
"""Fields that are typed as a step and go back to zero."""


class CrownsBlock(Block):
    """The missing teeth as crowns, before the fixtures that carry them."""

    def build(self) -> None:
        """Make the widgets."""
        self.first, self.last = combo("crown-first"), combo("crown-last")
        self.set_up = button(
            "Set up",
            self._set_up,
            "Average crowns along the arch, between the neighbours that stand and under the opposing teeth",
            main=True,
            name="set-up-crowns",
        )
        self.add(
            Row(
                label("From", "note", wrap=False),
                self.first,
                label("to", "note", wrap=False),
                self.last,
                self.set_up,
                stretch=1,
            )
        )
        self.first.activated.connect(self._on_first)
        self.list = Table(["Tooth", "Width", "Depth", "Height"], stretch=0, most_rows=5)
        self.list.cellClicked.connect(self._on_choose)
        self.add(self.list)
        self.boxes: dict[str, Any] = {}
        self.numbers = QWidget()
        grid = QGridLayout(self.numbers)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(7)
        grid.setVerticalSpacing(4)
        for k, (key, words, suffix, tip) in enumerate(FIELDS):
            box = number_box(f"crown-{key}", suffix, 0.5 if "°" in suffix else 0.1, tip)
            box.valueChanged.connect(lambda value, key=key: self._typed(key, value))
            grid.addWidget(label(words, "note", wrap=False), k // 2, 2 * (k % 2))
            grid.addWidget(box, k // 2, 2 * (k % 2) + 1)
            grid.setColumnStretch(2 * (k % 2) + 1, 1)
            self.boxes[key] = box
        self.add(self.numbers)
        self.again = button(
            "Fit again", self._fit, "Fit it anew to neighbours and opposing teeth", name="fit-crown"
        )
        self.remove = button("Remove", self._remove, name="remove-crown")
        self.tools = Row(self.again, self.remove)
        self.add(self.tools)
        self.add(
            Row(
                button(
                    "Open wax-up …",
                    lambda: self._open(SurfaceRole.WAX_UP),
                    _SHARES.format("wax-up"),
                    name="open-wax",
                ),
                button(
                    "Open opposing teeth …",
                    lambda: self._open(SurfaceRole.OPPOSING),
                    _SHARES.format("opposing scan"),
                    name="open-opposing",
                ),
            )
        )
        self.take = button(
            "Take this tooth from the wax-up or prosthesis",
            self._take,
            "Cut the tooth at this site out of the opened surface",
            name="take-crown",
        )
        self.add(self.take)
        self.notes = Lines()
        self.add(self.notes)
        self.add(
            label(
                "Sizes: tables of Wheeler's Dental Anatomy (Ash, Nelson). Drag a crown in a section to move it.",
                "note",
            )
        )
        self._said: tuple[str, ...] = ()

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, view = self.plan, self.workspace.view
        notation = self.workspace.settings.notation
        planned = list(plan.crowns)
        self.say(", ".join(site_label(s, notation) for s in planned) if planned else "none yet")
        if not self.is_open:
            return
        sites = list(sites_of_jaw(plan.jaw.value))
        for box in (self.first, self.last):
            if [box.itemData(k) for k in range(box.count())] != sites:
                box.clear()
                for site in sites:
                    box.addItem(site_label(site, notation), site)
                start = "36" if "36" in sites else "16"
                box.setCurrentIndex(sites.index(start))
        self.set_up.setEnabled(plan.arch is not None)
        self.list.setVisible(bool(planned))
        self.list.show_rows(
            [
                (f"{site_label(s, notation)} {_tooth_words(s)}",
                 mm(c.mesiodistal_mm), mm(c.faciolingual_mm), mm(c.height_mm))
                for s, c in plan.crowns.items()
            ],
            tips=[f"{site_words(s)}. Source: {c.source} {c.mark}".strip() for s, c in plan.crowns.items()],
        )  # fmt: skip
        crown = plan.crowns.get(view.crown)
        if crown is not None:
            self.list.selectRow(planned.index(view.crown))
        else:
            self.list.clearSelection()
        for widget in (self.numbers, self.tools):
            widget.setVisible(crown is not None)
        surfaces = [s for s in plan.surfaces.values() if s.role in (SurfaceRole.WAX_UP, SurfaceRole.PROSTHESIS)]
        self.take.setEnabled(bool(surfaces) and plan.arch is not None)
        self.notes.show_lines([("note", text) for text in self._said], self.workspace.theme)
        if crown is not None:
            values = {"width": crown.mesiodistal_mm, "thick": crown.faciolingual_mm, "height": crown.height_mm}
            for key, box in self.boxes.items():
                if not box.hasFocus() or key in STEPS:
                    with QSignalBlocker(box):
                        box.setValue(values.get(key, 0.0))

    def _on_first(self) -> None:
        self.last.setCurrentIndex(self.first.currentIndex())

    def _set_up(self) -> None:
        sites = list(sites_of_jaw(self.plan.jaw.value))
        a, b = sorted((self.first.currentIndex(), self.last.currentIndex()))
        self.guarded(self.do.crowns.set_up, tuple(sites[a : b + 1]), self._tell)

    def _fit(self) -> None:
        self.guarded(self.do.crowns.set_up, (self.workspace.view.crown,), self._tell)

    def _take(self) -> None:
        site = self.workspace.view.crown or str(self.first.currentData())
        self.guarded(self.do.crowns.take_from_surface, site, self._tell)

    def _tell(self, notes: tuple[str, ...]) -> None:
        self._said = notes
        self.panel.refresh()

    def _open(self, role: SurfaceRole) -> None:
        self.guarded(lambda: self.panel.case.add_surface(role=role))

    def _remove(self) -> None:
        self.guarded(self.do.crowns.remove, self.workspace.view.crown)

    def _on_choose(self, row: int, _column: int) -> None:
        sites = list(self.plan.crowns)
        if 0 <= row < len(sites):
            crown = self.plan.crowns[sites[row]]
            self.workspace.view.select("")
            self.workspace.go_to_point(crown.cervical_lps_mm)
            self.workspace.view.take_crown(sites[row])

    def _typed(self, key: str, value: float) -> None:
        crown = self.plan.crowns.get(self.workspace.view.crown)
        if crown is None:
            return
        sizes = [crown.mesiodistal_mm, crown.faciolingual_mm, crown.height_mm]
        if key in STEPS:
            if value == 0.0:
                return
            made = {
                "along": lambda: crown.moved(value * crown.along_lps),
                "facial": lambda: crown.moved(value * crown.facial_lps),
                "up": lambda: crown.moved(value * crown.occlusal_lps),
                "turn": lambda: crown.turned(crown.occlusal_lps, value),
                "tip": lambda: crown.turned(crown.along_lps, _tip_sign(crown) * value),
            }[key]()
        else:
            k = ("width", "thick", "height").index(key)
            if abs(sizes[k] - value) < 0.051 or value <= 0.5:
                return
            sizes[k] = value
            made = crown.resized(*sizes)
        self.guarded(self.do.crowns.change, made)


def _tip_sign(crown: Any) -> float:
    """Give the turn about `along` that leans the crown's top to the face."""
    import numpy as np

    return 1.0 if float(np.cross(crown.along_lps, crown.occlusal_lps) @ crown.facial_lps) > 0 else -1.0


def _tooth_words(site: str) -> str:
    return site_words(site).partition(", ")[2].removeprefix("upper ").removeprefix("lower ")


_SHARES = "Open a {} that was exported in the frame of the matched surface scan, as scans in occlusion are"
