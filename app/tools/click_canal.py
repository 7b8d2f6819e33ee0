"""Mark the canal of one side by clicks in the strip or the sections."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, QRectF
from PySide6.QtGui import QColor

from app.picks import Pick
from app.sections import marks
from app.tools.tool import Tool
from app.workspace import Workspace
from planner_core.anatomy.canal import canal_from_clicks
from planner_core.anatomy.structures import Side
from planner_core.case import edits
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray


class ClickCanal(Tool):
    """Two clicks or more along the canal; it is kept as a tube of the given diameter."""

    def __init__(self, workspace: Workspace, side: Side, diameter_mm: float) -> None:
        super().__init__(workspace)
        self.side, self.diameter_mm = side, diameter_mm
        self.points: list[FloatArray] = []
        self.title = f"Mark the {side.value} canal"
        self._say()

    def _say(self) -> None:
        if len(self.points) < 2:
            self.hint = (
                f"Click the middle of the canal in the cross-section or the strip: {2 - len(self.points)} more at least."
                " Arrow keys go along the arch. Esc: not now."
            )
        else:
            self.hint = (
                f"{len(self.points)} points. Enter: keep the canal. Backspace: last point off. Esc: not now."
            )

    def press(self, pick: Pick) -> bool:
        """Set a point."""
        if pick.frame_name != "lps":
            return False
        if pick.double and len(self.points) >= 2:
            self.finish()
            self.on_end()
            return True
        self.points.append(np.array(pick.point_mm))
        self._say()
        self.on_change()
        return True

    def hover(self, pick: Pick) -> str:
        """Show a cross."""
        return "point"

    def back(self) -> None:
        """Take the last point off."""
        if self.points:
            self.points.pop()
            self._say()
            self.on_change()

    def paint(self, work: Any, kind: Any) -> None:
        """Paint the clicks near the plane."""
        for k, point in enumerate(self.points, start=1):
            marks.paint_pair(work, point, f"canal point {k}", work.theme.canal)

    def paint_strip(self, painter: Any, strip: Any) -> None:
        """Paint the clicks and the line that joins them."""
        if not self.points:
            return
        xy, _ = strip._place("tool", tuple(self.points), np.array(self.points))
        painter.setPen(marks.pen(self.workspace.theme.canal, 1.4))
        spots = [QPointF(x, y) for x, y in xy[np.argsort(xy[:, 0])].tolist()]
        painter.drawPolyline(spots)
        painter.setBrush(QColor(self.workspace.theme.canal))
        for spot in spots:
            painter.drawRect(QRectF(spot.x() - 3, spot.y() - 3, 6, 6))

    def finish(self) -> None:
        """Keep the canal."""
        if len(self.points) < 2:
            raise PlannerError(
                f"A canal needs at least two points, not {len(self.points)}.", "Click another point on it."
            )
        scan = self.workspace.plan.scan
        volume = None if scan is None else scan.volume
        canal = canal_from_clicks(self.side, np.array(self.points), volume, self.diameter_mm)
        self.workspace.apply(f"Mark {self.side.value} canal", edits.set_canal, canal)
