"""The proposal for a site of a plan, with all that the plan knows; it says so when a tooth stands there."""

from __future__ import annotations

from typing import Any

import numpy as np
from attrs import evolve

from planner_core.anatomy.outline import bone_outline
from planner_core.case.derived.budget import guide_inputs_of
from planner_core.case.derived.clearance import obstacles_in
from planner_core.case.derived.match_inputs import levels_of
from planner_core.case.derived.matching import match_in_use
from planner_core.case.derived.restoring import crown_at
from planner_core.case.plan import Plan
from planner_core.findings import Finding, Severity
from planner_core.planning.catalogue import Catalogue
from planner_core.planning.proposal import Proposal, propose
from planner_core.progress import Progress, silent

LOOK_MM = (-1.5, 0.0, 1.5)
"""Sections beside and at the middle of the site in which a standing tooth is looked for, mm along the arch (our
choice: within the neck of the narrowest tooth)."""


def proposal_of(
    plan: Plan,
    site: str,
    *,
    catalogue: Catalogue | None = None,
    family: str = "generic-tapered",
    degradation: Any = None,
    progress: Progress = silent,
) -> Proposal:
    """Propose fixtures for a site of a plan; the other fixtures stay.

    Parameters
    ----------
    catalogue, family
        As in `planner_core.planning.proposal.propose`.
    degradation : ScanCheck or None

    Raises
    ------
    PlannerError
        If there is neither planned tooth nor arch, or no bone under the tooth.
    Cancelled
        From `progress`.
    """
    proposal = propose(
        site,
        tooth=plan.crowns.get(site),
        arch=plan.arch,
        obstacles=obstacles_in(plan),
        guide=guide_inputs_of(plan),
        match=match_in_use(plan),
        others={key: fixture for key, fixture in plan.fixtures.items() if key != site},
        catalogue=catalogue,
        family=family,
        limits_margin_mm=plan.limits.margin_mm,
        degradation=degradation,
        progress=progress,
    )
    if not tooth_stands(plan, site):
        return proposal
    text = (
        f"A tooth or a restoration seems to stand at {site}: the proposal takes it for bone. "
        "Choose another site, or mark the tooth as one to be extracted."
    )
    return evolve(proposal, findings=(Finding(Severity.WARNING, "tooth-stands", text, site), *proposal.findings))


def tooth_stands(plan: Plan, site: str) -> bool:
    """Tell whether something as dense as enamel stands on the ridge at a site, and is not marked to come out."""
    if site in plan.teeth:
        return bool(plan.teeth[site].state.stays)
    crown = crown_at(plan, site)
    if plan.scan is None or plan.arch is None or crown is None:
        return False
    station = plan.arch.station_of(crown.cervical_lps_mm)
    levels = levels_of(plan)
    outlines = [bone_outline(plan.scan.volume, plan.arch, station + step, levels) for step in LOOK_MM]
    return bool(np.median([outline is not None and outline.tooth for outline in outlines]) > 0)
