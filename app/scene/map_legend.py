"""What the colours and lines of a map on the surface mean; a line under the 3D view."""

from __future__ import annotations

from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QLinearGradient, QPainter, QPaintEvent
from PySide6.QtWidgets import QWidget

from app.scene.surface_map import DARK, DISTANCE_FULL_MM, LIGHT, NOTHING
from app.theme import FONT_SMALL_PX
from app.view_state import Step
from app.words import mm
from app.workspace import Workspace
from planner_core.case.derived.match_picture import known_match_picture

BAR_PX = 70


class MapLegend(QWidget):
    """Hidden while the matched surface is shown plain."""

    def __init__(self, workspace: Workspace, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self._most = ""
        self._words = ""
        self.setObjectName("map-legend")
        self.setFixedHeight(36)
        self.setVisible(False)

    def refresh(self, scene: str) -> None:
        """Say what is shown now."""
        view = self._workspace.view
        picture = known_match_picture(self._workspace.plan)
        shown = (
            view.surface_look != "plain" and picture is not None and scene == "patient" and view.step is Step.MATCH
        )
        self.setVisible(shown)
        if not shown or picture is None:
            return
        if view.surface_look == "distance":
            self._most = f"{mm(DISTANCE_FULL_MM)} mm and more"
            self._words = "scan's edge outside (+), inside (−, dashed); grey: not compared"
        else:
            self._most = f"{mm(float(picture.error_p95_mm.max()), 2)} mm"
            self._words = "error of the match in 95 of 100 cases, lines in mm"
        self.setToolTip(f"0 to {self._most}; {self._words}")
        self.setAccessibleName(self.toolTip())
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw bar and words."""
        painter = QPainter(self)
        theme = self._workspace.theme
        font = self.font()
        font.setPixelSize(FONT_SMALL_PX)
        painter.setFont(font)
        bar = QRectF(24, 4, BAR_PX, 11)
        shade = QLinearGradient(bar.topLeft(), bar.topRight())
        shade.setColorAt(0.0, QColor(*LIGHT))
        shade.setColorAt(1.0, QColor(*DARK))
        painter.fillRect(bar, shade)
        painter.setPen(QColor(theme.text))
        painter.drawText(QPointF(12, 14), "0")
        painter.drawText(QPointF(bar.right() + 6, 14), self._most)
        box = QRectF(self.width() - 18, 4, 11, 11)
        if self._workspace.view.surface_look == "distance":
            painter.fillRect(box, QColor(*NOTHING))
        area = QRectF(12, 18, self.width() - 20, 16)
        painter.setPen(QColor(theme.muted))
        metrics = painter.fontMetrics()
        words = metrics.elidedText(self._words, Qt.TextElideMode.ElideRight, int(area.width()))
        painter.drawText(area, Qt.AlignmentFlag.AlignVCenter, words)
        painter.end()
