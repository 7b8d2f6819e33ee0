"""The few shapes that the strip is drawn with."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QPointF, Qt
from PySide6.QtGui import QPainter, QPainterPath

from app.sections import marks


def stroke(painter: QPainter, xy: Any, colour: str, width: float, alpha: int, style: Qt.PenStyle) -> None:
    """Draw a course over the strip."""
    if len(xy) < 2:
        return
    path = QPainterPath(QPointF(*xy[0]))
    for x, y in xy[1:].tolist():
        path.lineTo(x, y)
    line = marks.pen(colour, max(width, 1.5), style, alpha)
    line.setCapStyle(Qt.PenCapStyle.FlatCap)
    painter.setPen(line)
    painter.setBrush(Qt.BrushStyle.NoBrush)
    painter.drawPath(path)


def body_beside(xy: Any, width: float) -> QPainterPath:
    """Give a body seen from its side: a bar with a round apex."""
    a, b = xy
    run = b - a
    length = max(float(np.hypot(*run)), 1e-6)
    across = np.array([-run[1], run[0]]) / length * width / 2.0
    neck = b - run * min(width / 2.0 / length, 0.4)
    path = QPainterPath(QPointF(*(a + across)))
    path.lineTo(QPointF(*(neck + across)))
    path.quadTo(QPointF(*(b + across * 0.7)), QPointF(*b))
    path.quadTo(QPointF(*(b - across * 0.7)), QPointF(*(neck - across)))
    path.lineTo(QPointF(*(a - across)))
    path.closeSubpath()
    return path
