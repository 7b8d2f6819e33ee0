"""The shipped samples as plans with their known anatomy, for journeys that begin at the fixtures."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
from attrs import evolve

from planner_core.anatomy.canal import canal_from_clicks
from planner_core.anatomy.structures import ArchCurve, BoneSurface, Jaw, Side
from planner_core.case import edits
from planner_core.case.plan import Plan
from planner_core.imaging.open_scan import open_scan
from planner_core.imaging.surface_files import read_surface

SAMPLES = Path(__file__).resolve().parent.parent.parent / "sample_volumes"


@cache
def sample_plan(name: str, scan: str) -> Plan:
    """Give a sample's scan with arch, canals and bone out of its truth; nothing is planned in it yet."""
    folder = SAMPLES / name
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    plan = edits.set_scan(Plan(title=name), open_scan(folder / scan, None))
    course = np.array(truth["arch_lps_mm"])
    course = course[np.argsort(course[:, 0])]
    chosen = course[np.linspace(0, len(course) - 1, 9).round().astype(int)]
    plan = edits.set_arch(plan, ArchCurve(Jaw.LOWER, chosen))
    for row in truth["canals"]:
        clicks = np.array(row["centre_lps_mm"])[::4]
        canal = canal_from_clicks(Side(row["side"]), clicks, plan.scan.volume, float(row["diameter_mm"]))
        plan = edits.set_canal(plan, canal)
    bone = evolve(read_surface(folder / "bone.ply", "lps", "mm").surface, frame="lps")
    return edits.adopt_bone(plan, BoneSurface(bone, 700.0, 0.2))
