"""The panel of Fixtures: where do they go."""

from __future__ import annotations

from app.steps.fixtures_arch import ArchBlock
from app.steps.fixtures_crowns import CrownsBlock
from app.steps.fixtures_hand import HandBlock
from app.steps.fixtures_ledger import AroundBlock, LedgerBlock
from app.steps.fixtures_more import PartsBlock, ScrewBlock
from app.steps.fixtures_place import PlaceBlock
from app.steps.panel import StepPanel
from app.steps.parts import Table, state_icon
from app.view_state import Step
from app.words import mm, site_label, site_words


class FixturesPanel(StepPanel):
    """Planned teeth, fixtures, the ledger of the one in hand, the whole arch; what is seldom used is folded."""

    step = Step.FIXTURES
    title = "Fixtures"
    question = "Where do they go, and what do they come near?"

    def build(self) -> None:
        """Make the widgets."""
        self.list = Table(["Site", "Fixture", "Nearest"], stretch=1, most_rows=6)
        self.list.cellClicked.connect(self._on_choose)
        self._rows.addWidget(self.list)
        self.ledger_block = LedgerBlock(self, "Clearances", "ledger", is_open=True)
        self.around_block = AroundBlock(self, "Bone and tooth around it", "around", is_open=True)
        self.hand_block = HandBlock(self, "Its place", "hand", is_open=True)
        self.crowns_block = CrownsBlock(self, "Planned teeth", "crowns")
        self.place_block = PlaceBlock(self, "Place a fixture", "place", is_open=True)
        self.arch_block = ArchBlock(self, "Full arch", "arch")
        self.screw_block = ScrewBlock(self, "Screw joint (information)", "screw")
        self.parts_block = PartsBlock(self, "Own lists and templates", "parts")
        self.blocks = (
            self.place_block,
            self.crowns_block,
            self.ledger_block,
            self.around_block,
            self.hand_block,
            self.arch_block,
            self.screw_block,
            self.parts_block,
        )
        for block in self.blocks:
            self._rows.addWidget(block)
        self.workspace.catalogue_changed.connect(self._maybe_refresh)

    def open_list(self) -> None:
        """Open the clinic's own list of parts, or an implant template."""
        path = self.case.ask_list()
        if path is not None:
            self.actions_.parts.open_list(path)

    def refresh(self) -> None:
        """Bring everything up to date."""
        workspace = self.workspace
        plan, numbers = workspace.plan, workspace.numbers
        notation = workspace.settings.notation
        sites = list(plan.fixtures)
        rows, icons = [], []
        for site in sites:
            near = [r for r in numbers.rows if r.site == site and r.body == "fixture"]
            worst = min(near, key=lambda r: r.distance_mm - r.margin_mm, default=None)
            text = "–" if worst is None else f"{mm(worst.distance_mm)} mm {worst.kind.value}"
            rows.append((site_label(site, notation), plan.fixtures[site].shape.label.replace("Generic ", ""), text))
            icons.append(None if worst is None else state_icon(worst.state.value, workspace.theme))
        self.list.setVisible(bool(sites))
        self.list.show_rows(rows, icons, [site_words(site) for site in sites], icon_column=2)
        if workspace.view.site in sites:
            self.list.selectRow(sites.index(workspace.view.site))
        else:
            self.list.clearSelection()
        for block in self.blocks:
            block.refresh()

    def _maybe_refresh(self, *what: object) -> None:
        """While something is dragged its numbers follow at once and bring the panel along: once is enough."""
        if not (what and getattr(what[0], "preview", False)):
            super()._maybe_refresh()

    def _on_choose(self, row: int, _column: int) -> None:
        sites = list(self.workspace.plan.fixtures)
        if 0 <= row < len(sites):
            self.workspace.view.select(sites[row])
            self.workspace.go_to_point(self.workspace.plan.fixtures[sites[row]].pose.platform_lps_mm)
