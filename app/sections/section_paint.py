"""What a flat view paints over its picture, and in which words it is called."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from PySide6.QtGui import QBitmap, QRegion

from app import drawn
from app.picks import Gestures
from app.sections import anatomy_paint, crown_paint, marks, match_marks
from app.sections.pixels import mask_image
from app.sections.planes import letters, seen_from
from app.theme import OKABE_ORANGE, OKABE_VERMILLION
from app.view_state import ViewKind
from app.words import mm, site_label
from app.workspace import Workspace
from planner_core.anatomy.sections import SectionFrame
from planner_core.anatomy.structures import Jaw

TITLES = {ViewKind.ACROSS: "Cross-section", ViewKind.ALONG: "Along the arch", ViewKind.AXIAL: "Axial"}
OUTLINE_OPACITY = 0.75
HATCH_BLOCK_PX = 4
"""The hatched region is found on blocks of this size (our choice: finer than the hatching)."""
HATCH_FROM_LEVEL = 0.35
"""Places from this scatter level on are hatched: where the scan check calls a site unreadable."""
LIP_TO_MM = 20.0
"""Stations nearer to the midline look at the lip, the others at the cheek (our choice: about the canines)."""
SIDES_FROM = 0.7
"""The sides of the ridge are named while the picture is turned by less than about 45 degrees from them."""


class SectionPainter:
    """Paints the marks of one view; keeps what is dear to cut for as long as plane and body stay."""

    def __init__(self, workspace: Workspace, kind: ViewKind, gestures: Gestures) -> None:
        self._workspace = workspace
        self._kind = kind
        self._gestures = gestures
        self._cuts: dict[str, tuple[Any, SectionFrame, Any]] = {}

    def _kept(self, name: str, value: Any, frame: SectionFrame, make: Any) -> Any:
        found = self._cuts.get(name)
        if found is None or found[0] is not value or found[1] is not frame:
            found = (value, frame, make())
            self._cuts[name] = found
        return found[2]

    def paint_marks(self, work: marks.Brushwork, others: Sequence[SectionFrame]) -> None:
        """Paint everything but the captions; `others` are the planes of the other views."""
        workspace, frame, theme = self._workspace, work.frame, work.theme
        plan, layers = workspace.plan, workspace.view.layers
        if "degraded" in layers and workspace.numbers.scan_check is not None:
            region = self._kept(
                "degraded", workspace.numbers.scan_check, frame, lambda: self._degraded_region(frame)
            )
            marks.paint_hatch(work, region, theme.picture_text)
        for name, layer, mesh, colour in (
            ("bone", "bone", drawn.bone_mesh(workspace), theme.bone),
            ("surface", "surface", drawn.matched_surface_mesh(workspace), theme.surface),
        ):
            if mesh is not None and layer in layers:
                outline = self._kept(name, mesh, frame, lambda mesh=mesh, c=colour: marks.cut_image(mesh, frame, c))
                work.painter.setOpacity(OUTLINE_OPACITY)
                work.painter.drawImage(0, 0, outline)
                work.painter.setOpacity(1.0)
        if "canal" in layers:
            for side in plan.canals:
                marks.paint_canal(work, drawn.canal_shape(workspace, side))
        anatomy_paint.paint_anatomy(work, workspace)
        if self._kind is ViewKind.AXIAL and plan.arch is not None:
            marks.paint_curve(work, plan.arch.curve_lps_mm, theme.arch)
        if "places" in layers:
            for other in others:
                marks.paint_plane_line(work, other, theme.mark)
        crown_paint.paint_crowns(work, workspace)
        self._paint_fixtures(work)
        for pair in plan.pairs:
            marks.paint_pair(work, pair.lps_mm, pair.name, theme.pair)
        match_marks.paint_match(work, workspace)
        self._gestures_paint(work)

    def _gestures_paint(self, work: marks.Brushwork) -> None:
        paint = getattr(self._gestures, "paint", None)
        if paint is not None:
            paint(work, self._kind)

    def _paint_fixtures(self, work: marks.Brushwork) -> None:
        workspace = self._workspace
        layers, in_hand = workspace.view.layers, workspace.view.site
        for site, fixture in workspace.plan.fixtures.items():
            mesh = drawn.fixture_mesh(workspace, fixture)
            if site == in_hand and "envelope" in layers:
                envelope = drawn.envelope_mesh(workspace, fixture)
                if envelope is not None:
                    marks.paint_envelope(work, envelope)
            met = marks.paint_fixture(work, mesh, site == in_hand, fixture.locked)
            if site == in_hand and "plumb" in layers:
                marks.paint_plumb(
                    work, fixture.pose.platform_lps_mm, fixture.pose.axis_lps, fixture.shape.length_mm
                )
            x, y = work.place(fixture.pose.platform_lps_mm)[0][0].tolist()
            if met and site != in_hand and work.holds(x, y):
                label = site_label(site, workspace.settings.notation)
                marks.tag(work, label, x, y - 10, middle=True)
        if "whiskers" in layers and in_hand in workspace.plan.fixtures:
            self._paint_whiskers(work, in_hand)

    def _paint_whiskers(self, work: marks.Brushwork, site: str) -> None:
        colours = {"clear": work.theme.picture_text, "inside margin": OKABE_ORANGE, "touches": OKABE_VERMILLION}
        for row in self._workspace.numbers.rows:
            if row.site == site and (row.body == "fixture" or row.state.value != "clear"):
                colour = colours.get(row.state.value, work.theme.picture_text)
                text = f"{'' if row.body == 'fixture' else 'drill '}{mm(row.distance_mm)} mm"
                marks.paint_whisker(work, row.fixture_point_lps_mm, row.obstacle_point_lps_mm, text, colour)

    def _degraded_region(self, frame: SectionFrame) -> QRegion:
        rows, columns = frame.shape
        down = np.arange(HATCH_BLOCK_PX / 2, rows, HATCH_BLOCK_PX)
        right = np.arange(HATCH_BLOCK_PX / 2, columns, HATCH_BLOCK_PX)
        grid = np.stack(np.meshgrid(down, right, indexing="ij"), axis=-1).reshape(-1, 2)
        points = frame.to_lps(grid)
        scan = self._workspace.plan.scan
        assert scan is not None
        level = self._workspace.numbers.scan_check.level_at(points)
        mask = ((level >= HATCH_FROM_LEVEL) & scan.volume.contains(points)).reshape(len(down), len(right))
        full = np.repeat(np.repeat(mask, HATCH_BLOCK_PX, axis=0), HATCH_BLOCK_PX, axis=1)
        return QRegion(QBitmap.fromImage(mask_image(full[:rows, :columns])))

    def paint_captions(self, work: marks.Brushwork) -> None:
        """Paint the name of the view, the letters of its edges, and the scale bar."""
        frame, theme = work.frame, work.theme
        rows, columns = frame.shape
        marks.tag(work, caption_of(self._workspace, self._kind), 6, 12)
        for direction, x, y in (
            (-frame.right_lps, 4.0, rows / 2),
            (frame.right_lps, columns - 4.0, rows / 2),
        ):
            marks.tag(work, letters(direction), x, y, theme.mark)
        marks.tag(work, letters(-frame.down_lps), columns / 2, 30, theme.mark, middle=True)
        marks.tag(work, letters(frame.down_lps), columns / 2, rows - 12, theme.mark, middle=True)
        side = seen_from(frame)
        if not any(letter in letters(frame.right_lps) for letter in "RL"):
            marks.tag(work, f"seen from {side}", 6, 30, theme.mark)
        if self._kind is ViewKind.ACROSS:
            self._paint_sides(work)
        marks.paint_scale_bar(work)

    def _paint_sides(self, work: marks.Brushwork) -> None:
        """Name the sides of the ridge, as long as the picture looks along the arch at all."""
        plan, (rows, columns) = self._workspace.plan, work.frame.shape
        if plan.arch is None:
            return
        station = self._shown_station()
        outward = float(work.frame.right_lps @ plan.arch.outward_at(station))
        if abs(outward) < SIDES_FROM:
            return
        inner = "tongue" if plan.arch.jaw is Jaw.LOWER else "palate"
        outer = "lip" if abs(station) < LIP_TO_MM else "cheek"
        left, right = (inner, outer) if outward > 0 else (outer, inner)
        marks.tag(work, left, 6, rows / 2 + 18)
        marks.tag(work, right, columns - 6, rows / 2 + 18)

    def _shown_station(self) -> float:
        fixture, arch = self._workspace.selected, self._workspace.plan.arch
        if fixture is None or arch is None:
            return self._workspace.view.station_mm
        return arch.station_of(fixture.pose.platform_lps_mm)


def caption_of(workspace: Workspace, kind: ViewKind) -> str:
    """Give a view's name with the place that it shows."""
    view, plan = workspace.view, workspace.plan
    slab = slab_words(view.slab_mm, view.slab_mode)
    if workspace.selected is not None:
        site = site_label(view.site, workspace.settings.notation)
        away = view.away_mm[kind]
        if kind is ViewKind.AXIAL:
            return f"Across the axis of {site}, {mm(away)} mm below platform{slab}"
        off = f", {mm(away)} mm off axis" if away else ""
        roll = f", rolled {view.roll_deg:.0f}°" if view.roll_deg else ""
        return f"{TITLES[kind]} on the axis of {site}{off}{roll}{slab}"
    upright, level = view.oblique_deg[kind]
    by_hand = f", turned by hand {upright:.0f}° and {level:.0f}°" if upright or level else ""
    by_hand = by_hand.replace("-", "−")
    if kind is ViewKind.AXIAL:
        return f"Axial, height {mm(float(view.focus_lps_mm[2]))} mm{by_hand}{slab}"
    if plan.arch is None:
        return ("Side view" if kind is ViewKind.ACROSS else "Front view") + by_hand + slab
    return f"{TITLES[kind]}, station {mm(view.station_mm)} mm{by_hand}{slab}"


def slab_words(slab_mm: float, mode: str) -> str:
    """Say over how much a picture is averaged, or that it shows the brightest; nothing for a plain section."""
    if not slab_mm:
        return ""
    return f", brightest of {mm(slab_mm)} mm" if mode == "max" else f", mean of {mm(slab_mm)} mm"
