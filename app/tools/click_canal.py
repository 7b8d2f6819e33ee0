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
from planner_core.anatomy.canal_trace import trace_canal
from planner_core.anatomy.structures import Canal, Side
from planner_core.case import derived, edits
from planner_core.errors import PlannerError
from planner_core.geometry.frames import FloatArray


class ClickCanal(Tool):
    """Two clicks or more along the canal; its course between them is followed, or only joined up.

    With a diameter it is kept as a tube through the clicks; with None it is followed in the scan, as a job.
    """

    def __init__(self, workspace: Workspace, side: Side, diameter_mm: float | None) -> None:
        super().__init__(workspace)
        self.side, self.diameter_mm = side, diameter_mm
        self.points: list[FloatArray] = []
        self.title = f"Mark the {side.value} canal"
        self._say()

    def _say(self) -> None:
        if len(self.points) < 2:
            self.hint = (
                f"Click the middle of the canal in a section or the strip: {2 - len(self.points)} more at least."
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
        plan, workspace = self.workspace.plan, self.workspace
        assert plan.scan is not None
        volume, clicks = plan.scan.volume, np.array(self.points)
        if self.diameter_mm is not None:
            self._keep(canal_from_clicks(self.side, clicks, volume, self.diameter_mm))
            return

        def wanted() -> bool:
            now = workspace.plan.scan
            return workspace.is_open and now is not None and now.volume is volume

        job = workspace.jobs.start(
            f"Following the {self.side.value} canal",
            trace_canal,
            volume,
            self.side,
            clicks,
            degradation=derived.known_scan_check(plan),
            key=f"canal {self.side.value}",
            is_wanted=wanted,
        )
        # A function of its own: Qt would forget a method of a tool that has been put away.
        job.succeeded.connect(lambda canal: workspace.when_free(lambda: self._keep(canal)))
        job.failed.connect(workspace.messages.report)

    def _keep(self, canal: Canal) -> None:
        self.workspace.apply(f"Mark {self.side.value} canal", edits.set_canal, canal)
        unseen = 1.0 - float(np.mean(canal.certain))
        if unseen > 0.0:
            self.workspace.messages.note(
                f"The {self.side.value} canal is marked; {100 * unseen:.0f} % of its course is joined up, not seen."
            )
