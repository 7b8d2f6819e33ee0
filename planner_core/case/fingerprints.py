"""Fingerprints of inputs: short hashes by which an adopted or derived result knows whether it is still of today.

A fingerprint covers exactly what the result depends on. Volumes and surfaces count by their content hash,
everything else by its JSON (`planner_core.case.codec`), so it is the same after reopening and on the command line.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from planner_core.case.codec import plain
from planner_core.case.plan import Plan
from planner_core.registration.kept import PATIENT_FRAME, in_use
from planner_core.registration.match import Road


def fingerprint(*values: Any) -> str:
    """Give the SHA-256 of the JSON of values of the plan (volumes and surfaces by content hash)."""
    text = json.dumps([plain(value) for value in values], sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def scan_print(plan: Plan) -> str:
    """Give the content hash of the scan, or an empty text."""
    return "" if plan.scan is None else plan.scan.volume.content_hash


def match_inputs(plan: Plan, road: Road, surface_id: str) -> dict[str, str]:
    """Give the fingerprints of what a match by `road` of a surface depends on."""
    surface = plan.surfaces.get(surface_id)
    inputs = {
        "scan": scan_print(plan),
        "surface": "" if surface is None else fingerprint(surface.surface.content_hash, surface.unit),
    }
    frame = "" if surface is None else surface.surface.frame
    road = Road(road)
    if road is Road.POINTS:
        inputs["pairs"] = fingerprint(list(plan.pairs))
    # What was not given at all is left out, so that a match made without it stays of today.
    marked = [in_use(plan.markers.get(name, ())) for name in (PATIENT_FRAME, frame)]
    if road in (Road.MARKERS, Road.DUAL_SCAN, Road.COMBINED) and any(marked):
        inputs["markers"] = fingerprint([list(markers) for markers in marked])
    if road in (Road.SURFACE, Road.COMBINED) and surface_id in plan.regions:
        states = plan.regions[surface_id].states
        inputs["painted region"] = hashlib.sha256(states.tobytes()).hexdigest()
    second = plan.second_scan
    if road is Road.DUAL_SCAN and second is not None and second.surface_id == surface_id:
        inputs["scan of the prosthesis"] = fingerprint(second.volume.content_hash, second.iso_grey)
    return inputs


def bone_inputs(plan: Plan) -> dict[str, str]:
    """Give the fingerprints of what the bone surface depends on."""
    return {"scan": scan_print(plan)}


def changed(then: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Give the names of the inputs that differ between two sets of fingerprints."""
    return tuple(name for name in sorted({*then, *now}) if then.get(name) != now.get(name))
