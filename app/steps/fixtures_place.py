"""Choosing site and part, placing by a click, and the proposals for a site."""

from __future__ import annotations

from typing import Any

import numpy as np
from PySide6.QtCore import QSignalBlocker

from app.steps.fixtures_fold import Block
from app.steps.parts import Row, Table, button, combo, label, state_icon
from app.words import site_label, site_words, sites_of_jaw
from planner_core.planning.crowns import average_station_mm
from planner_core.planning.fixture import FixtureShape


class PlaceBlock(Block):
    """Site, kind and size; place by a click or have a place proposed."""

    def build(self) -> None:
        """Make the widgets."""
        self.site, self.kind = combo("new-site"), combo("new-kind")
        self.diameter, self.length = combo("new-diameter"), combo("new-length")
        self.kind.currentIndexChanged.connect(self._on_kind)
        self.workspace.catalogue_changed.connect(self.fill_catalogue)
        self.fill_catalogue()
        self.add(Row(label("Site", "note", wrap=False), self.site, stretch=1))
        self.diameter.setMinimumContentsLength(4)
        self.length.setMinimumContentsLength(4)
        self.add(
            Row(
                self.kind,
                label("Ø", "note", wrap=False),
                self.diameter,
                label("x", "note", wrap=False),
                self.length,
                stretch=0,
            )
        )
        self.propose = button(
            "Propose a place",
            self._propose,
            "Search the place under the tooth that keeps every margin and leaves the most leeway",
            name="propose-fixture",
        )
        self.place = button("Place by a click", self._place, main=True, name="place-fixture")
        self.add(Row(self.place, self.propose))
        self.proposals = Table(["Fixture", "Leeway", "Margins"], stretch=0, most_rows=4)
        self.proposals.cellClicked.connect(self._on_suggestion)
        self.add(self.proposals)
        self.price = label("", "note")
        self.add(self.price)
        self._proposal: Any = None

    def fill_catalogue(self) -> None:
        """List the generic families, then every fixture of the clinic's own lists."""
        entries: dict[str, str] = {}
        for shape_id, shape in self.do.catalogue.fixtures.items():
            if shape.generic:
                entries.setdefault(shape_id.rsplit("-", 1)[0], shape.label.rsplit(" ", 3)[0])
            else:
                entries[shape_id] = shape.label
        with QSignalBlocker(self.kind):
            self.kind.clear()
            for key, words in entries.items():
                self.kind.addItem(words, key)
        self._on_kind()

    def _on_kind(self) -> None:
        key = str(self.kind.currentData())
        fixtures = self.do.catalogue.fixtures
        shapes = [fixtures[key]] if key in fixtures else [s for k, s in fixtures.items() if k.startswith(f"{key}-")]
        for box, values, wanted in (
            (self.diameter, sorted({s.diameter_mm for s in shapes}), 4.0),
            (self.length, sorted({s.length_mm for s in shapes}), 10.0),
        ):
            before = box.currentData() or wanted
            box.clear()
            for value in values:
                box.addItem(f"{value:g} mm", value)
            box.setEnabled(len(values) > 1)
            box.setCurrentIndex(int(np.argmin([abs(v - before) for v in values])))

    def shape(self) -> FixtureShape:
        """Give the shape that is chosen."""
        key, catalogue = str(self.kind.currentData()), self.do.catalogue
        if key in catalogue.fixtures:
            return catalogue.fixture(key)  # type: ignore[no-any-return]
        diameter, length = float(self.diameter.currentData()), float(self.length.currentData())
        return catalogue.nearest_fixture(diameter, length, key)  # type: ignore[no-any-return]

    def refresh(self) -> None:
        """Bring them up to date."""
        plan = self.plan
        free = [site for site in sites_of_jaw(plan.jaw.value) if site not in plan.fixtures]
        if [self.site.itemData(k) for k in range(self.site.count())] != free:
            before = self.site.currentData()
            self.site.clear()
            for site in free:
                self.site.addItem(site_words(site), site)
            planned = [site for site in plan.crowns if site in free]
            here = self.workspace.view.station_mm
            near = sorted(free, key=lambda s: abs(average_station_mm(s) - here))
            wishes = (before, *planned, *near)
            self.site.setCurrentIndex(free.index(next(s for s in wishes if s in free)) if free else -1)
        self.place.setEnabled(plan.scan is not None and bool(free))
        self.propose.setEnabled((plan.arch is not None or bool(plan.crowns)) and bool(free))
        self._show_proposals()

    def _place(self) -> None:
        self.guarded(self.do.fixtures.place_fixture, str(self.site.currentData()), self.shape())

    def _propose(self) -> None:
        site, family = str(self.site.currentData()), str(self.kind.currentData())
        self.guarded(self.do.fixtures.propose_fixture, site, family, self._take_proposal)

    def _take_proposal(self, proposal: Any) -> None:
        self._proposal = proposal
        self.panel.refresh()

    def _show_proposals(self) -> None:
        proposal = self._proposal
        if proposal is not None and proposal.site not in self.plan.fixtures:
            proposal = self._proposal = None
        self.proposals.setVisible(proposal is not None)
        self.price.setVisible(proposal is not None)
        if proposal is None:
            self.say("")
            return
        theme = self.workspace.theme
        site = site_label(proposal.site, self.workspace.settings.notation)
        self.say(f"{len(proposal.suggestions)} proposals for {site}")
        self.proposals.show_rows(
            [
                (
                    f"{site}: {one.label.replace('Generic ', '')}",
                    "nothing near" if one.leeway_over_need > 99 else f"{one.leeway_over_need:.1f} x need",
                    "kept" if one.keeps_margins else f"{len(one.broken)} not kept",
                )
                for one in proposal.suggestions
            ],
            [state_icon("clear" if one.keeps_margins else "touches", theme) for one in proposal.suggestions],
            ["\n".join([one.exit_text, one.gives_up, *one.broken]).strip() for one in proposal.suggestions],
            icon_column=2,
        )
        now = self.plan.fixtures[proposal.site]
        taken = [k for k, one in enumerate(proposal.suggestions) if one.fixture.pose is now.pose]
        if taken:
            self.proposals.selectRow(taken[0])
        one = proposal.suggestions[taken[0] if taken else 0]
        self.price.setText(
            f"{one.gives_up} {one.exit_text}" if taken else "Changed by hand since. Choose one to take it."
        )

    def _on_suggestion(self, row: int, _column: int) -> None:
        if self._proposal is not None and row < len(self._proposal.suggestions):
            self.guarded(self.do.fixtures.take_suggestion, self._proposal.suggestions[row].fixture)
