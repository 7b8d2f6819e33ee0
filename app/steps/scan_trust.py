"""Can this scan be trusted: at each planned site bone, canal, roots and teeth; the slices in words."""

from __future__ import annotations

from app.steps.panel_block import PanelBlock
from app.steps.parts import Lines, Table, label, state_icon
from app.words import mm, site_label, site_words, slice_ranges
from planner_core.case.derived.site_readings import PARTS, PartReading, known_site_readings

HEADS = ("Site", "Bone", "Canal", "Roots", "Teeth")
"""`PARTS` in a word each."""


class TrustBlock(PanelBlock):
    """The verdict for each site, and why not."""

    def build(self) -> None:
        """Make the widgets."""
        self.table = Table(list(HEADS), stretch=0, most_rows=8)
        self.table.setObjectName("site-readings")
        self.table.currentCellChanged.connect(self._go_to_site)
        self.reasons = Lines()
        self.ranges = label("")
        self.hatching = label("Hatched in every view: grey values and borders there are not to be trusted.", "note")
        for widget in (self.table, self.reasons, self.ranges, self.hatching):
            self.add(widget)

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, theme, check = self.plan, self.workspace.theme, self.workspace.numbers.scan_check
        self.table.setVisible(check is not None and bool(plan.fixtures))
        self.hatching.setVisible(check is not None and check.level_map is not None)
        if plan.scan is None or check is None:
            self.ranges.setText("–" if plan.scan is None else "The scan is being checked …")
            self.reasons.show_lines([], theme)
            return
        total = len(check.slice_scores)
        degraded = sum(b - a + 1 for a, b in check.degraded_slices)
        words = slice_ranges(check.degraded_slices)
        if degraded:
            self.ranges.setText(f"Slices {words} of {total} are degraded ({100 * degraded / total:.0f} %).")
        else:
            self.ranges.setText(f"None of the {total} slices is degraded as a whole.")
        readings = known_site_readings(plan)
        if not plan.fixtures:
            self.reasons.show_lines([], theme, "Place a fixture to have its site judged.")
            return
        if readings is None:
            self.do.scan.read_sites()
            self.reasons.show_lines([], theme, "The sites are being judged …")
            return
        notation = self.workspace.settings.notation
        self._sites = list(readings)
        self.table.show_rows(
            [(site_label(site, notation), *map(_word, parts)) for site, parts in readings.items()],
            [state_icon(_state(parts), theme) for parts in readings.values()],
            [f"{site_words(site)}: " + " ".join(_line(p) for p in parts) for site, parts in readings.items()],
        )
        lines = []
        for site, parts in readings.items():
            bad = [part for part in parts if part.readable is False]
            name = site_label(site, notation)
            if not bad:
                lines.append(("clear", f"{name}: readable."))
            for part in bad:
                lines.append(("warning", f"{name}, {part.part}: not readable. {part.why}"))
            lines += [("note", f"{name}: {part.why}") for part in parts if part.readable is None]
        self.reasons.show_lines(lines, theme)

    def _go_to_site(self, row: int, *_: int) -> None:
        sites = getattr(self, "_sites", [])
        if 0 <= row < len(sites) and sites[row] in self.plan.fixtures:
            fixture = self.plan.fixtures[sites[row]]
            self.workspace.view.select("")
            self.workspace.go_to_point(fixture.pose.at_depth(fixture.shape.length_mm / 2.0))


def _word(part: PartReading) -> str:
    return "–" if part.readable is None else ("yes" if part.readable else "no")


def _line(part: PartReading) -> str:
    if part.readable is None:
        return part.why
    return f"{part.part} {'readable' if part.readable else 'not readable'} (degradation {mm(part.level, 2)} of 1)."


def _state(parts: tuple[PartReading, ...]) -> str:
    return "warning" if any(part.readable is False for part in parts) else "clear"


assert len(HEADS) == len(PARTS) + 1
