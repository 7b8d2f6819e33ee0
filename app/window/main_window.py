"""The window: chain on top, strip and views, the step's panel at the right, messages at the bottom."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib import resources
from pathlib import Path

from attrs import evolve
from PySide6.QtCore import Qt, QTimer
from PySide6.QtGui import QCloseEvent, QFont, QFontDatabase, QShowEvent
from PySide6.QtWidgets import QApplication, QDialog, QMainWindow, QSplitter, QStackedWidget, QVBoxLayout, QWidget

from app.case_actions import CaseActions
from app.commands import Commands
from app.first_look import start_view
from app.network import NetworkDesk
from app.plan_actions import PlanActions
from app.scene.scene_view import SceneView
from app.sections.row_view import RowView
from app.sections.section_view import SectionView
from app.sections.strip_view import StripView
from app.settings import Settings
from app.steps.panel import PANEL_PX, PanelStack
from app.steps.parts import label
from app.theme import FONT_BASE_PX, style_sheet
from app.tools.tool import ToolBox
from app.view_state import ViewKind
from app.window.bottom_bar import BottomBar
from app.window.chain_bar import ChainBar
from app.window.network_dialog import NetworkDialog
from app.window.surgery import SurgeryView
from app.window.tool_banner import ToolBanner
from app.workspace import Workspace

MOUSE_HELP = (
    ("Click in a section or the strip", "go there"),
    ("Click in the rows under the strip", "go along the arch, whatever tool is in hand"),
    ("Drag in a section", "contrast: sideways the window, up and down the level"),
    ("Right or middle drag", "shift the picture"),
    ("Wheel", "next section; on the strip along the arch"),
    ("Ctrl+wheel, Shift+wheel", "magnify; average over a thicker slab"),
    ("Click on a fixture", "take it in hand: sections turn to its axis"),
    ("Drag its body, also in 3D", "move it; with Ctrl along its axis only, with Shift turn it"),
    ("Drag the square at its apex or over its platform", "turn it about its entry; about its apex"),
    ("Drag a planned tooth", "move it; with Shift turn it"),
    ("Arrow keys, Page keys in a view", "along the arch; through the sections"),
    ("Alt+drag, Shift+arrow keys in a section", "lean it by hand; Home: straight again"),
)


@cache
def _own_font_family() -> str:
    """Load the shipped font, so that every machine shows the same widths; empty if it cannot be read."""
    folder = resources.files("planner_core.exchange").joinpath("fonts")
    families: list[str] = []
    for name in ("DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf"):
        number = QFontDatabase.addApplicationFontFromData(folder.joinpath(name).read_bytes())
        families += QFontDatabase.applicationFontFamilies(number) if number >= 0 else []
    return next((family for family in families if "Condensed" in family), "")


def _own_font() -> QFont:
    font = QFont(_own_font_family()) if _own_font_family() else QFont()
    font.setPixelSize(FONT_BASE_PX)
    return font


class MainWindow(QMainWindow):
    """Holds the parts; what they do is elsewhere. Parts that need it are set by `build.py` through `furnish`."""

    def __init__(
        self, workspace: Workspace, case: CaseActions, toolbox: ToolBox, keep_settings: Callable[[Settings], None]
    ) -> None:
        super().__init__()
        self.workspace = workspace
        self.case = case
        self.toolbox = toolbox
        self._keep_settings = keep_settings
        self.setWindowTitle("Plumbline")
        self.resize(1366, 768)
        self.setMinimumSize(1000, 620)
        self.surgery: SurgeryView | None = None
        self.commands: Commands
        self.plan_actions: PlanActions
        self._chores: list[Callable[[], None]] = []
        self.desk = NetworkDesk(workspace, keep_settings)
        self.network: NetworkDialog | None = None

    # ------------------------------------------------------------ furnishing

    def furnish(self, commands: Commands, panels: PanelStack, welcome: QWidget) -> None:
        """Put everything in its place."""
        self.commands = commands
        self.panels = panels
        self.welcome = welcome
        workspace, toolbox = self.workspace, self.toolbox
        self.chain = ChainBar(workspace)
        self.strip = StripView(workspace, toolbox)
        self.views = {kind: SectionView(kind, workspace, toolbox) for kind in ViewKind}
        for view in self.views.values():
            view.show_planes_of([other for other in self.views.values() if other is not view])
        self.row = RowView(workspace, toolbox)
        self.scene = SceneView(workspace, toolbox)
        self.banner = ToolBanner(toolbox)
        self.bottom = BottomBar(workspace)
        commands.fill(self.menuBar())
        self.stack = QStackedWidget()
        self.stack.addWidget(welcome)
        self.stack.addWidget(self._desk())
        whole = QWidget()
        rows = QVBoxLayout(whole)
        rows.setContentsMargins(0, 0, 0, 0)
        rows.setSpacing(0)
        rows.addWidget(self.chain)
        rows.addWidget(self.stack, 1)
        rows.addWidget(self.bottom)
        self.setCentralWidget(whole)
        self._listen()
        self.dress()
        self._on_opened()

    def _desk(self) -> QWidget:
        small = QSplitter(Qt.Orientation.Vertical)
        small.addWidget(self.views[ViewKind.ALONG])
        small.addWidget(self.views[ViewKind.AXIAL])
        small.setSizes([210, 230])
        views = QSplitter(Qt.Orientation.Horizontal)
        views.addWidget(self.views[ViewKind.ACROSS])
        views.addWidget(small)
        views.addWidget(self.scene)
        views.setSizes([360, 330, 310])
        upright = QSplitter(Qt.Orientation.Vertical)
        upright.addWidget(self.strip)
        self.pages = QStackedWidget()
        self.pages.addWidget(views)
        self.pages.addWidget(self.row)
        upright.addWidget(self.pages)
        upright.setSizes([232, 406])
        upright.setStretchFactor(0, 1)
        upright.setStretchFactor(1, 2)
        left = QWidget()
        rows = QVBoxLayout(left)
        rows.setContentsMargins(8, 0, 0, 0)
        rows.setSpacing(6)
        rows.addWidget(self.banner)
        rows.addWidget(upright, 1)
        desk = QSplitter(Qt.Orientation.Horizontal)
        desk.addWidget(left)
        desk.addWidget(self.panels)
        desk.setSizes([1366 - PANEL_PX, PANEL_PX])
        desk.setStretchFactor(0, 1)
        desk.setStretchFactor(1, 0)
        self.splitters = {"small": small, "views": views, "upright": upright, "desk": desk}
        for name, splitter in self.splitters.items():
            splitter.setHandleWidth(5)
            splitter.setChildrenCollapsible(False)
            splitter.setObjectName(f"sizes-{name}")
        return desk

    def _listen(self) -> None:
        signals, view = self.workspace.signals, self.workspace.view
        for signal in (
            signals.opened,
            signals.changed,
            signals.history_changed,
            view.selected,
            view.stepped,
            view.restyled,
        ):
            signal.connect(self._on_state)
        signals.opened.connect(self._on_opened)
        self.toolbox.changed.connect(self._on_state)
        self.toolbox.redraw.connect(self._redraw)
        for follower in (*self.views.values(), self.strip):
            self.toolbox.dragged.connect(follower.follow)
        self.toolbox.dragged.connect(self.row.update)
        self.workspace.jobs.ended.connect(self._on_state)
        view.restyled.connect(self._on_row)

    def at_close(self, chore: Callable[[], None]) -> None:
        """Do this when the window closes."""
        self._chores.append(chore)

    # ------------------------------------------------------------ reactions

    def _on_state(self, *_: object) -> None:
        self.commands.refresh()
        if self.workspace.is_open:
            session = self.workspace.session
            for name, verb, what in (
                ("edit.undo", "Undo", session.undo_label),
                ("edit.redo", "Redo", session.redo_label),
            ):
                self.commands.action(name).setText(f"{verb}: {what}" if what else verb)

    def _on_opened(self) -> None:
        workspace = self.workspace
        self.stack.setCurrentIndex(1 if workspace.is_open else 0)
        self.chain.setEnabled(workspace.is_open)
        self.chain.setVisible(workspace.is_open)
        title = workspace.plan.title or "case"
        self.setWindowTitle(f"{title} - Plumbline" if workspace.is_open else "Plumbline")
        self._on_state()

    def _redraw(self) -> None:
        for view in (*self.views.values(), self.strip, self.row):
            view.update()

    def _on_row(self) -> None:
        self.pages.setCurrentIndex(1 if self.workspace.view.row_count > 1 else 0)

    def showEvent(self, event: QShowEvent) -> None:  # noqa: N802
        """Bring the 3D part in once the window is on the screen."""
        super().showEvent(event)
        QTimer.singleShot(50, self, self.scene.start)

    def closeEvent(self, event: QCloseEvent) -> None:  # noqa: N802
        """Put tools away, keep the view, stop the work, let go of everything."""
        self.toolbox.stop()
        self.case.keep_view()
        for chore in self._chores:
            chore()
        self.scene.close_scene()
        self.desk.close()
        self.workspace.jobs.close()
        if self.workspace.is_open:
            self.case.close_case()
        super().closeEvent(event)

    # ------------------------------------------------------------ commands of the window

    def undo(self) -> None:
        """Take the last step back."""
        self.toolbox.stop()
        self.workspace.session.undo()

    def redo(self) -> None:
        """Do it again."""
        self.toolbox.stop()
        self.workspace.session.redo()

    def leave(self) -> None:
        """Put the tool away; without one, the fixture in hand."""
        if self.toolbox.active is not None:
            self.toolbox.stop()
        else:
            self.toolbox.stop()
            self.workspace.view.select("")

    def first_contrast(self) -> None:
        """Go back to the contrast that the scan was opened with."""
        view = self.workspace.view
        focus, station = view.focus_lps_mm, view.station_mm
        start_view(self.workspace)
        view.go_to(focus, station)

    def dress(self) -> None:
        """Put the look on."""
        app = QApplication.instance()
        assert isinstance(app, QApplication)
        app.setStyle("Fusion")
        app.setFont(_own_font())
        app.setStyleSheet(style_sheet(self.workspace.theme))

    def toggle_theme(self) -> None:
        """Dark or light."""
        other = "dark" if self.workspace.settings.theme == "light" else "light"
        self._change_settings(evolve(self.workspace.settings, theme=other))

    def toggle_notation(self) -> None:
        """ISO 3950 or Universal numbers on the screen."""
        other = "iso" if self.workspace.settings.notation == "universal" else "universal"
        self._change_settings(evolve(self.workspace.settings, notation=other))

    def _change_settings(self, settings: Settings) -> None:
        self.workspace.settings = settings
        self._keep_settings(settings)
        self.dress()
        self.workspace.settings_changed.emit()
        self.workspace.view.restyled.emit()
        self.chain.refresh()

    def show_network(self) -> None:
        """Open the window for scans over the network, beside this one."""
        if self.network is None:
            self.network = NetworkDialog(self.desk, self.case, self)
        self.network.show()
        self.network.raise_()
        self.desk.look()

    def show_surgery(self) -> None:
        """Open the view for the chair."""
        self.toolbox.stop()
        self.surgery = SurgeryView(self.workspace, self)
        self.surgery.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        self.surgery.resize(self.size())
        self.surgery.finished.connect(self._surgery_left)
        self.surgery.open()

    def _surgery_left(self) -> None:
        self.surgery = None

    def export_sheet(self, final: bool, path: Path | None) -> None:
        """Export the drilling sheet."""
        from app.window.export import export_sheet

        export_sheet(self.workspace, self.case.dialogs, final, path)

    def open_list(self) -> None:
        """Open the clinic's own list of parts."""
        path = self.case.ask_list()
        if path is not None:
            self.plan_actions.parts.open_list(path)

    def show_keys(self) -> None:
        """Show every key and what the mouse does, printed from the table of commands."""
        lines = [f"<tr><td style='padding:2px 18px 2px 0'>{a}</td><td>{b}</td></tr>" for a, b in MOUSE_HELP]
        for command in self.commands:  # type: ignore[attr-defined]
            if command.shortcuts:
                keys = " or ".join(command.shortcuts)
                lines.append(f"<tr><td style='padding:2px 18px 2px 0'>{keys}</td><td>{command.title}</td></tr>")
        self._show_text("Keys and mouse", f"<table>{''.join(lines)}</table>")

    def show_about(self) -> None:
        """Show what the program is and what it is not."""
        from app.window.welcome import LIMITS, PURPOSE

        self._show_text("About Plumbline", f"<p>{PURPOSE}</p><p>{LIMITS}</p>")

    def _show_text(self, title: str, html: str) -> None:
        from PySide6.QtWidgets import QScrollArea

        dialog = QDialog(self)
        dialog.setAttribute(Qt.WidgetAttribute.WA_DeleteOnClose)
        dialog.setWindowTitle(title)
        rows = QVBoxLayout(dialog)
        text = label(html)
        text.setTextFormat(Qt.TextFormat.RichText)
        text.setContentsMargins(12, 8, 12, 8)
        area = QScrollArea()
        area.setWidgetResizable(True)
        area.setWidget(text)
        rows.addWidget(area)
        dialog.resize(560, min(620, self.height() - 60))
        dialog.open()
