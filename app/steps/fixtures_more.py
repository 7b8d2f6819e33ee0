"""Seldom used: the screw joint as information, and the clinic's own lists and templates."""

from __future__ import annotations

from PySide6.QtWidgets import QSpinBox

from app.steps.fixtures_fold import Block
from app.steps.fixtures_hand import number_box
from app.steps.parts import Lines, Row, button, combo, label
from planner_core.errors import PlannerError
from planner_core.planning.lists import KINDS, columns_of
from planner_core.planning.screw_joint import (
    CAUTION,
    NO_LOCK_NOTE,
    REUSE_LOSS,
    after_reuse_n,
    tighten,
    torque_left,
)

FRICTIONS = {"uncoated titanium": 0.44, "coated": 0.33}
"""Friction by screw: coated 0.33 (Wentaschek 2023, S); uncoated as the coated one after ten tightenings, 0.44 (our
choice, for want of a published value)."""


class ScrewBlock(Block):
    """Torque and preload of an abutment screw: information with its source, no advice."""

    def build(self) -> None:
        """Make the widgets."""
        self.torque = number_box("screw-torque", " N·cm", 1.0, "Tightening torque", 5.0, 60.0)
        self.torque.setDecimals(0)
        self.torque.setValue(25.0)
        self.screw = combo("screw-kind")
        for kind in REUSE_LOSS:
            self.screw.addItem(kind, kind)
        self.screw.setCurrentIndex(1)
        self.times = QSpinBox()
        self.times.setObjectName("screw-times")
        self.times.setRange(1, 20)
        self.times.setPrefix("tightened ")
        self.times.setSuffix(" x")
        self.torque.valueChanged.connect(lambda _: self.refresh())
        self.times.valueChanged.connect(lambda _: self.refresh())
        self.screw.activated.connect(lambda _: self.refresh())
        self.add(Row(self.torque, self.screw, self.times, stretch=1))
        self.lines = Lines()
        self.add(self.lines)

    def refresh(self) -> None:
        """Bring them up to date."""
        kind = str(self.screw.currentData())
        joint = tighten(10.0 * self.torque.value(), FRICTIONS[kind])
        again = after_reuse_n(joint.preload_n, kind, self.times.value())
        self.say("" if not self.is_open else f"about {again:.0f} N")
        if not self.is_open:
            return
        times = f"{self.times.value()} tightening{'s' if self.times.value() > 1 else ''}"
        lines = [
            (
                "note",
                f"{self.torque.value():.0f} N·cm press the joint with about {joint.preload_n:.0f} N; "
                f"{100 * joint.stretching_share:.0f} % of the torque stretch the screw, friction takes the rest "
                "(Burguete 1994; Wentaschek 2023).",
            ),
            (
                "note",
                f"After {times} about {again:.0f} N; ten cost "
                f"{100 * REUSE_LOSS[kind]:.0f} % "
                f"with a screw of this kind ({kind}; Wentaschek 2017, 2023).",
            ),
        ]
        angle = max((a.abutment.angle_deg for a in self.plan.abutments.values()), default=0.0)
        try:
            first, later = torque_left(angle)
            lines.append(
                (
                    "note",
                    f"On an abutment of {angle:.0f}°, {100 * first:.0f} % of the torque are left at first and "
                    f"{100 * later:.0f} % after 100,000 loads of 130 N (Int J Implant Dent 2018).",
                )
            )
        except PlannerError as fault:
            lines.append(("note", fault.message))
        lines += [("warning", NO_LOCK_NOTE), ("warning", CAUTION)]
        self.lines.show_lines(lines, self.workspace.theme)


class PartsBlock(Block):
    """Own lists and templates, with what could not be read, line by line."""

    def build(self) -> None:
        """Make the widgets."""
        self.add(
            Row(
                button(
                    "Open list or template …",
                    self._open,
                    "CSV list of parts, or a DICOM implant template",
                    name="open-list",
                ),
                button(
                    "Save as template …",
                    self._save,
                    "The shape of the fixture in hand, as a DICOM implant template",
                ),
            )
        )
        self.lines = Lines()
        self.add(self.lines)
        self.add(label(list_format(), "note"))

    def refresh(self) -> None:
        """Bring them up to date."""
        parts = self.do.parts
        own = sum(not shape.generic for shape in parts.catalogue.fixtures.values())
        self.say(f"{own} own fixtures" if own else "generic only")
        if self.is_open:
            self.lines.show_lines(parts.report, self.workspace.theme, "Nothing has been opened yet.")

    def _open(self) -> None:
        self.guarded(self.panel.open_list)

    def _save(self) -> None:
        self.guarded(self.do.parts.save_template, self.panel.case.dialogs)


def list_format() -> str:
    """Say how an own list is written."""
    lines = ["A list is a CSV file of one kind: comma or semicolon, sizes in mm, a header with these columns."]
    for kind in KINDS:
        needed, more = columns_of(kind)
        also = f"; if wanted {', '.join(more)}" if more else ""
        lines.append(f"{kind.capitalize()}: {', '.join(needed)}{also}.")
    lines.append(
        "length_mm is the true length from platform to apex. A template is a DICOM Generic Implant Template."
    )
    return "\n".join(lines)
