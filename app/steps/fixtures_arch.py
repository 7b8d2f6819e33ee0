"""The full arch: spread, common path, space for the prosthesis, bone to be taken off, lip line."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve
from PySide6.QtCore import QRectF, QSignalBlocker
from PySide6.QtGui import QColor, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from app.steps.fixtures_fold import Block
from app.steps.fixtures_hand import number_box
from app.steps.parts import Facts, Lines, Row, Table, button, combo, label, state_icon
from app.theme import FONT_SMALL_PX
from app.words import mm, site_label
from planner_core.case import derived
from planner_core.errors import PlannerError
from planner_core.planning.abutments import correct, residual_deg
from planner_core.planning.arch_design import lip_cover
from planner_core.planning.emergence import screw_exit
from planner_core.planning.full_arch import (
    ABUTMENT_LIMIT_DEG,
    CANTILEVER_CAUTION,
    SPACE_NEEDED_MM,
    common_path,
    divergences_deg,
    space_over,
    spread_of,
)

SHADES = 5
"""Steps of the height map: one hue, told apart by lightness and their numbers (our choice)."""


class HeightMap(QWidget):
    """Bone taken off by station and place across the ridge, one hue in steps, with numbers."""

    def __init__(self) -> None:
        super().__init__()
        self.taken: Any = None
        self.colour = "#56B4E9"
        self.ground, self.text = "#101317", "#e4e8ed"
        self.setMinimumHeight(96)
        self.setAccessibleName("Height of the bone to be taken off along the arch")

    def show_taken(self, taken: Any, theme: Any) -> None:
        """Show a reduction."""
        self.taken, self.colour, self.ground, self.text = taken, theme.accent, theme.field, theme.text
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the map: the patient's right on the left, outwards below."""
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self.ground))
        font = painter.font()
        font.setPixelSize(FONT_SMALL_PX)
        painter.setFont(font)
        painter.setPen(QColor(self.text))
        if self.taken is None or not np.isfinite(self.taken.height_map_mm).any():
            painter.drawText(self.rect(), 0x84, "nothing is taken off")
            painter.end()
            return
        heights = self.taken.height_map_mm
        used = np.flatnonzero(np.isfinite(heights).any(axis=0))
        heights = heights[:, max(0, used[0] - 1) : used[-1] + 2]
        top = float(np.nanmax(heights))
        rows, columns = heights.shape
        left, width, tall = 26.0, self.width() - 34.0, self.height() - 34.0
        dx, dy = width / rows, tall / columns
        shade = QColor(self.colour)
        for r in range(rows):
            for c in range(columns):
                value = heights[r, c]
                if np.isfinite(value):
                    step = min(int(SHADES * value / max(top, 1e-6)), SHADES - 1)
                    shade.setAlphaF(0.25 + 0.75 * (step + 1) / SHADES)
                    painter.fillRect(QRectF(left + r * dx, 4 + c * dy, dx + 0.5, dy + 0.5), shade)
        painter.drawText(QRectF(4, 4, 20, tall), 0x84, "R")
        painter.drawText(QRectF(self.width() - 12, 4, 12, tall), 0x84, "L")
        highest = int(np.nanargmax(np.where(np.isfinite(heights), heights, -1).max(axis=1)))
        at = self.taken.stations_mm[highest]
        steps = ", ".join(f"{top * (k + 1) / SHADES:.1f}" for k in range(SHADES))
        painter.drawText(
            QRectF(4, self.height() - 28, self.width() - 8, 26),
            0x1004,
            f"light to dark: up to {steps} mm; most at station {at:.0f} mm",
        )
        painter.end()


class ArchBlock(Block):
    """What counts for all fixtures together."""

    def build(self) -> None:
        """Make the widgets."""
        self.prosthesis = combo("prosthesis")
        self.prosthesis.addItem("not chosen", "")
        for kind in SPACE_NEEDED_MM:
            self.prosthesis.addItem(kind, kind)
        self.prosthesis.activated.connect(self._on_prosthesis)
        self.add(Row(label("Prosthesis", "note", wrap=False), self.prosthesis, stretch=1))
        self.facts = Facts()
        self.add(self.facts)
        self.table = Table(["Site", "To path", "Remains", "Space", "Exit"], stretch=0, most_rows=8)
        self.add(self.table)
        self.take = button(
            "Take these abutments", self._take, "Put on each fixture the abutment nearest to the common path",
            name="take-abutments",
        )  # fmt: skip
        self.add(self.take)
        self.cut = number_box("cut-depth", " mm", 0.5, "Distance of the cut from the occlusal plane", 0.0, 40.0)
        self.plan_cut = button(
            "Plan the cut", self._cut, "Bone above this level is to be taken off", name="plan-cut"
        )
        self.no_cut = button("Take back", self._no_cut, name="no-cut")
        self.add(Row(label("Cut at", "note", wrap=False), self.cut, self.plan_cut, self.no_cut, stretch=1))
        self.map = HeightMap()
        self.add(self.map)
        self.taken = Facts()
        self.add(self.taken)
        self.lip = number_box(
            "lip-height", " mm", 0.5, "Lip at full smile, from the occlusal plane to this jaw", 0.0, 40.0
        )
        self.lip.setSpecialValueText("not known")
        self.lip.valueChanged.connect(self._on_lip)
        self.draw_lip = button(
            "Draw it", self._draw_lip, "Click the lip's edge at full smile in a section", name="draw-lip"
        )
        self.add(Row(label("Lip at smile", "note", wrap=False), self.lip, self.draw_lip, stretch=1))
        self.lines = Lines()
        self.add(self.lines)

    def refresh(self) -> None:
        """Bring them up to date."""
        fixtures = self.plan.fixtures
        self.setVisible(len(fixtures) >= 2 or self.is_open)
        self.say("" if len(fixtures) < 3 or self.plan.arch is None else self._summary())
        if not self.is_open:
            return
        design = self.plan.design
        self.prosthesis.setCurrentIndex(max(0, self.prosthesis.findData(design.prosthesis)))
        self._show_facts()
        self._show_table()
        self._show_cut()
        self._show_lip()

    def _forward(self) -> Any:
        arch = self.plan.arch
        return arch.outward_at(0.0) if arch is not None else np.array([0.0, -1.0, 0.0])

    def _summary(self) -> str:
        spread = spread_of(tuple(self.plan.fixtures.values()), self._forward())
        worst = max(self._residuals().values(), default=0.0)
        return f"spread {mm(spread.spread_mm)} mm, path within {worst:.0f}°"

    def _path(self) -> Any:
        return common_path(self.plan.fixtures)

    def _residuals(self) -> dict[str, float]:
        path = self._path()
        return {s: residual_deg(f, self.plan.abutments.get(s), path) for s, f in self.plan.fixtures.items()}

    def _show_facts(self) -> None:
        fixtures = self.plan.fixtures
        facts = []
        if len(fixtures) >= 3:
            spread = spread_of(tuple(fixtures.values()), self._forward())
            cap = ", the cap" if spread.capped else ""
            facts.append(("Spread", f"{mm(spread.spread_mm)} mm from front to rear fixtures"))
            facts.append(("Cantilever", f"at most {mm(spread.cantilever_mm)} mm{cap}. {CANTILEVER_CAUTION}"))
        else:
            facts.append(("Spread", "needs three fixtures"))
        if len(fixtures) >= 2:
            pairs = divergences_deg(fixtures)
            (a, b), most = max(pairs.items(), key=lambda item: item[1])
            facts.append(("Divergence", f"{most:.1f}° at most, between {self._label(a)} and {self._label(b)}"))
        plane = derived.occlusal_plane_of(self.plan)
        if plane is not None:
            facts.append(("Occlusal plane", plane.source))
        self.facts.show_facts(facts)

    def _label(self, site: str) -> str:
        return site_label(site, self.workspace.settings.notation)

    def _show_table(self) -> None:
        fixtures, plan = self.plan.fixtures, self.plan
        self.table.setVisible(bool(fixtures))
        self.take.setEnabled(len(fixtures) >= 2)
        if not fixtures:
            return
        spaces = {}
        plane = derived.occlusal_plane_of(plan)
        kind = plan.design.prosthesis
        if plane is not None:
            any_kind = kind or next(iter(SPACE_NEEDED_MM))
            found = space_over(fixtures, plane.point_lps_mm, plane.normal_lps, any_kind)
            spaces = {space.site: space for space in found}
        left = self._residuals()
        bare = {c.site: c.divergence_deg for c in correct(fixtures, self._path(), self._abutments())}
        rows, icons, tips = [], [], []
        for site, fixture in fixtures.items():
            chosen, space = plan.abutments.get(site), spaces.get(site)
            fits = left[site] <= ABUTMENT_LIMIT_DEG and (space is None or not kind or space.lacking_mm == 0.0)
            words, tip = self._exit(site, fixture)
            rows.append(
                (
                    f"{self._label(site)}: {_abutment_words(chosen)}",
                    f"{bare[site]:.0f}°",
                    f"{left[site]:.0f}°",
                    "–" if space is None else mm(space.available_mm),
                    words,
                )
            )
            icons.append(state_icon("clear" if fits else "inside margin", self.workspace.theme))
            lacking = (
                "" if space is None or not kind else f"{kind}: {space.needed_mm:g} to {space.usual_mm:g} mm needed"
            )
            tips.append("\n".join(t for t in (lacking, tip) if t))
        self.table.show_rows(rows, icons, tips, icon_column=0)

    def _exit(self, site: str, fixture: Any) -> tuple[str, str]:
        crown = derived.crown_at(self.plan, site)
        if crown is None:
            return "–", ""
        try:
            found = screw_exit(fixture, crown, self.plan.abutments.get(site))
        except PlannerError as fault:
            return "–", fault.message
        return ("inside" if found.inside else "off"), found.text

    def _abutments(self) -> list[Any]:
        return list(self.do.catalogue.abutments.values())

    def _take(self) -> None:
        self.guarded(self.do.arch.take_abutments)

    def _on_prosthesis(self) -> None:
        kind = str(self.prosthesis.currentData())
        self.guarded(self.do.arch.set_design, evolve(self.plan.design, prosthesis=kind))

    # ------------------------------------------------------------ bone

    def _needed(self) -> float:
        return SPACE_NEEDED_MM.get(self.plan.design.prosthesis, (0.0, 0.0))[0]

    def _show_cut(self) -> None:
        plan = self.plan
        plane = derived.occlusal_plane_of(plan)
        cut = plan.bone_cut
        ready = plane is not None and plan.bone is not None
        self.plan_cut.setEnabled(ready)
        self.no_cut.setEnabled(cut is not None)
        if not self.cut.hasFocus() and plane is not None:
            away = self._needed()
            if cut is not None:
                away = float((plane.point_lps_mm - cut.point_lps_mm) @ plane.normal_lps)
            with QSignalBlocker(self.cut):
                self.cut.setValue(away or 10.0)
        taken = self.do.arch.taken_of(plan)
        self.map.setVisible(taken is not None and float(taken.reduction.taken_mm.max()) > 0.0)
        self.taken.setVisible(taken is not None)
        if cut is not None and taken is None and ready:
            self.do.arch.measure(lambda: self.panel.refresh())
        if taken is not None:
            self.map.show_taken(taken.reduction, self.workspace.theme)
            self.taken.show_facts(_taken_facts(taken))

    def _cut(self) -> None:
        self.guarded(self.do.arch.plan_cut, self.cut.value())

    def _no_cut(self) -> None:
        self.guarded(self.do.arch.drop_cut)

    # ------------------------------------------------------------ lip

    def _show_lip(self) -> None:
        design = self.plan.design
        if not self.lip.hasFocus():
            with QSignalBlocker(self.lip):
                self.lip.setValue(design.lip_height_mm or 0.0)
        plane, lines = derived.occlusal_plane_of(self.plan), []
        if plane is not None and design.has_lip:
            cover = lip_cover(design, plane, self._crest())
            if cover is not None:
                lines.append(("clear" if cover.hidden else "warning", cover.text))
        kind = design.prosthesis
        if kind and plane is not None and self.plan.fixtures:
            for space in space_over(self.plan.fixtures, plane.point_lps_mm, plane.normal_lps, kind):
                if space.lacking_mm > 0:
                    lines.append(
                        (
                            "warning",
                            f"{self._label(space.site)}: {mm(space.lacking_mm)} mm of space lacking for {kind}.",
                        )
                    )
        self.lines.show_lines(lines, self.workspace.theme)

    def _crest(self) -> Any:
        taken = self.do.arch.taken_of(self.plan)
        platforms = np.array([f.pose.platform_lps_mm for f in self.plan.fixtures.values()])
        if taken is None:
            return platforms
        front = np.abs(taken.reduction.stations_mm) <= 25.0
        return np.vstack([platforms, taken.reduction.new_crest_lps_mm[front]])

    def _on_lip(self, value: float) -> None:
        self.guarded(self.do.arch.set_design, evolve(self.plan.design, lip_height_mm=value or None))

    def _draw_lip(self) -> None:
        self.guarded(self.do.arch.draw_lip)


def _taken_facts(taken: Any) -> list[tuple[str, str]]:
    reduction = taken.reduction
    facts = [
        ("Taken off", f"{reduction.volume_mm3 / 1000.0:.1f} cm³, {mm(float(reduction.taken_mm.max()))} mm at most"),
    ]
    some = [
        k for k, s in enumerate(reduction.stations_mm) if round(float(s)) % 5 == 0 and reduction.taken_mm[k] > 0
    ]
    per = ", ".join(f"{reduction.stations_mm[k]:+.0f}: {mm(float(reduction.taken_mm[k]))}" for k in some)
    first, last = reduction.stations_mm[[0, -1]]
    facts.append(("Stations", f"{first:+.0f} to {last:+.0f} mm. Station: mm taken off: {per or 'nothing'}"))
    for limit, words in (("canal", "Above the canal"), ("sinus floor", "Below the sinus")):
        heights = [r for r in taken.remaining if r.limit == limit]
        if heights:
            least = min(heights, key=lambda r: r.height_mm)
            facts.append((words, f"{mm(least.height_mm)} mm remain at least, at station {least.station_mm:.0f} mm"))
    return facts


def _abutment_words(chosen: Any) -> str:
    if chosen is None:
        return "no abutment"
    angle = chosen.abutment.angle_deg
    return f"{f'{angle:g}°' if angle else 'straight'}, {chosen.abutment.height_mm:g} mm"
