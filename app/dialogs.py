"""Questions that stop the window; behind one small class, so that tests can answer them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from PySide6.QtWidgets import QFileDialog, QInputDialog, QWidget

from app.questions import ScanAnswer, ScanQuestion, SurfaceAnswer, SurfaceQuestion

SCAN_FILES = "Scans (*.dcm *.DCM *.zip *.nii *.nii.gz *.nrrd *.mha *.mhd DICOMDIR);;All files (*)"
LIST_FILES = "Lists of parts and implant templates (*.csv *.dcm);;All files (*)"
SURFACE_FILES = "Surface scans (*.stl *.ply *.obj *.3mf);;All files (*)"


class Dialogs:
    """Asks the user with the dialogs of the desktop."""

    def __init__(self, parent: QWidget | None = None) -> None:
        self.parent = parent

    def folder(self, title: str, start: str = "") -> Path | None:
        """Ask for a folder that is there."""
        found = QFileDialog.getExistingDirectory(self.parent, title, start)
        return Path(found) if found else None

    def file(self, title: str, kinds: str, start: str = "") -> Path | None:
        """Ask for a file that is there."""
        found, _ = QFileDialog.getOpenFileName(self.parent, title, start, kinds)
        return Path(found) if found else None

    def new_file(self, title: str, kinds: str, start: str = "") -> Path | None:
        """Ask where a new file shall go."""
        found, _ = QFileDialog.getSaveFileName(self.parent, title, start, kinds)
        return Path(found) if found else None

    def one_of(self, title: str, text: str, choices: list[str]) -> int | None:
        """Ask for one of several; gives its index."""
        chosen, taken = QInputDialog.getItem(self.parent, title, text, choices, 0, False)
        return choices.index(chosen) if taken else None

    def text(self, title: str, text: str, start: str = "") -> str | None:
        """Ask for a line of text."""
        given, taken = QInputDialog.getText(self.parent, title, text, text=start)
        return given if taken else None

    # What shows pictures or findings is drawn by the window: `app.window.questions`.

    def choose_scan(self, question: ScanQuestion) -> ScanAnswer | None:
        """Ask which series is meant and whether its identity is kept; None: none of them."""
        raise NotImplementedError

    def confirm_surface(self, question: SurfaceQuestion) -> SurfaceAnswer | None:
        """Ask for a surface scan's unit, role and size, showing its faults; None: leave it."""
        raise NotImplementedError

    def show_lines(self, title: str, text: str, lines: list[tuple[str, str]]) -> None:
        """Show (state, sentence) lines under a sentence."""
        raise NotImplementedError

    def confirm(self, title: str, text: str, lines: list[tuple[str, str]], yes: str) -> bool:
        """Show the same and ask whether to do what `yes` says."""
        raise NotImplementedError


class Answers(Dialogs):
    """Dialogs that answer by themselves, for tests and for the demo."""

    def __init__(self, **answers: Any) -> None:
        super().__init__(None)
        self.answers = answers
        self.asked: list[str] = []

    def _give(self, name: str, title: str) -> Any:
        self.asked.append(title)
        return self.answers.get(name)

    def folder(self, title: str, start: str = "") -> Path | None:
        """Answer."""
        return self._give("folder", title)  # type: ignore[no-any-return]

    def file(self, title: str, kinds: str, start: str = "") -> Path | None:
        """Answer."""
        return self._give("file", title)  # type: ignore[no-any-return]

    def new_file(self, title: str, kinds: str, start: str = "") -> Path | None:
        """Answer."""
        return self._give("new_file", title)  # type: ignore[no-any-return]

    def one_of(self, title: str, text: str, choices: list[str]) -> int | None:
        """Answer."""
        return self._give("one_of", title)  # type: ignore[no-any-return]

    def text(self, title: str, text: str, start: str = "") -> str | None:
        """Answer."""
        return self._give("text", title)  # type: ignore[no-any-return]

    def choose_scan(self, question: ScanQuestion) -> ScanAnswer | None:
        """Answer; the first series, as it is, unless told otherwise."""
        self.asked.append("choose_scan")
        return self.answers.get("choose_scan", ScanAnswer(question.listing.series[0].uid))  # type: ignore[no-any-return]

    def confirm_surface(self, question: SurfaceQuestion) -> SurfaceAnswer | None:
        """Answer; the guessed unit and the usual frame, unless told otherwise."""
        self.asked.append("confirm_surface")
        shares = question.usually_shares(question.role)
        usual = SurfaceAnswer(question.read.unit, question.role, shares_frame=shares)
        return self.answers.get("confirm_surface", usual)  # type: ignore[no-any-return]

    def show_lines(self, title: str, text: str, lines: list[tuple[str, str]]) -> None:
        """Take note."""
        self.asked.append(f"{title}: {text}")

    def confirm(self, title: str, text: str, lines: list[tuple[str, str]], yes: str) -> bool:
        """Answer."""
        self.asked.append(f"{title}: {text}")
        return bool(self.answers.get("confirm", False))
