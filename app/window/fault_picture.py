"""Pictures of a surface scan: the whole with its faulty places lettered, and one place from near."""

from __future__ import annotations

import numpy as np
from PySide6.QtCore import QPointF, QRectF, Qt
from PySide6.QtGui import QColor, QImage, QPainter, QPaintEvent, QPen, QPolygonF
from PySide6.QtWidgets import QWidget

from app.theme import FONT_SMALL_PX, OKABE_ORANGE, Theme
from planner_core.geometry.frames import FloatArray
from planner_core.imaging.surface_faults import Patch

BACK_SHADE = 0.45
"""Faces seen from behind are this much darker, and hatched (our choice)."""


def painted(patch: Patch, side: int, theme: Theme) -> QImage:
    """Paint a patch into a square picture, farthest triangle first."""
    image = QImage(side, side, QImage.Format.Format_RGB32)
    image.fill(QColor(theme.picture))
    painter = QPainter(image)
    half = side / 2.0
    tint = QColor(theme.surface)
    places = np.column_stack(
        [half + half * patch.corners[:, :, 0].reshape(-1), half - half * patch.corners[:, :, 1].reshape(-1)]
    ).reshape(-1, 3, 2)
    painter.setPen(Qt.PenStyle.NoPen)
    pattern = Qt.BrushStyle.DiagCrossPattern
    for corners, shade, back in zip(places, patch.shades, patch.backs, strict=True):
        value = float(shade) * (BACK_SHADE if back else 1.0)
        colour = QColor.fromRgbF(tint.redF() * value, tint.greenF() * value, tint.blueF() * value)
        triangle = QPolygonF([QPointF(float(x), float(y)) for x, y in corners])
        painter.setBrush(colour)
        painter.setPen(QPen(colour, 0.7))
        painter.drawPolygon(triangle)
        if back:
            painter.setBrush(pattern)
            painter.drawPolygon(triangle)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QPen(QColor(OKABE_ORANGE), 2.4))
    for (x0, y0), (x1, y1) in patch.edges:
        painter.drawLine(QPointF(half + half * x0, half - half * y0), QPointF(half + half * x1, half - half * y1))
    painter.end()
    return image


def letter(number: int) -> str:
    """Give the letter that a place goes by, A for the first."""
    return chr(ord("A") + number)


class FaultPicture(QWidget):
    """One picture with its caption; the overview carries the letters of the places."""

    def __init__(self, theme: Theme, side: int) -> None:
        super().__init__()
        self._theme = theme
        self._image: QImage | None = None
        self._at: FloatArray = np.empty((0, 2))
        self._chosen = -1
        self._caption = ""
        self.setFixedSize(side, side)

    def show_patch(self, patch: Patch, caption: str, at: FloatArray | None = None) -> None:
        """Show a patch; `at` are the places in units of half the side."""
        # Painted twice as large: the edges of small triangles stay smooth.
        self._image = painted(patch, 2 * self.width(), self._theme)
        self._at = np.empty((0, 2)) if at is None else at
        self._caption = caption
        self.setAccessibleName(caption)
        self.update()

    def choose(self, number: int) -> None:
        """Mark one of the places."""
        self._chosen = number
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw picture, letters and caption."""
        painter = QPainter(self)
        painter.fillRect(self.rect(), QColor(self._theme.picture))
        if self._image is not None:
            painter.setRenderHint(QPainter.RenderHint.SmoothPixmapTransform)
            painter.drawImage(QRectF(self.rect()), self._image)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        font = painter.font()
        font.setPixelSize(FONT_SMALL_PX)
        painter.setFont(font)
        half = self.width() / 2.0
        order = [k for k in range(len(self._at)) if k != self._chosen] + [self._chosen]
        for number in order:
            if 0 <= number < len(self._at):
                x, y = self._at[number]
                self._mark(painter, QPointF(half + half * x, half - half * y), number)
        painter.setPen(QColor(self._theme.picture_text))
        box = self.rect().adjusted(8, 6, -8, -6)
        painter.drawText(box, Qt.AlignmentFlag.AlignBottom | Qt.TextFlag.TextWordWrap, self._caption)
        painter.end()

    def _mark(self, painter: QPainter, place: QPointF, number: int) -> None:
        """Draw a letter on a flag that stands on its place; the chosen one is filled."""
        chosen = number == self._chosen
        painter.setPen(QPen(QColor(OKABE_ORANGE), 1.6))
        flag = QRectF(place.x() + 4, place.y() - 22, 15, 15)
        painter.drawLine(place, flag.bottomLeft())
        painter.setBrush(QColor(OKABE_ORANGE) if chosen else QColor(self._theme.picture))
        painter.drawRect(flag)
        painter.setPen(QColor(self._theme.picture if chosen else self._theme.picture_text))
        painter.drawText(flag, Qt.AlignmentFlag.AlignCenter, letter(number))
