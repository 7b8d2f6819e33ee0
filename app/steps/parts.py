"""The few parts that every panel is made of, so that all look alike."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QColor, QIcon, QPainter, QPainterPath, QPaintEvent, QPen, QPixmap
from PySide6.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QFrame,
    QGridLayout,
    QHeaderView,
    QLabel,
    QPushButton,
    QSizePolicy,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from app.theme import GAP_PX, OKABE_ORANGE, OKABE_VERMILLION, Theme

STATE_SHAPES = {
    "clear": "ring",
    "inside margin": "half",
    "touches": "square",
    "answered": "disc",
    "open": "ring",
    "waiting": "dots",
    "stale": "broken",
    "note": "ring",
    "warning": "half",
    "blocker": "square",
    "problem": "square",
}
"""Every state has a word and a shape; colour only repeats them."""
LOUD = {
    "inside margin": OKABE_ORANGE,
    "warning": OKABE_ORANGE,
    "touches": OKABE_VERMILLION,
    "blocker": OKABE_VERMILLION,
    "problem": OKABE_VERMILLION,
    "stale": OKABE_ORANGE,
}


def state_colour(state: str, theme: Theme) -> str:
    """Give the colour that repeats a state's shape."""
    return LOUD.get(state, theme.muted if state in ("open", "waiting", "note") else theme.text)


def paint_state(painter: QPainter, state: str, box: QRectF, colour: str) -> None:
    """Paint a state's shape into a square box."""
    shape = STATE_SHAPES.get(state, "ring")
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    painter.setPen(QPen(QColor(colour), 1.6))
    painter.setBrush(Qt.BrushStyle.NoBrush)
    inner = box.adjusted(1.2, 1.2, -1.2, -1.2)
    if shape == "square":
        painter.setBrush(QColor(colour))
        painter.drawRect(inner)
    elif shape == "disc":
        painter.setBrush(QColor(colour))
        painter.drawEllipse(inner)
    elif shape == "dots":
        painter.setBrush(QColor(colour))
        for k in range(3):
            painter.drawEllipse(
                QPointF(inner.left() + inner.width() * (0.15 + 0.35 * k), inner.center().y()), 1.0, 1.0
            )
    else:
        painter.drawEllipse(inner)
        if shape == "half":
            path = QPainterPath(inner.center())
            path.arcTo(inner, 90, 180)
            painter.fillPath(path, QColor(colour))
        elif shape == "broken":
            painter.drawLine(inner.bottomLeft(), inner.topRight())
    painter.setBrush(Qt.BrushStyle.NoBrush)


def state_icon(state: str, theme: Theme, size: int = 12) -> QIcon:
    """Give a state's shape as an icon."""
    pixmap = QPixmap(size, size)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    paint_state(painter, state, QRectF(0, 0, size, size), state_colour(state, theme))
    painter.end()
    return QIcon(pixmap)


def label(text: str = "", role: str = "", wrap: bool = True) -> QLabel:
    """Give a text in one of the type roles of the style sheet."""
    made = QLabel(text)
    made.setWordWrap(wrap)
    if role:
        made.setProperty("role", role)
    made.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    made.setFocusPolicy(Qt.FocusPolicy.NoFocus)
    if wrap:
        made.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Minimum)
    return made


def button(text: str, run: Callable[[], object], tip: str = "", main: bool = False, name: str = "") -> QPushButton:
    """Give a button; `main` marks the one thing to do next."""
    made = QPushButton(text)
    made.clicked.connect(lambda _=False: run())
    if tip:
        made.setToolTip(tip)
    if main:
        made.setProperty("role", "main")
    if name:
        made.setObjectName(name)
    return made


def combo(name: str = "") -> QComboBox:
    """Give a list to choose from that never widens its panel."""
    made = QComboBox()
    made.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
    made.setMinimumContentsLength(5)
    made.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
    if name:
        made.setObjectName(name)
    return made


class Section(QFrame):
    """A titled block of a panel."""

    def __init__(self, title: str) -> None:
        super().__init__()
        self._rows = QVBoxLayout(self)
        self._rows.setContentsMargins(0, GAP_PX, 0, GAP_PX // 2)
        self._rows.setSpacing(6)
        self.heading = label(title.upper(), "heading")
        self._rows.addWidget(self.heading)

    def add(self, widget: QWidget) -> QWidget:
        """Put a widget at the end."""
        self._rows.addWidget(widget)
        return widget


class Row(QWidget):
    """Widgets side by side."""

    def __init__(self, *widgets: QWidget, stretch: int = -1) -> None:
        super().__init__()
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setHorizontalSpacing(6)
        for column, widget in enumerate(widgets):
            grid.addWidget(widget, 0, column)
        if stretch >= 0:
            grid.setColumnStretch(stretch, 1)
        else:
            grid.setColumnStretch(len(widgets), 1)


class Facts(QWidget):
    """Two columns: what, and its value."""

    def __init__(self) -> None:
        super().__init__()
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(10)
        self._grid.setVerticalSpacing(3)
        self._grid.setColumnStretch(1, 1)
        self._shown: tuple[tuple[str, str], ...] = ()

    def show_facts(self, facts: Sequence[tuple[str, str]]) -> None:
        """Show these lines."""
        if tuple(facts) == self._shown:
            return
        self._shown = tuple(facts)
        while (item := self._grid.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.hide()
                widget.deleteLater()
        for row, (what, value) in enumerate(facts):
            self._grid.addWidget(label(what, "note"), row, 0, Qt.AlignmentFlag.AlignTop)
            self._grid.addWidget(label(value), row, 1, Qt.AlignmentFlag.AlignTop)


class Lines(QWidget):
    """Findings and other sentences, each with the shape and the word of its state."""

    def __init__(self) -> None:
        super().__init__()
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setHorizontalSpacing(7)
        self._grid.setVerticalSpacing(5)
        self._grid.setColumnStretch(1, 1)
        self._shown: tuple[tuple[str, str], ...] = ()

    def show_lines(self, lines: Sequence[tuple[str, str]], theme: Theme, empty: str = "") -> None:
        """Show (state, sentence) lines, or one note when there are none."""
        shown = tuple(lines) if lines else ((("", empty),) if empty else ())
        if shown == self._shown:
            return
        self._shown = shown
        while (item := self._grid.takeAt(0)) is not None:
            widget = item.widget()
            if widget is not None:
                widget.hide()
                widget.deleteLater()
        for row, (state, text) in enumerate(shown):
            if state:
                mark = QLabel()
                mark.setPixmap(state_icon(state, theme).pixmap(12, 12))
                mark.setToolTip(state)
                mark.setAccessibleName(state)
                self._grid.addWidget(mark, row, 0, Qt.AlignmentFlag.AlignTop)
                self._grid.addWidget(label(text), row, 1)
            else:
                self._grid.addWidget(label(text, "note"), row, 0, 1, 2)


class Table(QTableWidget):
    """A table without editing that is as tall as its rows."""

    ROW_PX = 25
    HEADER_PX = 26

    def __init__(self, columns: Sequence[str], stretch: int = 0, most_rows: int = 12) -> None:
        super().__init__(0, len(columns))
        self._most = most_rows
        self.setHorizontalHeaderLabels(list(columns))
        self.verticalHeader().hide()
        self.verticalHeader().setDefaultSectionSize(self.ROW_PX)
        self.verticalHeader().setMinimumSectionSize(self.ROW_PX)
        self.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setAlternatingRowColors(True)
        self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setIconSize(QSize(12, 12))
        header = self.horizontalHeader()
        header.setHighlightSections(False)
        header.setFixedHeight(self.HEADER_PX)
        header.setMinimumSectionSize(28)
        for column in range(len(columns)):
            mode = QHeaderView.ResizeMode.Stretch if column == stretch else QHeaderView.ResizeMode.ResizeToContents
            header.setSectionResizeMode(column, mode)
            side = Qt.AlignmentFlag.AlignLeft if column == stretch else Qt.AlignmentFlag.AlignRight
            self.horizontalHeaderItem(column).setTextAlignment(side | Qt.AlignmentFlag.AlignVCenter)
        self._stretch = stretch
        self._fit(0)

    def show_rows(
        self,
        rows: Sequence[Sequence[str]],
        icons: Sequence[QIcon | None] = (),
        tips: Sequence[str] = (),
        icon_column: int = 0,
    ) -> None:
        """Show these rows; numbers stand on the right."""
        chosen = self.currentRow()
        blocked = self.blockSignals(True)
        self.setRowCount(len(rows))
        for r, row in enumerate(rows):
            for c, text in enumerate(row):
                item = QTableWidgetItem(text)
                side = Qt.AlignmentFlag.AlignLeft if c == self._stretch else Qt.AlignmentFlag.AlignRight
                item.setTextAlignment(side | Qt.AlignmentFlag.AlignVCenter)
                if c == icon_column and r < len(icons) and icons[r] is not None:
                    item.setIcon(icons[r])
                if r < len(tips) and tips[r]:
                    item.setToolTip(tips[r])
                self.setItem(r, c, item)
        if 0 <= chosen < len(rows):
            self.selectRow(chosen)
        self.blockSignals(blocked)
        self._fit(len(rows))

    def _fit(self, rows: int) -> None:
        shown = min(max(rows, 1), self._most)
        self.setFixedHeight(self.HEADER_PX + shown * self.ROW_PX + 2)


class ShareBar(QWidget):
    """A bar of shares that adds up to the whole, told apart by pattern and order, with its words below."""

    PATTERNS = (
        Qt.BrushStyle.SolidPattern,
        Qt.BrushStyle.BDiagPattern,
        Qt.BrushStyle.Dense4Pattern,
        Qt.BrushStyle.FDiagPattern,
        Qt.BrushStyle.DiagCrossPattern,
        Qt.BrushStyle.Dense6Pattern,
        Qt.BrushStyle.VerPattern,
        Qt.BrushStyle.HorPattern,
    )

    def __init__(self, theme: Theme) -> None:
        super().__init__()
        self.theme = theme
        self.shares: list[tuple[str, float]] = []
        self.setFixedHeight(18)

    def show_shares(self, shares: list[tuple[str, float]]) -> None:
        """Show these (name, share) values."""
        self.shares = shares
        self.setToolTip("\n".join(f"{name}: {100 * share:.0f} %" for name, share in shares))
        self.update()

    def pattern(self, k: int) -> Qt.BrushStyle:
        """Give the pattern of the k-th share."""
        return self.PATTERNS[k % len(self.PATTERNS)]

    def paintEvent(self, event: QPaintEvent) -> None:  # noqa: N802
        """Draw the bar."""
        painter = QPainter(self)
        left = 0.0
        for k, (_, share) in enumerate(self.shares):
            width = share * (self.width() - 1)
            box = QRectF(left, 0.5, width, self.height() - 2)
            painter.fillRect(box, QColor(self.theme.field))
            painter.fillRect(box, _patterned(self.theme.accent if k == 0 else self.theme.muted, self.pattern(k)))
            painter.setPen(QColor(self.theme.line))
            painter.drawRect(box)
            left += width
        painter.end()


def _patterned(colour: str, pattern: Qt.BrushStyle) -> object:
    from PySide6.QtGui import QBrush

    return QBrush(QColor(colour), pattern)


def swatch(colour: str, pattern: Qt.BrushStyle, line: str) -> QPixmap:
    """Give a small square of a pattern, for the legend of a bar."""
    pixmap = QPixmap(14, 12)
    pixmap.fill(Qt.GlobalColor.transparent)
    painter = QPainter(pixmap)
    painter.fillRect(QRectF(0, 0, 13, 11), _patterned(colour, pattern))
    painter.setPen(QColor(line))
    painter.drawRect(QRectF(0, 0, 13, 11))
    painter.end()
    return pixmap
