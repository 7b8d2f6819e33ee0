"""The view for the chair: locked, one site, one drill, its depth in large type, one big Next; no edits."""

from __future__ import annotations

from PySide6.QtCore import Qt
from PySide6.QtGui import QKeyEvent
from PySide6.QtWidgets import QDialog, QFrame, QHBoxLayout, QLabel, QPushButton, QSizePolicy, QVBoxLayout, QWidget

from app.words import mm, site_words
from app.workspace import Workspace
from planner_core.case import derived
from planner_core.findings import Severity
from planner_core.protocol.crest import platform_below_crest_mm
from planner_core.protocol.sheet import DrillRow, drill_rows

TARGET_MM = 12.0
"""Least side of what is touched at the chair, mm (DESIGN.md section 7)."""
WARNING = (
    "Plan only. Manufacturers' drilling instructions and local rules come first. Stop if a drill stops early, goes"
    " deeper than planned, or the guide moves."
)


class SurgeryView(QDialog):
    """Shown over the window; leaves by holding nothing back: one button, said plainly."""

    def __init__(self, workspace: Workspace, parent: QWidget | None = None) -> None:
        super().__init__(parent)
        self._workspace = workspace
        self.setWindowTitle("Surgery view")
        self.setModal(True)
        self.pages = self._pages()
        self.place = 0
        side_px = round(TARGET_MM / 25.4 * self.logicalDpiX())
        rows = QVBoxLayout(self)
        rows.setContentsMargins(36, 24, 36, 24)
        rows.setSpacing(10)
        self.draft = self._label(26, "bad")
        self.site = self._label(30)
        self.code = self._label(22, "muted")
        self.step = self._label(26)
        self.depth = self._label(140)
        self.depth.setWordWrap(False)
        self.basis = self._label(22, "muted")
        self.note = self._label(16, "muted")
        for widget in (self.draft, self.site, self.code):
            rows.addWidget(widget)
        rows.addStretch(1)
        for widget in (self.step, self.depth, self.basis):
            rows.addWidget(widget)
            widget.setAlignment(Qt.AlignmentFlag.AlignCenter)
        rows.addStretch(1)
        self.site_row = QHBoxLayout()
        self.site_row.setSpacing(12)
        rows.addLayout(self.site_row)
        buttons = QHBoxLayout()
        buttons.setSpacing(16)
        self.leave = self._button("Leave", side_px, 18)
        self.leave.clicked.connect(self.accept)
        self.back = self._button("Back", side_px, 18)
        self.back.clicked.connect(lambda: self.go(-1))
        self.next = self._button("Next", max(2 * side_px, 110), 40)
        self.next.setProperty("role", "main")
        self.next.setStyleSheet("font-size: 40px;")
        self.next.clicked.connect(lambda: self.go(1))
        self.next.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        for widget in (self.leave, self.back):
            buttons.addWidget(widget, 0, Qt.AlignmentFlag.AlignBottom)
        buttons.addWidget(self.next, 1)
        rows.addLayout(buttons)
        rule = QFrame()
        rule.setProperty("role", "rule")
        rows.addWidget(rule)
        rows.addWidget(self.note)
        self.note.setText(WARNING)
        self.next.setFocus()
        self.refresh()

    @staticmethod
    def _button(text: str, height: int, size: int) -> QPushButton:
        made = QPushButton(text)
        made.setFixedHeight(height)
        made.setMinimumWidth(max(height, 120))
        made.setStyleSheet(f"font-size: {size}px;")
        return made

    def _label(self, size: int, colour: str = "text") -> QLabel:
        made = QLabel()
        made.setWordWrap(True)
        made.setStyleSheet(f"font-size: {size}px; color: {getattr(self._workspace.theme, colour)};")
        return made

    def _pages(self) -> list[tuple[str, DrillRow | None, int]]:
        """Give (site, drill, number of drills) in their order; a site without drills has one page saying so."""
        plan = self._workspace.plan
        bone = derived.bone_in_use(plan)
        pages: list[tuple[str, DrillRow | None, int]] = []
        for site, fixture in plan.fixtures.items():
            drills = plan.guide.drill_list
            if drills is None:
                pages.append((site, None, 0))
                continue
            below = None if bone is None else platform_below_crest_mm(fixture.pose, bone.surface)
            rows = drill_rows(drills, plan.guide.sleeves.get(site), fixture.shape.length_mm, below)
            pages += [(site, row, len(rows)) for row in rows]
        return pages

    def go(self, by: int) -> None:
        """Go on or back by a page; the last one stays."""
        self.place = max(0, min(len(self.pages) - 1, self.place + by))
        self.refresh()

    def refresh(self) -> None:
        """Show the page."""
        plan, numbers = self._workspace.plan, self._workspace.numbers
        blocked = any(f.severity is Severity.BLOCKER for f in numbers.findings)
        self.draft.setVisible(blocked or numbers.plan is not plan)
        self.draft.setText("DRAFT: not released for surgery. See what stands against it under Sheet.")
        code, jaw = plan.guide.code or "none", plan.jaw.value.capitalize()
        self.code.setText(f"{jaw} jaw. Guide code {code}: read it aloud and compare it with the guide.")
        if not self.pages:
            self.site.setText("No fixture is planned.")
            self.next.setEnabled(False)
            return
        site, drill, count = self.pages[self.place]
        self.site.setText(site_words(site))
        self.back.setEnabled(self.place > 0)
        self.next.setEnabled(self.place < len(self.pages) - 1)
        self.next.setText("Next" if self.place < len(self.pages) - 1 else "Last drill")
        if drill is None:
            self.step.setText("No drill list is chosen.")
            self.depth.setText("–")
            self.basis.setText("Choose the clinic's own list under Guide.")
            return
        self.step.setText(f"Drill {drill.step} of {count}: {drill.label}, Ø {mm(drill.diameter_mm)} mm")
        if drill.from_sleeve_top_mm is not None:
            self.depth.setText(f"{mm(drill.from_sleeve_top_mm)} mm")
            crest = "" if drill.from_crest_mm is None else f" ({mm(drill.from_crest_mm)} mm from the crest)"
            self.basis.setText(f"from the sleeve top{crest}; the drill tip beyond it: {self._tip()}")
        elif drill.from_crest_mm is not None:
            self.depth.setText(f"{mm(drill.from_crest_mm)} mm")
            self.basis.setText(f"from the crest, without guide; the drill tip beyond it: {self._tip()}")
        else:
            self.depth.setText("–")
            self.basis.setText("The depth cannot be told: this site has neither a sleeve nor a bone surface.")

    def _tip(self) -> str:
        drills = self._workspace.plan.guide.drill_list
        if drills is None or drills.tip_overshoot_mm is None:
            return "not known"
        return f"{mm(drills.tip_overshoot_mm)} mm"

    def keyPressEvent(self, event: QKeyEvent) -> None:  # noqa: N802
        """Space and arrows turn pages; Escape does not leave by accident."""
        ways = {Qt.Key.Key_Right: 1, Qt.Key.Key_Space: 1, Qt.Key.Key_Left: -1, Qt.Key.Key_Backspace: -1}
        by = ways.get(Qt.Key(event.key()))
        if by is not None:
            self.go(by)
        elif event.key() != Qt.Key.Key_Escape:
            super().keyPressEvent(event)
