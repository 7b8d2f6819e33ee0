"""Commands about cases, scans that come in, and what leaves the practice."""

from __future__ import annotations

from typing import Any

from app.case_actions import CaseActions
from app.commands import Command
from app.workspace import Workspace


def rows(workspace: Workspace, case: CaseActions, window: Any) -> list[Command]:
    """Give the menu of the case."""
    care = case.care

    def is_open() -> bool:
        return workspace.is_open

    def is_kept() -> bool:
        return workspace.is_open and workspace.store is not None

    return [
        Command("case.new", "New case …", "Case", case.new_case, ("Ctrl+N",)),
        Command("case.open", "Open case …", "Case", case.open_case, ("Ctrl+O",)),
        Command("case.sample", "Open sample case", "Case", case.open_sample),
        Command("case.close", "Close case", "Case", case.close_case, ("Ctrl+W",), is_enabled=is_open),
        Command("scan.folder", "Open scan folder …", "Case", case.import_folder, ("Ctrl+I",), separated=True),
        Command("scan.file", "Open scan file …", "Case", case.import_file),
        Command("scan.network", "Scans over the network …", "Case", window.show_network),
        Command("surface.open", "Open surface scan …", "Case", case.add_surface, is_enabled=is_open),
        Command("case.check", "Check the case", "Case", care.check_case, is_enabled=is_kept, separated=True),
        Command("case.copy", "Save a copy …", "Case", care.save_copy, is_enabled=is_kept),
        Command("case.pack", "Pack the case …", "Case", care.pack, is_enabled=is_kept),
        Command(
            "case.pack_anonymous",
            "Pack without identity …",
            "Case",
            lambda: care.pack(without_identity=True),
            is_enabled=is_kept,
        ),
        Command("case.unpack", "Unpack a case …", "Case", care.unpack),
        Command("scan.anonymous", "Copy a scan without identity …", "Case", care.export_without_identity),
        Command(
            "sheet.draft",
            "Export draft sheet …",
            "Case",
            lambda: window.export_sheet(False, None),
            is_enabled=lambda: bool(workspace.plan.fixtures),
            separated=True,
        ),
        Command("window.close", "Quit", "Case", window.close, ("Ctrl+Q",), separated=True),
    ]
