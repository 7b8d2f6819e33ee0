"""The half of the network window that asks an archive: where it is, what is looked for, what is fetched."""

from __future__ import annotations

from typing import Any

from PySide6.QtWidgets import QCheckBox, QGridLayout, QLineEdit, QStackedWidget, QVBoxLayout, QWidget

from app.network import NetworkDesk, Place, ask_series, ask_studies, fetch
from app.steps.parts import Row, Table, button, combo, label
from planner_core.exchange.archive_query import FoundSeries, FoundStudy


def line(name: str, placeholder: str = "", text: str = "") -> QLineEdit:
    """Give a line to type into."""
    made = QLineEdit(text)
    made.setObjectName(name)
    made.setPlaceholderText(placeholder)
    return made


def form(*rows: tuple[str, QWidget]) -> QWidget:
    """Give labelled fields under each other."""
    made = QWidget()
    grid = QGridLayout(made)
    grid.setContentsMargins(0, 0, 0, 0)
    grid.setHorizontalSpacing(10)
    grid.setVerticalSpacing(5)
    grid.setColumnStretch(1, 1)
    for row, (words, widget) in enumerate(rows):
        grid.addWidget(label(words, "note", wrap=False), row, 0)
        grid.addWidget(widget, row, 1)
    return made


def day(date: str) -> str:
    """Give a DICOM date (YYYYMMDD) as YYYY-MM-DD; anything else as it is."""
    return f"{date[:4]}-{date[4:6]}-{date[6:]}" if len(date) == 8 and date.isdigit() else date


class ArchiveBlock(QWidget):
    """Asks an archive and fetches into the inbox."""

    def __init__(self, desk: NetworkDesk) -> None:
        super().__init__()
        self.desk = desk
        self._studies: tuple[FoundStudy, ...] = ()
        self._series: tuple[FoundSeries, ...] = ()
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(7)
        rows.addWidget(label("FETCH FROM AN ARCHIVE", "heading"))
        self.kind = combo("archive-kind")
        self.kind.addItems(["An archive that speaks DICOM", "An archive on the web (DICOMweb)"])
        rows.addWidget(self.kind)
        rows.addWidget(self._addresses())
        rows.addWidget(label("LOOK FOR (a star stands for any letters)", "heading"))
        self.name = line("archive-name", "name of the patient")
        self.number = line("archive-number", "number of the patient")
        self.date = line("archive-date", "date: 20261129")
        self.date.setToolTip("Year, month and day; a range as 20261101-20261130")
        self.date.setFixedWidth(150)
        self.ask = button("Look", self._look, main=True, name="archive-look")
        rows.addWidget(self.name)
        rows.addWidget(Row(self.number, self.date, stretch=0))
        self.words = label("", "note")
        rows.addWidget(Row(self.ask, self.words, stretch=1))
        self.studies = Table(["Patient", "Date", "What", "Description"], stretch=3, most_rows=5)
        self.studies.setObjectName("archive-studies")
        self.studies.currentCellChanged.connect(self._list_series)
        rows.addWidget(self.studies)
        self.series = Table(["Series", "Kind", "Objects"], stretch=0, most_rows=5)
        self.series.setObjectName("archive-series")
        self.series.currentCellChanged.connect(lambda *_: self._enable())
        rows.addWidget(self.series)
        self.move_ = QCheckBox("Let the archive send it to the service here", self)
        self.move_.setToolTip("For archives that answer no direct fetching; they must know our title and port.")
        self.fetch = button("Fetch into the inbox", self._fetch, name="archive-fetch")
        rows.addWidget(Row(self.fetch, self.move_))
        rows.addStretch(1)
        self.kind.currentIndexChanged.connect(self._on_kind)
        desk.changed.connect(self._enable)
        self._fill_in(desk.workspace.settings.archive)
        self._enable()

    def _addresses(self) -> QWidget:
        self.title = line("archive-title", "the archive's title")
        self.host = line("archive-host", "name or address of its computer")
        self.port = line("archive-port", "port")
        self.our_title = line("archive-our-title", "how we call ourselves", Place().our_title)
        self.url = line("archive-url", "https://…")
        self.user = line("archive-user", "where one is asked for")
        self.password = line("archive-password", "where one is asked for; it is not kept")
        self.password.setEchoMode(QLineEdit.EchoMode.Password)
        self.addresses = QStackedWidget()
        self.addresses.addWidget(
            form(
                ("Its title", self.title),
                ("Its address", Row(self.host, self.port, stretch=0)),
                ("Our title", self.our_title),
            )
        )
        self.addresses.addWidget(form(("Its address", self.url), ("User", self.user), ("Password", self.password)))
        self.port.setFixedWidth(70)
        return self.addresses

    # ------------------------------------------------------------ what was typed

    @property
    def place(self) -> Place:
        """The archive as it was typed."""
        return Place(
            self.kind.currentIndex() == 1,
            self.title.text(),
            self.host.text(),
            self.port.text(),
            self.url.text(),
            self.user.text(),
            self.password.text(),
            self.our_title.text(),
        )

    def _fill_in(self, kept: str) -> None:
        if "://" in kept:
            self.kind.setCurrentIndex(1)
            self.url.setText(kept)
        elif "@" in kept:
            title, _, rest = kept.rpartition("@")
            host, _, port = rest.rpartition(":")
            for field, text in ((self.title, title), (self.host, host), (self.port, port)):
                field.setText(text)

    def _kept(self) -> str:
        place = self.place
        return place.url if place.web else f"{place.title}@{place.host}:{place.port}"

    def _on_kind(self, index: int) -> None:
        self.addresses.setCurrentIndex(index)
        self._enable()

    def _enable(self, *_: object) -> None:
        self.fetch.setEnabled(0 <= self.series.currentRow() < len(self._series))
        self.move_.setVisible(self.kind.currentIndex() == 0)
        self.move_.setEnabled(self.desk.is_running)
        if not self.desk.is_running:
            self.move_.setChecked(False)

    # ------------------------------------------------------------ asking

    def _start(self, title: str, done: Any, work: Any, *args: Any) -> None:
        workspace = self.desk.workspace
        self.words.setText(f"{title} …")
        job = workspace.jobs.start(title, work, *args, key="archive")
        job.succeeded.connect(done)
        job.failed.connect(self._failed)
        job.progressed.connect(lambda _, text: self.words.setText(text or title))

    def _failed(self, error: BaseException) -> None:
        self.desk.workspace.messages.report(error)
        self.words.setText(str(error) if hasattr(error, "remedy") else "That did not work; see the messages.")

    def _look(self) -> None:
        wanted = {"patient_name": self.name.text(), "patient_id": self.number.text(), "date": self.date.text()}
        self.desk.keep(archive=self._kept())
        self._show_studies(())
        self._start("Asking the archive", self._found, ask_studies, self.place, wanted)

    def _found(self, studies: tuple[FoundStudy, ...]) -> None:
        self.words.setText(f"{len(studies)} found." if studies else "Nothing was found.")
        self._show_studies(studies)

    def _show_studies(self, studies: tuple[FoundStudy, ...]) -> None:
        self._studies = studies
        self.studies.clearSelection()
        self.studies.setCurrentCell(-1, -1)
        self.studies.show_rows(
            [
                (s.patient_name or s.patient_id, day(s.date), s.modalities, s.description or "no description")
                for s in studies
            ]
        )
        self._show_series(())

    def _list_series(self, row: int, *_: int) -> None:
        if 0 <= row < len(self._studies):
            study = self._studies[row]
            self._start("Listing the series", self._listed, ask_series, self.place, study.study_uid)

    def _listed(self, series: tuple[FoundSeries, ...]) -> None:
        self.words.setText(f"{len(series)} series. Choose one and fetch it.")
        self._show_series(series)

    def _show_series(self, series: tuple[FoundSeries, ...]) -> None:
        self._series = series
        self.series.setCurrentCell(-1, -1)
        self.series.show_rows(
            [
                (s.description or "no description", s.modality, "?" if s.objects is None else str(s.objects))
                for s in series
            ]
        )
        self._enable()

    def _fetch(self) -> None:
        row = self.series.currentRow()
        if 0 <= row < len(self._series):
            by_move = self.move_.isChecked()
            args = (self.place, self._series[row], self.desk.inbox, by_move)
            self._start("Fetching the series", self._fetched, fetch, *args)

    def _fetched(self, got: Any) -> None:
        failed = f"; {got.failed} failed" if got.failed else ""
        self.words.setText(f"{got.received} objects came into the inbox{failed}.")
        self.desk.look()
