"""The road by the surface of the teeth, and its combination with markers."""

from __future__ import annotations

from app import drawn
from app.steps.panel_block import PanelBlock
from app.steps.parts import Row, button, label


class SurfaceBlock(PanelBlock):
    """Start by itself, three clicks where that fails, a brush for what may carry the match."""

    def build(self) -> None:
        """Make the widgets."""
        self.run = button(
            "Match by surface", lambda: self.guarded(self.do.match.surface.match), main=True, name="match-surface"
        )
        self.clicks = button(
            "Start by three clicks",
            lambda: self.guarded(self.do.match.surface.start_by_clicks),
            "When the surface was laid onto a wrong place",
            name="three-clicks",
        )
        self.region = label("", "note")
        self.inside = button("Paint in", lambda: self.guarded(self.do.match.surface.paint, True), name="paint-in")
        self.outside = button(
            "Paint out", lambda: self.guarded(self.do.match.surface.paint, False), name="paint-out"
        )
        self.clear = button("Clear", lambda: self.guarded(self.do.match.surface.clear_paint), name="paint-clear")
        self.add(
            label("The place is searched for; streaked places count for less, as the scan check has them.", "note")
        )
        self.add(Row(self.run, self.clicks))
        self.add(self.region)
        self.add(Row(self.inside, self.outside, self.clear))

    def refresh(self) -> None:
        """Bring them up to date."""
        plan, surface = self.plan, drawn.first_surface(self.workspace)
        ready = plan.scan is not None and surface is not None
        for widget in (self.run, self.clicks, self.inside, self.outside):
            widget.setEnabled(ready)
        region = None if surface is None else plan.regions.get(surface.surface_id)
        self.clear.setEnabled(region is not None)
        if region is None:
            self.region.setText("The whole surface may carry the match. Paint on it in 3D to change that.")
        else:
            share = 100.0 * float(region.usable.mean())
            self.region.setText(f"As painted, {share:.0f} % of the surface may carry the match.")


class CombinedBlock(PanelBlock):
    """Markers and surface in one estimate, each weighted by its information."""

    def build(self) -> None:
        """Make the widgets."""
        self.run = button(
            "Match by markers and surface",
            lambda: self.guarded(self.do.match.surface.combine),
            main=True,
            name="match-combined",
        )
        self.add(
            label(
                "Markers and surface are weighted by what each knows, direction by direction. Markers and painted"
                " regions are those of the two roads above; where the two disagree, you are told.",
                "note",
            )
        )
        self.add(Row(self.run))

    def refresh(self) -> None:
        """Bring them up to date."""
        self.run.setEnabled(self.plan.scan is not None and drawn.first_surface(self.workspace) is not None)
