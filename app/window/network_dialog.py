"""Scans over the network: what is sent to us on the left, archives that we ask on the right."""

from __future__ import annotations

import time

from PySide6.QtCore import Qt
from PySide6.QtWidgets import QDialog, QHBoxLayout, QVBoxLayout, QWidget

from app.case_actions import CaseActions
from app.network import FIRST_PORT, FIRST_TITLE, NetworkDesk, port_of
from app.steps.parts import Lines, Row, Table, button, label, state_icon
from app.window.archive_block import ArchiveBlock, form, line


class ReceiveBlock(QWidget):
    """Starts and stops the service, and shows what lies in the inbox."""

    def __init__(self, desk: NetworkDesk, case: CaseActions) -> None:
        super().__init__()
        self.desk = desk
        self.case = case
        rows = QVBoxLayout(self)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(7)
        rows.addWidget(label("TAKE IN WHAT IS SENT", "heading"))
        self.port = line("service-port", "port", desk.workspace.settings.service_port or str(FIRST_PORT))
        self.title = line("service-title", "1 to 16 letters", FIRST_TITLE)
        self.inbox = label("", wrap=True)
        self.change = button("Change …", self._change_inbox, name="service-inbox")
        rows.addWidget(form(("Our title", self.title), ("Port", self.port)))
        rows.addWidget(Row(label("Inbox", "note", wrap=False), self.inbox, self.change, stretch=1))
        self.switch = button("", self._switch, main=True, name="service-switch")
        self.state = Lines()
        rows.addWidget(Row(self.switch))
        rows.addWidget(self.state)
        rows.addWidget(label("IN THE INBOX", "heading"))
        self.table = Table(["Patient", "Scan of", "Came", "Objects", "Description"], stretch=4, most_rows=9)
        self.table.setObjectName("service-waiting")
        self.table.currentCellChanged.connect(lambda *_: self._show_chosen())
        rows.addWidget(self.table)
        self.chosen = label("", "note")
        rows.addWidget(self.chosen)
        self.open = button("Import this series …", self._open, main=True, name="service-open")
        self.again = button("Look again", desk.look, name="service-look")
        rows.addWidget(Row(self.open, self.again))
        rows.addStretch(1)
        desk.changed.connect(self.refresh)
        self.refresh()

    def refresh(self) -> None:
        """Bring it up to date."""
        desk, theme = self.desk, self.desk.workspace.theme
        running = desk.is_running
        self.inbox.setText(str(desk.inbox))
        for widget in (self.port, self.title, self.change):
            widget.setEnabled(not running)
        self.switch.setText("Stop the service" if running else "Start the service")
        if running:
            where = f"Listening as {desk.service.title} at {desk.service.host}, port {desk.service.port}."
            words = [
                ("answered", where),
                (
                    "note",
                    "Only programs on this computer reach it; for others see: python -m app receive --help.",
                ),
            ]
        else:
            words = [("open", "Not listening; nothing can be sent here.")]
        self.state.show_lines(words, theme)
        cut = state_icon("warning", theme)
        self.table.show_rows(
            [
                (
                    one.patient_name or "not named",
                    one.date or "–",
                    time.strftime("%d %b %H:%M", time.localtime(one.received_s)),
                    str(one.objects),
                    one.description or ("no description" if one.is_scan else "no CT or cone-beam scan"),
                )
                for one in desk.waiting
            ],
            icons=[cut if one.folder in desk.cut else None for one in desk.waiting],
        )
        self._show_chosen()

    def _show_chosen(self) -> None:
        row = self.table.currentRow()
        one = self.desk.waiting[row] if 0 <= row < len(self.desk.waiting) else None
        self.open.setEnabled(one is not None and one.is_scan)
        if one is None:
            self.chosen.setText("Choose a series." if self.desk.waiting else "Nothing has come yet.")
        elif one.folder in self.desk.cut:
            self.chosen.setText("Its sender was cut off: slices may be missing. Have it sent again.")
        elif not one.is_scan:
            self.chosen.setText("This is no CT or cone-beam series; it is kept, but cannot be opened here.")
        else:
            self.chosen.setText(f"{one.patient_name or 'Not named'}, born {one.patient_birth_date or 'not given'}.")

    def _guarded(self, work: object) -> None:
        try:
            work()  # type: ignore[operator]
        except Exception as error:
            self.desk.workspace.messages.report(error)
            self.state.show_lines([("problem", str(error))], self.desk.workspace.theme)

    def _switch(self) -> None:
        self._guarded(self.desk.stop if self.desk.is_running else self._start)

    def _start(self) -> None:
        port = port_of(self.port.text())
        self.desk.keep(service_port=str(port))
        self.desk.start(port, self.title.text().strip())

    def _change_inbox(self) -> None:
        chosen = self.case.dialogs.folder("Inbox: choose its folder", str(self.desk.inbox))
        if chosen is not None:
            self.desk.keep(inbox=str(chosen))
            self.refresh()
            self.desk.look()

    def _open(self) -> None:
        row = self.table.currentRow()
        if 0 <= row < len(self.desk.waiting):
            self.case.import_scan(self.desk.waiting[row].folder)


class NetworkDialog(QDialog):
    """Stays open beside the window; closing it leaves the service as it is."""

    def __init__(self, desk: NetworkDesk, case: CaseActions, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self.setWindowTitle("Scans over the network")
        self.setModal(False)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(18, 14, 18, 14)
        whole.setSpacing(24)
        self.receive = ReceiveBlock(desk, case)
        self.archive = ArchiveBlock(desk)
        whole.addWidget(self.receive, 1)
        whole.addWidget(self.archive, 1)
        self.resize(1120, 600)
        self.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose, False)
        desk.look()
