"""Counting restorations found, missed, invented and named."""

from __future__ import annotations

import numpy as np
from attrs import frozen

from phantoms.bodies import Kind
from phantoms.materials import Material
from planner_core.imaging.bodies import Restoration
from planner_core.imaging.scan_check import ScanCheck
from tests.studies.scatter_mouths import StudyMouth

LEAST_MM3 = 4.2
"""Volume of a ball of 2 mm: smaller bodies need not be found."""
NEAR_MM = 2.0

_WORDS = {
    Material.ZIRCONIA: "zirconia",
    Material.CAST_METAL: "metal",
    Material.AMALGAM: "filling",
    Material.COMPOSITE: "filling",
    Material.ROOT_FILLING: "post or root filling",
    Material.TITANIUM: "fixture",
}


@frozen
class BodyCount:
    """Counts of one mouth."""

    there: int
    found: int
    markers_there: int
    markers_found: int
    invented: int
    named: int
    right: int
    stated: float


def _holds(body: Restoration, point: np.ndarray) -> bool:
    return bool(np.all(np.abs(point - body.centre_lps_mm) <= body.extent_mm / 2.0 + NEAR_MM))


def count_bodies(mouth: StudyMouth, check: ScanCheck) -> BodyCount:
    """Compare what was found with what is there; porcelain on a core counts with the core."""
    volume, truth = mouth.scan.volume, mouth.scan.truth
    inside = [
        (np.asarray(b.centre_lps_mm), _word(b.kind, b.material))
        for b in truth.bodies
        if b.material is not Material.VENEER
        and b.volume_mm3 >= LEAST_MM3
        and volume.contains(b.centre_lps_mm[None])[0]
    ]
    every = [np.asarray(b.centre_lps_mm) for b in truth.bodies]
    markers = [np.asarray(p) for p in truth.markers_lps_mm.values() if volume.contains(p[None])[0]]
    found = sum(any(_holds(body, point) for body in check.restorations) for point, _ in inside)
    markers_found = sum(any(_holds(body, point) for body in check.restorations) for point in markers)
    invented = named = right = 0
    stated = 0.0
    for body in check.restorations:
        words = {word for point, word in inside if _holds(body, point)}
        if any(_holds(body, point) for point in markers):
            words.add("marker or small dense body")
        if not words and not any(_holds(body, point) for point in every):
            # A bridge's middle lies inside the arch, so what is near its cells decides.
            invented += not mouth.bodies[_nearest(volume, body)].any()
            continue
        if words:
            named += 1
            right += body.kind in words
            stated += body.kind_confidence
    return BodyCount(len(inside), found, len(markers), markers_found, invented, named, right, stated)


def _word(kind: Kind, material: Material) -> str:
    if kind is Kind.POST:
        return "post or root filling"
    return _WORDS.get(material, "filling")


def _nearest(volume: object, body: Restoration) -> tuple[slice, ...]:
    index = volume.to_index(body.centre_lps_mm)  # type: ignore[attr-defined]
    return tuple(slice(max(int(i) - 4, 0), int(i) + 5) for i in index)
