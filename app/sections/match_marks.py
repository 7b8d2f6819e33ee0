"""What a flat view shows of the match: markers with their names, air under a prosthesis."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, Qt

from app.sections import marks
from app.view_state import Step
from app.workspace import Workspace
from planner_core.case.derived.match_picture import known_match_picture
from planner_core.registration.air_gap import NOTED_GAP_MM
from planner_core.registration.kept import PATIENT_FRAME, KeptMarker

NEAR_MM = 3.0
"""Markers this near to the plane are shown, mm (our choice: where a ball of 2 mm is about to be met)."""
GAP_NEAR_MM = 0.4


def paint_match(work: marks.Brushwork, workspace: Workspace) -> None:
    """Paint it while the match is looked at."""
    if workspace.view.step is not Step.MATCH:
        return
    for marker in workspace.plan.markers.get(PATIENT_FRAME, ()):
        _paint_marker(work, marker)
    picture = known_match_picture(workspace.plan)
    if picture is not None and picture.gap is not None and len(picture.gap.width_mm):
        _paint_gap(work, picture.gap.points_lps_mm, picture.gap.width_mm)


def _paint_marker(work: marks.Brushwork, marker: KeptMarker) -> None:
    xy, depth = work.place(marker.centre_mm)
    away = abs(float(depth[0]))
    x, y = xy[0].tolist()
    if away > NEAR_MM or not work.holds(x, y):
        return
    colour = work.theme.muted if marker.crossed_out else work.theme.pair
    cut = np.sqrt(max(marker.radius_mm**2 - away**2, 0.0))
    radius = max(work.pixels(float(cut)), 4.0)
    met = cut > 0
    work.painter.setPen(marks.pen(colour, 1.6, Qt.PenStyle.SolidLine if met else Qt.PenStyle.DotLine))
    work.painter.setBrush(Qt.BrushStyle.NoBrush)
    work.painter.drawEllipse(QPointF(x, y), radius, radius)
    if marker.crossed_out:
        work.painter.drawLine(QPointF(x - radius, y - radius), QPointF(x + radius, y + radius))
        work.painter.drawLine(QPointF(x - radius, y + radius), QPointF(x + radius, y - radius))
    marks.tag(work, marker.name, x + radius + 4, y - radius, colour)


def _paint_gap(work: marks.Brushwork, points: np.ndarray, width_mm: np.ndarray) -> None:
    """Paint a dot wherever air was found under the prosthesis, with the widest one's width."""
    wide = width_mm >= NOTED_GAP_MM
    if not wide.any():
        return
    xy, depth = work.place(points[wide])
    near = np.abs(depth) <= GAP_NEAR_MM
    if not near.any():
        return
    work.painter.setPen(marks.pen(work.theme.mark, 1.2))
    for x, y in xy[near].tolist():
        if work.holds(x, y):
            work.painter.drawEllipse(QPointF(x, y), 2.0, 2.0)
    k = int(np.argmax(np.where(near, width_mm[wide], 0.0)))
    x, y = xy[k].tolist()
    if work.holds(x, y):
        marks.tag(work, f"air {float(width_mm[wide][k]):.1f} mm", x + 6, y, work.theme.mark)
