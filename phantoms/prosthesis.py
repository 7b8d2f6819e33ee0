"""A radiolucent acrylic prosthesis on an edentulous lower jaw, with markers let into it."""

from __future__ import annotations

import numpy as np

from phantoms.bodies import CROWN_SOLID, Body, Kind, shape_row
from phantoms.gum import gum_distance
from phantoms.jaw import Jaw
from phantoms.materials import Material
from phantoms.scene import Marker

MARKER_RADIUS_MM = 0.9


def acrylic_prosthesis(jaw: Jaw) -> Body:
    """Give the acrylic crowns from first molar to first molar; the base under them follows the mucosa by itself."""
    chosen = [(k, tooth.iso) for k, tooth in enumerate(jaw.teeth) if tooth.iso % 10 <= 6]
    rows = np.array([shape_row(CROWN_SOLID, tooth=k, extra=-2.5) for k, _ in chosen])
    return Body(Kind.PROSTHESIS, Material.ACRYLIC, rows, False, tuple(iso for _, iso in chosen))


def prosthesis_markers(jaw: Jaw, count: int) -> tuple[Marker, ...]:
    """Let balls into the base's outer and inner face at different heights, spread along the arch."""
    out = []
    for k, station in enumerate(np.linspace(-36.0, 36.0, count)):
        angle = np.radians((62.0 if k % 2 else -58.0) + 9.0 * np.sin(2.1 * k))
        way = np.array([np.sin(angle), np.cos(angle)])
        start = np.array([jaw.sections.value("crest_t", station), jaw.sections.value("crest_z", station) - 2.0])
        reach = 0.0
        while reach < 20.0 and gum_distance(jaw, station, *(float(c) for c in start + way * reach)) < 1.35:
            reach += 0.02
        t, z = start + way * reach
        out.append(Marker(f"P{k + 1}", np.append(jaw.curve.at(station, t), z), MARKER_RADIUS_MM, "prosthesis"))
    return tuple(out)
