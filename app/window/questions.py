"""The questions of the window that show pictures or findings."""

from __future__ import annotations

from PySide6.QtWidgets import QDialog

from app.dialogs import Dialogs
from app.questions import ScanAnswer, ScanQuestion, SurfaceAnswer, SurfaceQuestion
from app.window.lines_dialog import LinesDialog
from app.window.scan_chooser import ScanChooser
from app.window.surface_dialog import SurfaceDialog
from app.workspace import Workspace

TAKEN = QDialog.DialogCode.Accepted


class WindowDialogs(Dialogs):
    """Asks with dialogs of our own where those of the desktop do not do."""

    def __init__(self, workspace: Workspace) -> None:
        super().__init__(None)
        self._workspace = workspace

    def choose_scan(self, question: ScanQuestion) -> ScanAnswer | None:
        """Ask which series is meant and whether its identity is kept."""
        dialog = ScanChooser(question, self._workspace.theme, self.parent)
        return dialog.answer if self._ask(dialog) else None

    def confirm_surface(self, question: SurfaceQuestion) -> SurfaceAnswer | None:
        """Ask for a surface scan's unit, role and size, showing its faults."""
        dialog = SurfaceDialog(question, self._workspace.theme, self.parent)
        return dialog.answer if self._ask(dialog) else None

    def show_lines(self, title: str, text: str, lines: list[tuple[str, str]]) -> None:
        """Show (state, sentence) lines under a sentence."""
        self._ask(LinesDialog(title, text, lines, self._workspace.theme, "", self.parent))

    def confirm(self, title: str, text: str, lines: list[tuple[str, str]], yes: str) -> bool:
        """Show the same and ask whether to do what `yes` says."""
        return self._ask(LinesDialog(title, text, lines, self._workspace.theme, yes, self.parent))

    @staticmethod
    def _ask(dialog: QDialog) -> bool:
        try:
            return bool(dialog.exec() == TAKEN)
        finally:
            dialog.deleteLater()
