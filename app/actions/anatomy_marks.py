"""What must not be touched: foramina, teeth, air spaces, structures drawn by hand."""

from __future__ import annotations

import numpy as np
from attrs import evolve

from app.actions.base import Actions
from app.tools.click_foramen import ClickForamen
from app.tools.click_space import ClickSpace
from app.tools.click_teeth import NEW, ClickTeeth
from app.tools.draw_structure import DrawOutlines, DrawTube
from planner_core.anatomy.canal import DEFAULT_DIAMETER_MM
from planner_core.anatomy.drawing import hollow_wall
from planner_core.anatomy.marked import TUBES, CavityKind, DrawnKind, DrawnStructure, MarkedTooth, ToothState
from planner_core.anatomy.structures import Jaw, Side
from planner_core.case import edits
from planner_core.case.plan import Plan
from planner_core.errors import PlannerError

USUAL_DIAMETER_MM = {
    DrawnKind.INCISIVE_CANAL: 1.8,
    DrawnKind.FLOOR_VESSEL: 1.5,
    DrawnKind.SINUS_ARTERY: 1.5,
    DrawnKind.EXISTING_FIXTURE: 4.0,
}
"""Diameter that a tube is drawn with at first, mm (common practice, no source); the user's to change."""


def renumbered(plan: Plan, site: str, new_site: str) -> Plan:
    """Give a marked tooth another number."""
    tooth: MarkedTooth = plan.teeth[site]
    if new_site in plan.teeth:
        raise PlannerError(f"Tooth {new_site} is marked already.", "Remove or renumber that one first.")
    return edits.mark_tooth(edits.remove_tooth(plan, site), evolve(tooth, site=new_site))


class MarkActions(Actions):
    """Marks besides arch and canal."""

    def _need_scan(self) -> None:
        if self.plan.scan is None:
            raise PlannerError("There is no scan to mark anything in.", "Open a scan first.")
        self.workspace.view.select("")

    # ------------------------------------------------------------ foramen

    def mark_foramen(self, side: Side) -> None:
        """Take the tool in hand that sets a mental foramen by one click."""
        self._need_scan()
        self.toolbox.take(ClickForamen(self.workspace, side))

    def remove_foramen(self, side: Side) -> None:
        """Take a mental foramen away."""
        self.apply(f"Remove the {side.value} mental foramen", edits.remove_foramen, side)

    # ------------------------------------------------------------ teeth

    def mark_teeth(self, site: str = "", mode: str = NEW) -> None:
        """Take the tooth tool in hand: for the next teeth, or to correct one."""
        self._need_scan()
        if self.plan.arch is None:
            raise PlannerError("Teeth are numbered along the arch, which is not drawn yet.", "Draw the arch first.")
        self.toolbox.take(ClickTeeth(self.workspace, site, mode))

    def set_tooth_state(self, site: str, state: ToothState) -> None:
        """Say what is to become of a tooth."""
        self.apply(f"Tooth {site}: {state.value}", edits.set_tooth_state, site, state)

    def renumber_tooth(self, site: str, new_site: str) -> None:
        """Give a tooth another number."""
        if new_site != site:
            self.apply(f"Tooth {site} is {new_site}", renumbered, site, new_site)

    def remove_tooth(self, site: str) -> None:
        """Take a marked tooth away."""
        self.apply(f"Remove tooth {site}", edits.remove_tooth, site)

    # ------------------------------------------------------------ air spaces and drawings

    def mark_space(self, kind: CavityKind) -> None:
        """Take the tool in hand that fills an air space from one click."""
        self._need_scan()
        self.toolbox.take(ClickSpace(self.workspace, kind))

    def draw_structure(self, kind: DrawnKind, name: str = "", diameter_mm: float = DEFAULT_DIAMETER_MM) -> None:
        """Take the tool in hand that draws a tube or a wall; without a name the kind gives one."""
        self._need_scan()
        name = name.strip() or self.free_name(kind)
        if kind in TUBES:
            self.toolbox.take(DrawTube(self.workspace, kind, name, diameter_mm))
        else:
            self.toolbox.take(DrawOutlines(self.workspace, kind, name))

    def free_name(self, kind: DrawnKind) -> str:
        """Give a name that no drawn structure has yet."""
        names = [kind.value, *(f"{kind.value} {k}" for k in range(2, 100))]
        return next(name for name in names if name not in self.plan.drawn)

    def take_hollow(self, side: Side) -> None:
        """Take over the hollow of the tongue side as it was measured along the arch."""
        self._need_scan()
        tracks, plan = self.workspace.numbers.tracks, self.plan
        if plan.jaw is not Jaw.LOWER:
            raise PlannerError(
                "The hollow under the tongue belongs to the lower jaw.", "This case plans the upper."
            )
        if tracks is None or tracks.table is None:
            raise PlannerError("The ridge is not measured along the arch yet.", "Wait until it is.")
        wall = hollow_wall(tracks.table, side)
        sigma = [row.sigma_mm for row in tracks.table.rows if np.isfinite(row.sigma_mm)]
        structure = DrawnStructure(
            f"lingual concavity, {side.value}",
            DrawnKind.LINGUAL_CONCAVITY,
            surface=wall,
            wall_sigma_mm=float(np.median(sigma)),
            note="as measured along the arch",
        )
        self.apply(f"Mark {structure.name}", edits.draw_structure, structure)

    def remove_mark(self, key: str) -> None:
        """Take a marked thing away by its key in the list: "canal:left", "foramen:left", "cavity:…", "drawn:…"."""
        kind, _, name = key.partition(":")
        if kind == "canal":
            self.apply(f"Remove the {name} canal", edits.remove_canal, Side(name))
        elif kind == "foramen":
            self.remove_foramen(Side(name))
        elif kind == "cavity":
            self.apply(f"Remove {name}", edits.remove_cavity, name)
        elif kind == "drawn":
            self.apply(f"Remove {name}", edits.remove_structure, name)
        elif kind == "tooth":
            self.remove_tooth(name)
