"""What must not be touched? Everything that is marked, how well each is known, and how to mark more."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from attrs import frozen
from PySide6.QtWidgets import QCheckBox, QMenu, QPushButton

from app.shapes import runs_of
from app.steps.anatomy_block import Block
from app.steps.anatomy_where import length_box
from app.steps.fold import Fold
from app.steps.parts import Row, Table, button, combo, label, state_icon
from app.words import mm
from planner_core.anatomy.canal import DEFAULT_DIAMETER_MM
from planner_core.anatomy.marked import CavityKind, DrawnKind, DrawnStructure, Foramen
from planner_core.anatomy.structures import Canal, Jaw, Side
from planner_core.case.plan import Plan
from planner_core.geometry.frames import FloatArray
from planner_core.geometry.polyline import lengths_mm

LOOK = "look at it"
"""What a traced course asks for: it must be checked by eye."""


@frozen(eq=False)
class Mark:
    """One line of the list."""

    key: str
    state: str
    name: str
    known: str
    tip: str
    place_lps_mm: FloatArray | None


def marks_of(plan: Plan) -> list[Mark]:
    """Give everything marked besides teeth, what is least sure first within each kind."""
    found = []
    for side in (Side.RIGHT, Side.LEFT):
        canal = plan.canal_of(side)
        if canal is not None:
            found.append(_canal(side, canal))
        elif plan.jaw is Jaw.LOWER and plan.scan is not None:
            found.append(Mark(f"canal:{side.value}", "open", f"Canal, {side.value}", "not marked", "", None))
        foramen = plan.foramina.get(side.value)
        if foramen is not None:
            found.append(_foramen(side.value, foramen))
    for key, cavity in plan.cavities.items():
        known = f"{cavity.volume_mm3 / 1000:.1f} ml, ± {mm(1.96 * cavity.sigma_mm)} mm"
        tip = "\n".join(finding.text for finding in cavity.findings)
        state = "warning" if cavity.findings else "answered"
        found.append(Mark(f"cavity:{key}", state, key.capitalize(), known, tip, cavity.click_lps_mm))
    found += [_drawn(name, structure) for name, structure in plan.drawn.items()]
    return found


def _canal(side: Side, canal: Canal) -> Mark:
    seen = float(np.mean(canal.certain))
    length = float(lengths_mm(canal.path_lps_mm)[-1])
    sigma, wide = float(np.mean(canal.sigma_mm)), float(np.mean(canal.diameter_mm))
    known = f"{100 * seen:.0f} % seen, ± {mm(1.96 * sigma)} mm"
    unseen = unseen_words(canal)
    tip = f"{mm(length, 0)} mm long, {mm(wide)} mm wide. "
    tip += f"Not seen {unseen}: joined up there, {LOOK}." if unseen else f"Traced: {LOOK} along its whole course."
    return Mark(
        f"canal:{side.value}",
        "warning" if unseen else "answered",
        f"Canal, {side.value}",
        known,
        tip,
        canal.path_lps_mm[_least_sure(canal)],
    )


def _least_sure(canal: Canal) -> int:
    """Give the place to look at first: the middle of the longest stretch that was not seen, else the middle."""
    runs = runs_of(~np.asarray(canal.certain))
    if not runs:
        return len(canal.path_lps_mm) // 2
    first, last = max(runs, key=lambda run: run[1] - run[0])
    return (first + last - 1) // 2


def unseen_words(canal: Canal) -> str:
    """Say where a canal was not seen, in mm from its front end; empty where all of it was."""
    along = lengths_mm(canal.path_lps_mm)
    parts = [
        f"{along[a]:.0f} to {along[min(b, len(along)) - 1]:.0f}" for a, b in runs_of(~np.asarray(canal.certain))
    ]
    return f"at {', '.join(parts)} mm from its front end" if parts else ""


def _foramen(side: str, foramen: Foramen) -> Mark:
    loop = foramen.loop
    known = "opening seen" if foramen.seen else f"not seen, {LOOK}"
    tip = "" if loop is None else loop.note
    if loop is not None:
        known += f", loop {mm(loop.length_mm)} mm" if loop.traced else ", loop not traced"
        tip += f" Keep {mm(loop.keep_away_mm)} mm in front of it free."
    state = "answered" if foramen.seen and (loop is None or loop.traced) else "warning"
    return Mark(f"foramen:{side}", state, f"Mental foramen, {side}", known, tip, foramen.point_lps_mm)


def _drawn(name: str, structure: DrawnStructure) -> Mark:
    if structure.is_tube:
        seen = float(np.mean(structure.certain))
        known = f"{mm(float(np.mean(structure.diameter_mm)))} mm wide, {100 * seen:.0f} % seen"
        state = "answered" if seen == 1.0 else "warning"
        place = structure.points_lps_mm[len(structure.points_lps_mm) // 2]
    else:
        assert structure.surface is not None
        known, state = f"wall ± {mm(1.96 * structure.wall_sigma_mm)} mm", "answered"
        place = structure.surface.points_mm.mean(axis=0)
    return Mark(
        f"drawn:{name}", state, name[:1].upper() + name[1:], known, structure.note or "drawn by hand", place
    )


class KeepOff(Block):
    """The list and its buttons."""

    question = "What must not be touched?"

    def build(self) -> None:
        """Make the widgets."""
        self.table = Table(["Structure", "How well it is known"], stretch=0, most_rows=9)
        self.table.setObjectName("marked")
        self.table.itemSelectionChanged.connect(self._show_chosen)
        self.table.cellDoubleClicked.connect(lambda *_: self._go())
        self.fold.add(self.table)
        self.note = label("", "note")
        self.fold.add(self.note)
        self.go = button("Look at it", self._go, "Go to the place that is known least", name="mark-go")
        self.change = button("Change", self._change, "Take its points in hand", name="mark-change")
        self.remove = button("Remove", self._remove, name="mark-remove")
        self.chosen_row = Row(self.go, self.change, self.remove)
        self.fold.add(self.chosen_row)
        self.mark = {
            side: button(f"Mark {side.value} canal", lambda side=side: self._mark(side), name=f"canal-{side.value}")
            for side in (Side.RIGHT, Side.LEFT)
        }
        self.more = QPushButton("More …")
        self.more.setObjectName("mark-more")
        self.more.setToolTip("Foramen, sinus, nose, airway, vessels, lesions and whatever else stands in the way")
        self.menu = QMenu(self.more)
        self.more.setMenu(self.menu)
        self.canal_row = Row(*self.mark.values(), self.more)
        self.fold.add(self.canal_row)
        self._build_by_hand()
        self._marks: list[Mark] = []
        self._fill_menu()

    def _build_by_hand(self) -> None:
        by_hand = Fold("If it cannot be followed, or is drawn by hand", "by-hand")
        self.fold.add(by_hand)
        self.follow = QCheckBox("Follow a canal between the clicks")
        self.follow.setChecked(True)
        self.follow.setToolTip("Off: the clicks are only joined up, with the diameter given here")
        by_hand.add(self.follow)
        self.diameter = length_box(0.5, 8.0, 0.1, DEFAULT_DIAMETER_MM, "diameter")
        by_hand.add(Row(label("Diameter of what is joined up", "note", wrap=False), self.diameter))
        self.kind = combo("drawn-kind")
        for kind in DrawnKind:
            self.kind.addItem(kind.value[:1].upper() + kind.value[1:], kind)
        self.draw = button("Draw it", self._draw_chosen, name="draw-structure")
        by_hand.add(Row(self.kind, self.draw, stretch=0))

    def _fill_menu(self) -> None:
        marks = self.actions.marks
        self.lower_only = []
        for side in (Side.RIGHT, Side.LEFT):
            self._entry(
                f"Mental foramen, {side.value}: one click", lambda side=side: marks.mark_foramen(side), True
            )
        self._entry("Incisive canal: follow it", lambda: self._draw(DrawnKind.INCISIVE_CANAL))
        self._entry("Vessel of the floor of the mouth", lambda: self._draw(DrawnKind.FLOOR_VESSEL), True)
        for side in (Side.RIGHT, Side.LEFT):
            words = f"Hollow on the tongue side, {side.value}, as measured"
            self._entry(words, lambda side=side: marks.take_hollow(side), True)
        self.menu.addSeparator()
        for kind, words in (
            (CavityKind.SINUS, "Sinus: one click in its dark"),
            (CavityKind.NASAL, "Floor of the nose: one click in its dark"),
            (CavityKind.AIRWAY, "Airway: one click in its dark"),
        ):
            self._entry(words, lambda kind=kind: marks.mark_space(kind))
        self._entry("Artery of the sinus wall", lambda: self._draw(DrawnKind.SINUS_ARTERY))
        self.menu.addSeparator()
        for kind, words in (
            (DrawnKind.LESION, "Lesion: outline it"),
            (DrawnKind.IMPACTED_TOOTH, "Impacted tooth: outline it"),
            (DrawnKind.EXISTING_FIXTURE, "Existing fixture: platform and apex"),
            (DrawnKind.OTHER, "Anything else: outline it"),
        ):
            self._entry(words, lambda kind=kind: self._draw(kind))

    def _entry(self, words: str, run: Callable[[], object], lower_only: bool = False) -> None:
        action = self.menu.addAction(words)
        action.triggered.connect(lambda _=False: self.guarded(run))
        if lower_only:
            self.lower_only.append(action)

    # ------------------------------------------------------------ what the buttons do

    def _mark(self, side: Side) -> None:
        diameter = None if self.follow.isChecked() else self.diameter.value()
        self.guarded(self.actions.anatomy.mark_canal, side, diameter)

    def _draw(self, kind: DrawnKind) -> None:
        from app.actions.anatomy_marks import USUAL_DIAMETER_MM

        self.actions.marks.draw_structure(kind, diameter_mm=USUAL_DIAMETER_MM.get(kind, DEFAULT_DIAMETER_MM))

    def _draw_chosen(self) -> None:
        self.guarded(
            lambda: self.actions.marks.draw_structure(
                DrawnKind(self.kind.currentData()), diameter_mm=self.diameter.value()
            )
        )

    def _chosen(self) -> Mark | None:
        row = self.table.currentRow()
        return self._marks[row] if 0 <= row < len(self._marks) else None

    def _go(self) -> None:
        mark = self._chosen()
        if mark is not None and mark.place_lps_mm is not None:
            self.workspace.view.select("")
            self.workspace.go_to_point(mark.place_lps_mm)

    def _change(self) -> None:
        mark = self._chosen()
        if mark is None:
            return
        kind, _, name = mark.key.partition(":")
        if kind == "canal":
            diameter = None if self.follow.isChecked() else self.diameter.value()
            self.guarded(self.actions.anatomy.change_canal, Side(name), diameter)
        elif kind == "foramen":
            self.guarded(self.actions.marks.mark_foramen, Side(name))
        elif kind == "cavity":
            self.guarded(self.actions.marks.mark_space, self.plan.cavities[name].kind)
        elif kind == "drawn":
            structure = self.plan.drawn[name]
            wide = float(np.mean(structure.diameter_mm)) if structure.is_tube else DEFAULT_DIAMETER_MM
            self.guarded(self.actions.marks.draw_structure, structure.kind, name, wide)

    def _remove(self) -> None:
        mark = self._chosen()
        if mark is not None:
            self.guarded(self.actions.marks.remove_mark, mark.key)

    def _show_chosen(self) -> None:
        mark = self._chosen()
        there = mark is not None and mark.place_lps_mm is not None
        self.chosen_row.setVisible(there)
        self.note.setText(mark.tip if mark is not None and mark.tip else "")
        self.note.setVisible(bool(self.note.text()))

    # ------------------------------------------------------------ up to date

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.plan
        self._marks = marks_of(plan)
        theme = self.workspace.theme
        self.table.show_rows(
            [[mark.name, mark.known] for mark in self._marks],
            [state_icon(mark.state, theme) for mark in self._marks],
            [mark.tip for mark in self._marks],
        )
        self.table.setVisible(bool(self._marks))
        lower, has_scan = plan.jaw is Jaw.LOWER, plan.scan is not None
        for side, push in self.mark.items():
            push.setVisible(lower)
            push.setEnabled(has_scan)
            push.setText(f"Mark {side.value} canal" if plan.canal_of(side) is None else f"{side.value} canal anew")
            push.setText(push.text()[:1].upper() + push.text()[1:])
        for action in self.lower_only:
            action.setVisible(lower)
        self.more.setEnabled(has_scan)
        self.draw.setEnabled(has_scan)
        self.fold.explain(self._answer())
        self._show_chosen()

    def _answer(self) -> str:
        there = [mark for mark in self._marks if mark.place_lps_mm is not None]
        doubtful = [mark.name.lower() for mark in there if mark.state == "warning"]
        if not there:
            return "Nothing is marked yet."
        if doubtful:
            return f"{len(there)} marked. Look at: {', '.join(doubtful)}."
        return f"{len(there)} marked, each seen. Check every traced course by eye: a hollow beside it can deceive."
