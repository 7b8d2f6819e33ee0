"""The panel of Anatomy: what is in the way."""

from __future__ import annotations

import numpy as np
from PySide6.QtWidgets import QCheckBox, QDoubleSpinBox

from app.steps.panel import StepPanel
from app.steps.parts import Facts, Lines, Row, button, label
from app.view_state import Step
from app.words import mm
from planner_core.anatomy.canal import DEFAULT_DIAMETER_MM
from planner_core.anatomy.structures import Jaw, Side
from planner_core.case.staleness import stale_parts
from planner_core.geometry.polyline import lengths_mm


class AnatomyPanel(StepPanel):
    """Arch, canals and bone."""

    step = Step.ANATOMY
    title = "Anatomy"
    question = "What is in the way of the drill?"

    def build(self) -> None:
        """Make the widgets."""
        arch = self.section("Arch")
        self.arch_facts = Facts()
        arch.add(self.arch_facts)
        self.draw = button("Draw the arch", lambda: self.guarded(self.actions_.anatomy.draw_arch), name="draw-arch")
        self.propose = button(
            "Propose the arch",
            lambda: self.guarded(self.actions_.anatomy.propose_arch),
            main=True,
            name="propose-arch",
        )
        arch.add(Row(self.propose, self.draw))
        canal = self.section("Mandibular canal")
        self.canal_facts = Facts()
        canal.add(self.canal_facts)
        self.diameter = QDoubleSpinBox()
        self.diameter.setRange(1.0, 6.0)
        self.diameter.setSingleStep(0.1)
        self.diameter.setValue(DEFAULT_DIAMETER_MM)
        self.diameter.setSuffix(" mm")
        self.follow = QCheckBox("Follow the canal between the clicks")
        self.follow.setChecked(True)
        self.follow.setToolTip("Off: the clicks are only joined up, with the diameter given here")
        self.follow.toggled.connect(lambda on: self.diameter.setEnabled(not on))
        self.diameter.setEnabled(False)
        canal.add(self.follow)
        canal.add(Row(label("else with a diameter of", "note", wrap=False), self.diameter))
        self.mark = {}
        self.remove = {}
        for side in (Side.RIGHT, Side.LEFT):
            self.mark[side] = button(
                f"Mark {side.value}", lambda side=side: self._mark(side), name=f"canal-{side.value}"
            )
            self.remove[side] = button(
                f"Remove {side.value}", lambda side=side: self.guarded(self.actions_.anatomy.remove_canal, side)
            )
            canal.add(Row(self.mark[side], self.remove[side]))
        canal.add(
            label(
                "Where a canal is not seen its course is only joined up: drawn dashed, counted as less certain. "
                "Check the whole course by eye: a hollow beside it can be taken for the canal.",
                "note",
            )
        )
        bone = self.section("Bone surface")
        self.bone_facts = Facts()
        bone.add(self.bone_facts)
        self.bone = button(
            "Draw the bone surface", lambda: self.guarded(self.actions_.anatomy.make_bone), name="make-bone"
        )
        bone.add(Row(self.bone))
        ridge = self.section("Ridge at this station")
        self.ridge = Facts()
        ridge.add(self.ridge)
        stale = self.section("To be looked at again")
        self.stale = Lines()
        stale.add(self.stale)
        self.stale_section = stale
        self.workspace.view.moved.connect(self._on_moved)

    def _on_moved(self) -> None:
        if self.isVisible():
            self._show_ridge()

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.workspace.plan
        has_scan = plan.scan is not None
        self.draw.setEnabled(has_scan)
        self.propose.setEnabled(has_scan)
        self.draw.setText("Draw the arch" if plan.arch is None else "Change the arch")
        self.bone.setEnabled(has_scan)
        self.bone.setText("Draw the bone surface" if plan.bone is None else "Draw the bone surface again")
        if plan.arch is None:
            self.arch_facts.show_facts([("Arch", "not drawn yet: stations and strip need it")])
        else:
            stations = plan.arch.stations_mm
            self.arch_facts.show_facts(
                [
                    ("Length", f"{mm(float(stations[-1] - stations[0]))} mm"),
                    ("Stations", f"{mm(float(stations[0]))} (right) to {mm(float(stations[-1]))} mm (left)"),
                    ("Points", f"{len(plan.arch.control_lps_mm)}"),
                ]
            )
        lower = plan.jaw is Jaw.LOWER
        facts = []
        for side in (Side.RIGHT, Side.LEFT):
            canal = plan.canal_of(side)
            self.mark[side].setEnabled(has_scan and lower)
            self.mark[side].setText(f"Mark {side.value}" if canal is None else f"Mark {side.value} again")
            self.remove[side].setEnabled(canal is not None)
            facts.append((f"The patient's {side.value}", "not marked" if canal is None else _canal_words(canal)))
        self.canal_facts.show_facts(
            facts if lower else [("Canal", "belongs to the lower jaw; this case plans the upper")]
        )
        if plan.bone is None:
            self.bone_facts.show_facts([("Surface", "not drawn yet")])
        else:
            found = plan.bone.bone
            self.bone_facts.show_facts(
                [
                    ("Triangles", f"{len(found.surface.triangles)}"),
                    ("Uncertainty", f"{mm(found.sigma_mm, 2)} mm along its normal (standard deviation)"),
                ]
            )
        self._show_ridge()
        lines = [("stale", f"{part.text} {part.remedy}") for part in stale_parts(plan)]
        self.stale_section.setVisible(bool(lines))
        self.stale.show_lines(lines, self.workspace.theme)

    def _show_ridge(self) -> None:
        tracks = self.workspace.numbers.tracks
        if self.workspace.plan.arch is None or tracks is None:
            self.ridge.show_facts([("Ridge", "needs the arch")])
            return
        station = self.workspace.view.station_mm
        k = int(np.argmin(np.abs(tracks.stations_mm - station)))
        width, height = float(tracks.width_mm[k]), float(tracks.height_mm[k])
        self.ridge.show_facts(
            [
                ("Station", f"{mm(float(tracks.stations_mm[k]))} mm"),
                ("Width 1 mm below crest", f"{mm(width)} mm" if np.isfinite(width) else "not measurable here"),
                ("Height", f"{mm(height)} mm" if np.isfinite(height) else "not measurable here"),
                ("Scatter level", f"{mm(float(tracks.scatter[k]), 2)} of 1"),
            ]
        )

    def _mark(self, side: Side) -> None:
        self.guarded(
            self.actions_.anatomy.mark_canal, side, None if self.follow.isChecked() else self.diameter.value()
        )


def _canal_words(canal: object) -> str:
    length = float(lengths_mm(canal.path_lps_mm)[-1])  # type: ignore[attr-defined]
    seen = 100.0 * float(np.mean(canal.certain))  # type: ignore[attr-defined]
    sigma = float(np.mean(canal.sigma_mm))  # type: ignore[attr-defined]
    diameter = float(np.mean(canal.diameter_mm))  # type: ignore[attr-defined]
    return f"{mm(length, 0)} mm long, {mm(diameter)} mm wide, {seen:.0f} % seen, ± {mm(sigma, 2)} mm per axis"
