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
    if Road(road) is Road.POINTS:
        inputs["pairs"] = fingerprint(list(plan.pairs))
    return inputs


def bone_inputs(plan: Plan) -> dict[str, str]:
    """Give the fingerprints of what the bone surface depends on."""
    return {"scan": scan_print(plan)}


def changed(then: Mapping[str, str], now: Mapping[str, str]) -> tuple[str, ...]:
    """Give the names of the inputs that differ between two sets of fingerprints."""
    return tuple(name for name in sorted({*then, *now}) if then.get(name) != now.get(name))
