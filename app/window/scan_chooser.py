"""Which of the series found belongs to the case, and whose it is."""

from __future__ import annotations

import math

import numpy as np
from PySide6.QtCore import QSize, Qt
from PySide6.QtGui import QColor, QIcon, QImage, QPainter, QPixmap
from PySide6.QtWidgets import (
    QAbstractItemView,
    QCheckBox,
    QDialog,
    QFrame,
    QHBoxLayout,
    QListWidget,
    QListWidgetItem,
    QScrollArea,
    QVBoxLayout,
    QWidget,
)

from app.questions import ScanAnswer, ScanQuestion
from app.steps.parts import Facts, Lines, button, label
from app.theme import Theme
from planner_core.case.identity import face_in
from planner_core.imaging.dicom_import import SeriesSummary
from planner_core.imaging.dicom_words import words_for
from planner_core.imaging.import_findings import LARGEST_VOXEL_MM

THUMBNAIL_PX = 88
"""Side of a small picture in the list (our choice)."""


def lengths(values: tuple[float, ...], digits: int) -> str:
    """Give lengths in mm as words; what the positions do not say is said so."""
    if not all(math.isfinite(value) for value in values):
        return "not known"
    return " x ".join(f"{value:.{digits}f}" for value in values) + " mm"


def series_words(series: SeriesSummary) -> str:
    """Give the lines that stand beside a series' picture."""
    slices, rows, columns = series.shape
    files = f"{series.n_files} file{'s' * (series.n_files != 1)}"
    lines = [
        series.description or "no description",
        f"{series.date or 'no date'}   {series.kind}   {columns} x {rows} x {slices}, {files}",
        f"Voxel {lengths(series.spacing_mm[::-1], 2)}   Field of view {lengths(series.size_mm[::-1], 0)}",
    ]
    if series.problem:
        lines.append(("Needs resampling: " if series.resample_helps else "Cannot be taken: ") + series.problem)
    return "\n".join(lines)


def thumbnail(series: SeriesSummary, theme: Theme) -> QPixmap:
    """Give the small picture of a series on a square of the pictures' ground."""
    square = QPixmap(THUMBNAIL_PX, THUMBNAIL_PX)
    square.fill(QColor(theme.picture))
    painter = QPainter(square)
    if series.thumbnail is None:
        painter.setPen(QColor(theme.picture_text))
        painter.drawText(square.rect(), Qt.AlignmentFlag.AlignCenter, "no picture")
    else:
        grey = np.ascontiguousarray(series.thumbnail)
        rows, columns = grey.shape
        image = QImage(grey.tobytes(), columns, rows, columns, QImage.Format.Format_Grayscale8)
        scaled = image.scaled(
            square.size(), Qt.AspectRatioMode.KeepAspectRatio, Qt.TransformationMode.SmoothTransformation
        )
        painter.drawImage((THUMBNAIL_PX - scaled.width()) // 2, (THUMBNAIL_PX - scaled.height()) // 2, scaled)
    painter.end()
    return square


class ScanChooser(QDialog):
    """The series with their pictures on the left; whose it is, and how it is taken, on the right."""

    def __init__(self, question: ScanQuestion, theme: Theme, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._question = question
        self._theme = theme
        exporting = question.exporting
        self.setWindowTitle("Scan without identity" if exporting else "Import a scan")
        whole = QVBoxLayout(self)
        whole.setContentsMargins(18, 14, 18, 14)
        whole.setSpacing(10)
        count = len(question.listing.series)
        found = "One series was found" if count == 1 else f"{count} series were found"
        task = "Which one is to be copied without identity?" if exporting else "Which one belongs to this case?"
        whole.addWidget(label(f"{found}. {task}" if count > 1 else f"{found}.", "title"))
        middle = QHBoxLayout()
        middle.setSpacing(16)
        self.list = self._make_list()
        middle.addWidget(self.list, 3)
        middle.addWidget(self._make_side(exporting), 2)
        whole.addLayout(middle, 1)
        whole.addWidget(label(self._left_out(), "note"))
        feet = QHBoxLayout()
        feet.addStretch(1)
        feet.addWidget(button("Cancel", self.reject, name="scan-cancel"))
        words = "Copy this series …" if exporting else "Import this series"
        self.take = button(words, self.accept, main=True, name="scan-take")
        feet.addWidget(self.take)
        whole.addLayout(feet)
        self.resize(940, 540)
        self.list.currentRowChanged.connect(self._show)
        self.list.itemDoubleClicked.connect(lambda _: self.take.click())
        self.list.setCurrentRow(self._first_good())

    # ------------------------------------------------------------ making

    def _make_list(self) -> QListWidget:
        made = QListWidget()
        made.setObjectName("scan-series")
        made.setIconSize(QSize(THUMBNAIL_PX, THUMBNAIL_PX))
        made.setWordWrap(True)
        made.setSpacing(3)
        made.setVerticalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        made.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        for series in self._question.listing.series:
            picture = thumbnail(series, self._theme)
            icon = QIcon(picture)
            icon.addPixmap(picture, QIcon.Mode.Selected)  # grey values are not tinted
            item = QListWidgetItem(icon, series_words(series))
            item.setToolTip(series_words(series))
            made.addItem(item)
        return made

    def _make_side(self, exporting: bool) -> QWidget:
        side = QFrame()
        side.setProperty("role", "card")
        rows = QVBoxLayout(side)
        rows.setContentsMargins(14, 12, 14, 12)
        rows.setSpacing(8)
        rows.addWidget(label("WHOSE SCAN", "heading"))
        self.facts = Facts()
        rows.addWidget(self.facts)
        self.anonymous = QCheckBox("Keep it without identity", side)
        self.anonymous.setObjectName("scan-anonymous")
        self.anonymous.setToolTip("Name, number, birth date, dates and identifiers are left out of the case.")
        self.anonymous.toggled.connect(lambda _: self._show_lines())
        self.anonymous.setVisible(not exporting)
        rows.addWidget(self.anonymous)
        self.resample = QCheckBox("Put its slices onto an even grid", side)
        self.resample.setObjectName("scan-resample")
        self.resample.toggled.connect(lambda _: self._show_lines())
        rows.addWidget(self.resample)
        self.lines = Lines()
        rows.addWidget(self.lines)
        rows.addStretch(1)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setWidget(side)
        area.setMinimumWidth(300)
        return area

    def _left_out(self) -> str:
        skipped = words_for(self._question.listing.skipped)
        return f"Not part of any series: {skipped}." if skipped else "Every file found belongs to a series."

    def _first_good(self) -> int:
        series = self._question.listing.series
        return next((k for k, one in enumerate(series) if not one.problem), 0)

    # ------------------------------------------------------------ showing

    @property
    def chosen(self) -> SeriesSummary:
        """The series in hand."""
        return self._question.listing.series[max(0, self.list.currentRow())]

    @property
    def answer(self) -> ScanAnswer:
        """What was chosen."""
        series = self.chosen
        resample = bool(series.problem) and series.resample_helps and self.resample.isChecked()
        return ScanAnswer(series.uid, resample, not self.anonymous.isChecked())

    def _show(self, _: int) -> None:
        series = self.chosen
        self.facts.show_facts(
            [
                ("Name", series.patient_name or "not given"),
                ("Born", series.patient_birth_date or "not given"),
                ("Number", series.patient_id or "not given"),
                ("Scan of", series.date or "not given"),
            ]
        )
        self.resample.setVisible(series.resample_helps and not self._question.exporting)
        self.resample.setChecked(False)
        self._show_lines()

    def _show_lines(self) -> None:
        series, question = self.chosen, self._question
        lines: list[tuple[str, str]] = []
        name, case = series.patient_name or series.patient_id, question.case_patient
        if case and name and case != name and not question.exporting:
            lines.append(("warning", f"The open case is of {case}, the scan says {name}. Is it the right case?"))
        if series.problem and not question.exporting:
            lines.append(self._problem_line(series))
        finite = [value for value in series.spacing_mm if math.isfinite(value)]
        if finite and max(finite) > LARGEST_VOXEL_MM and not question.exporting:
            lines.append(
                ("warning", f"Voxels above {LARGEST_VOXEL_MM} mm do not resolve the canal's wall and thin bone.")
            )
        face = face_in((series.size_mm[2], series.size_mm[0]))
        if face is not None and (question.exporting or self.anonymous.isChecked()):
            lines.append(("warning", f"{face.text} Without a name it still shows a person."))
        elif face is not None:
            lines.append(("note", face.text))
        self.lines.show_lines(lines, self._theme)
        blocked = bool(series.problem) and not question.exporting
        self.take.setEnabled(not blocked or (series.resample_helps and self.resample.isChecked()))

    def _problem_line(self, series: SeriesSummary) -> tuple[str, str]:
        if not series.resample_helps:
            return "blocker", f"{series.problem}. It cannot be taken; export or copy the whole series again."
        if self.resample.isChecked():
            return (
                "warning",
                f"{series.problem}. The scan will be interpolated, which blurs it; the sheet will say so.",
            )
        return (
            "warning",
            f"{series.problem}. Tick the box above, or export it again without it.",
        )
