"""Planned teeth over a flat view: crown, contacts, emergence, screw exit, abutment, plates beside a fixture."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QPolygonF

from app import drawn_crowns
from app.sections import marks
from app.theme import OKABE_ORANGE, OKABE_VERMILLION
from app.words import mm, site_label
from app.workspace import Workspace
from planner_core.geometry.frames import FloatArray
from planner_core.planning.crowns import CERVICAL_SHARE, PlannedTooth
from planner_core.planning.fixture import PlacedFixture

CROWN_COLOUR = "#F0E442"
"""Yellow of Okabe and Ito's palette; the dash-dot line says the same without colour."""
NEAR_MM = 1.5
"""Contacts and exits are marked within this of the plane, mm (our choice: three voxels and a bit)."""
PLATE_NEAR_MM = 0.8


def paint_crowns(work: marks.Brushwork, workspace: Workspace) -> None:
    """Paint every planned tooth and abutment that the view meets."""
    if "crowns" not in workspace.view.layers:
        return
    plan, view = workspace.plan, workspace.view
    for site, crown in plan.crowns.items():
        in_hand = site in (view.crown, view.site)
        if _paint_outline(work, drawn_crowns.crown_mesh(workspace, site), in_hand) and in_hand:
            _paint_contacts(work, crown, site == view.crown)
        elif not view.site:
            _tag_site(work, workspace, crown)
    for site, fixture in plan.fixtures.items():
        for mesh in (
            drawn_crowns.abutment_mesh(workspace, fixture),
            drawn_crowns.connection_mesh(workspace, fixture),
        ):
            if mesh is not None:
                _paint_part(work, mesh)
        if site in plan.crowns and site == view.site:
            _paint_emergence(work, fixture, plan.crowns[site])
        beside = workspace.numbers.beside.get(site)
        if beside is not None and site == view.site:
            if beside.exit is not None:
                _paint_exit(work, beside.exit)
            if "whiskers" in view.layers and workspace.numbers.plan.fixtures.get(site) is fixture:
                _paint_plates(work, beside)


def _paint_outline(work: marks.Brushwork, mesh: Any, in_hand: bool) -> bool:
    lines = work.cuts.lines(mesh)
    if not lines:
        return False
    painter = work.painter
    made = marks.pen(CROWN_COLOUR, 1.9 if in_hand else 1.2, alpha=235 if in_hand else 180)
    painter.setPen(made)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    made.setDashPattern([7.0, 2.5, 1.2, 2.5])
    painter.setPen(made)
    for path in work.cuts.paths(mesh):
        painter.drawPath(path)
    return True


def _tag_site(work: marks.Brushwork, workspace: Workspace, crown: PlannedTooth) -> None:
    xy, depth = work.place(crown.cervical_lps_mm + 0.5 * crown.height_mm * crown.occlusal_lps)
    if abs(float(depth[0])) < 0.4 * crown.mesiodistal_mm and work.holds(*xy[0].tolist()):
        label = site_label(crown.site, workspace.settings.notation)
        marks.tag(work, label, *xy[0].tolist(), CROWN_COLOUR, middle=True)


def _paint_part(work: marks.Brushwork, mesh: Any) -> None:
    lines = work.cuts.lines(mesh)
    if lines:
        work.painter.setPen(marks.pen(work.theme.fixture, 1.3, alpha=220))
        work.painter.drawLines(lines)


def _paint_contacts(work: marks.Brushwork, crown: PlannedTooth, words: bool) -> None:
    """Mark the contact points as small diamonds."""
    xy, depth = work.place(np.array(crown.contacts_lps_mm()))
    for (x, y), away in zip(xy.tolist(), depth.tolist(), strict=True):
        if abs(away) <= NEAR_MM and work.holds(x, y):
            diamond = QPolygonF([QPointF(x, y - 5), QPointF(x + 5, y), QPointF(x, y + 5), QPointF(x - 5, y)])
            work.painter.setPen(marks.pen(work.theme.picture, 1.0))
            work.painter.setBrush(QColor(CROWN_COLOUR))
            work.painter.drawPolygon(diamond)
            work.painter.setBrush(Qt.BrushStyle.NoBrush)
            if words:
                marks.tag(work, "contact", x + 8, y - 12, CROWN_COLOUR)
                words = False  # one of the two is enough


def _paint_emergence(work: marks.Brushwork, fixture: PlacedFixture, crown: PlannedTooth) -> None:
    """Join the platform's rim to the crown's neck, where both lie near the plane."""
    radius = fixture.shape.platform_diameter_mm / 2.0
    axis = fixture.pose.axis_lps
    work.painter.setPen(marks.pen(CROWN_COLOUR, 1.1, Qt.PenStyle.DotLine))
    for direction, size in (
        (crown.along_lps, crown.mesiodistal_mm),
        (-crown.along_lps, crown.mesiodistal_mm),
        (crown.facial_lps, crown.faciolingual_mm),
        (-crown.facial_lps, crown.faciolingual_mm),
    ):
        across = direction - float(direction @ axis) * axis
        across = across / max(float(np.linalg.norm(across)), 1e-9)
        rim = fixture.pose.platform_lps_mm + radius * across
        neck = crown.cervical_lps_mm + CERVICAL_SHARE * size / 2.0 * direction
        xy, depth = work.place(np.stack([rim, neck]))
        if float(np.abs(depth).max()) <= NEAR_MM:
            work.painter.drawLine(QPointF(*xy[0]), QPointF(*xy[1]))


def _paint_exit(work: marks.Brushwork, leaves: Any) -> None:
    """Mark where the screw leaves the crown: a ring with a dot inside its place, a crossed ring off it."""
    xy, depth = work.place(leaves.point_lps_mm)
    x, y = xy[0].tolist()
    if abs(float(depth[0])) > NEAR_MM or not work.holds(x, y):
        return
    painter = work.painter
    colour = CROWN_COLOUR if leaves.inside else OKABE_ORANGE
    painter.setPen(marks.pen(colour, 1.8))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawEllipse(QPointF(x, y), 6.0, 6.0)
    if leaves.inside:
        painter.setBrush(QColor(colour))
        painter.drawEllipse(QPointF(x, y), 1.8, 1.8)
        painter.setBrush(Qt.BrushStyle.NoBrush)
    else:
        painter.drawLine(QPointF(x - 4, y - 4), QPointF(x + 4, y + 4))
        painter.drawLine(QPointF(x - 4, y + 4), QPointF(x + 4, y - 4))
    marks.tag(work, "screw exit" if leaves.inside else "screw exit off", x + 10, y, colour)


def _paint_plates(work: marks.Brushwork, beside: Any) -> None:
    """Paint the measured plates as short lines with end ticks; only the thin ones are numbered."""
    colours = {"clear": work.theme.muted, "inside margin": OKABE_ORANGE, "touches": OKABE_VERMILLION}
    for plate in beside.plates:
        if plate.fixture_point_lps_mm is None or plate.bone_point_lps_mm is None:
            continue
        state = beside.state_of(plate).value
        ends: FloatArray = np.stack([plate.fixture_point_lps_mm, plate.bone_point_lps_mm])
        xy, depth = work.place(ends)
        if float(np.abs(depth).max()) > PLATE_NEAR_MM:
            continue
        painter = work.painter
        painter.setPen(marks.pen(colours[state], 1.0, Qt.PenStyle.DotLine, 220))
        painter.drawLine(QPointF(*xy[0]), QPointF(*xy[1]))
        painter.setBrush(QColor(colours[state]))
        painter.drawRect(QRectF(xy[1][0] - 1.2, xy[1][1] - 1.2, 2.4, 2.4))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        if state != "clear":
            marks.tag(
                work, f"{mm(plate.thickness_mm)}", float(xy[1][0]) + 6, float(xy[1][1]), colours[state], apart=True
            )
