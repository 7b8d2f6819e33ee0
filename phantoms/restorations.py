"""Building restorations, markers and prostheses for a jaw."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from phantoms.bodies import (
    CAPSULE,
    CROWN_SHELL,
    CROWN_SOLID,
    CYLINDER,
    FILLING,
    Body,
    Kind,
    shape_row,
)
from phantoms.gum import gum_distance
from phantoms.jaw import Jaw
from phantoms.materials import Material
from phantoms.scene import Marker
from phantoms.teeth import (
    CANINE,
    HALF_BL,
    HALF_MD,
    HEIGHT,
    KIND,
    NECK_MD,
    ROOT,
    ROOTS,
    WEAR,
    chewing_height,
    crown_distance,
)
from planner_core.geometry.frames import FloatArray

CROWN_THICKNESS_MM = 1.3
"""Wall of a full crown; 1 to 1.5 mm is common practice, no source."""
CORE_MM = 0.7
"""Wall of the zirconia core under veneering porcelain; 0.5 to 0.8 mm is common practice, no source."""
VENEER_MM = 0.8
PONTIC_VENEER_MM = 1.3
"""Porcelain round the core of a pontic."""
MARGIN_MM = 0.4
"""Height of a crown's margin over the cervix."""
PONTIC_BASE_MM = 0.6
"""Height of a pontic's base over where the cervix would be."""
CONNECTOR_RADIUS_MM = 1.8
"""Connectors of a ceramic bridge have 9 mm2 and more in cross-section (common practice, no source)."""


def _index(jaw: Jaw, iso: int) -> int:
    return next(k for k, tooth in enumerate(jaw.teeth) if tooth.iso == iso)


def _point(jaw: Jaw, iso: int, local_mm: Sequence[float] | FloatArray) -> FloatArray:
    return np.asarray((jaw.tooth(iso).jaw_from_tooth @ [*local_mm, 1.0])[:3])


def _crown_row(jaw: Jaw, iso: int, thickness_mm: float, inset_mm: float) -> FloatArray:
    """Give a layer of a crown `inset_mm` under the skin; over a missing tooth all that lies below that."""
    k = _index(jaw, iso)
    if jaw.teeth[k].present:
        return shape_row(CROWN_SHELL, radius_mm=thickness_mm, end_radius_mm=inset_mm, tooth=k, extra=MARGIN_MM)
    inset_mm = PONTIC_VENEER_MM if inset_mm > 0 else 0.0
    return shape_row(CROWN_SOLID, end_radius_mm=inset_mm, tooth=k, extra=PONTIC_BASE_MM)


def crown(jaw: Jaw, iso: int, material: Material) -> Body:
    """Give a full crown on a present tooth, or on a missing one the crown alone (solid)."""
    return Body(Kind.CROWN, material, _crown_row(jaw, iso, CROWN_THICKNESS_MM, 0.0)[None], jaw.upper, (iso,))


def _connectors(jaw: Jaw, isos: Sequence[int], radius_mm: float) -> list[FloatArray]:
    """Join neighbours near their contacts; from middle to middle a rod would fill the stumps."""
    rows = []
    for a, b in itertools.pairwise(isos):
        ends = [_point(jaw, iso, (0.0, 0.3, 0.52 * jaw.tooth(iso).parameters[HEIGHT])) for iso in (a, b)]
        middle, half = 0.5 * (ends[0] + ends[1]), 0.5 * (ends[1] - ends[0])
        step = half * (1.6 / float(np.linalg.norm(half)))
        rows.append(shape_row(CAPSULE, middle - step, middle + step, radius_mm))
    return rows


def bridge(jaw: Jaw, isos: Sequence[int], material: Material, veneered: bool = False) -> tuple[Body, ...]:
    """Give a bridge over neighbouring positions (in order along the arch): crowns, pontics, connectors.

    A veneered one is two bodies: the core and its porcelain.
    """
    inset, wall = (VENEER_MM, CORE_MM) if veneered else (0.0, CROWN_THICKNESS_MM)
    rows = [_crown_row(jaw, iso, wall, inset) for iso in isos]
    rows += _connectors(jaw, isos, CONNECTOR_RADIUS_MM - 0.3 * veneered)
    bodies = [Body(Kind.BRIDGE, material, np.array(rows), jaw.upper, tuple(isos))]
    if veneered:
        skin = np.array([_crown_row(jaw, iso, VENEER_MM, 0.0) for iso in isos])
        # Over a missing tooth the porcelain is painted first and the core over it.
        bodies.insert(0, Body(Kind.VENEER, Material.VENEER, skin, jaw.upper, tuple(isos)))
    return tuple(bodies)


def filling(jaw: Jaw, iso: int, material: Material, rng: np.random.Generator) -> Body:
    """Give a filling let into the chewing surface (or the side of a front tooth)."""
    k = _index(jaw, iso)
    p = jaw.teeth[k].parameters
    if p[KIND] <= CANINE:
        start = np.array([p[HALF_MD] * 0.9 * rng.choice([-1, 1]), 0.0, p[HEIGHT] * 0.55])
        size = np.array([1.3, 1.3, 1.6])
    else:
        start = np.array([0.0, 0.0, p[HEIGHT] - p[WEAR] - 0.8])
        size = np.array(
            [p[HALF_MD] * rng.uniform(0.55, 1.0), p[HALF_BL] * rng.uniform(0.3, 0.45), rng.uniform(1.8, 2.8)]
        )
    row = shape_row(FILLING, start, size, tooth=k)
    return Body(Kind.FILLING, material, row[None], jaw.upper, (iso,))


def post(jaw: Jaw, iso: int, material: Material = Material.TITANIUM) -> Body:
    """Give a post from the crown's middle down half of the first root."""
    p = jaw.tooth(iso).parameters
    x = 0.0 if p[ROOTS] < 1.5 else 0.50 * p[NECK_MD]
    row = shape_row(
        CYLINDER,
        _point(jaw, iso, (x, 0.0, 0.45 * p[HEIGHT])),
        _point(jaw, iso, (x, 0.0, -0.5 * p[ROOT])),
        0.75,
        0.45,
    )
    return Body(Kind.POST, material, row[None], jaw.upper, (iso,))


def root_filling(jaw: Jaw, iso: int) -> Body:
    """Give the fillings of a tooth's root canals."""
    tooth = jaw.tooth(iso)
    rows = []
    for tip in tooth.apexes_mm():
        top = np.array([tip[0] * 0.8, tip[1] * 0.8, -0.5])
        low = np.array([tip[0] * 0.97, tip[1] * 0.97, tip[2] + 1.0])
        rows.append(shape_row(CAPSULE, _point(jaw, iso, top), _point(jaw, iso, low), 0.55, 0.3))
    return Body(Kind.ROOT_FILLING, Material.ROOT_FILLING, np.array(rows), jaw.upper, (iso,))


def fixture(jaw: Jaw, iso: int, diameter_mm: float = 4.0, length_mm: float = 10.0) -> Body:
    """Give a titanium fixture with its abutment in the healed ridge of a missing tooth."""
    station = jaw.places[iso]
    crest = jaw.sections.value("crest_z", station)
    offset = jaw.sections.value("crest_t", station)
    top = np.append(jaw.curve.at(station, offset), crest)
    axis = -jaw.tooth(iso).jaw_from_tooth[:3, 2]
    radius = diameter_mm / 2
    rows = [
        shape_row(CYLINDER, top, top + axis * length_mm, radius, radius * 0.75),
        shape_row(CYLINDER, top, top - axis * 4.5, radius * 0.8, radius * 0.95),
    ]
    return Body(Kind.FIXTURE, Material.TITANIUM, np.array(rows), jaw.upper, (iso,))


def marker_on_crown(
    jaw: Jaw, iso: int, name: str, side: float, height: float, radius_mm: float, carrier: str = "ceramic"
) -> Marker:
    """Give a marker half sunk into a crown's outer (`side` +1) or inner (-1) face at a share of its height."""
    p = np.asarray(jaw.tooth(iso).parameters)
    z = height * p[HEIGHT]
    if side == 0.0:
        centre = np.array([0.0, 0.0, chewing_height(0.0, 0.0, p[HALF_MD], p[HALF_BL], p) + 0.7 * radius_mm])
        return Marker(name, _point(jaw, iso, centre), radius_mm, carrier)
    y = 0.0
    while crown_distance(0.0, y, z, p) < 0.75 * radius_mm and abs(y) < 15:
        y += side * 0.02
    return Marker(name, _point(jaw, iso, (0.0, y, z)), radius_mm, carrier)


def marker_on_mucosa(jaw: Jaw, station: float, angle_deg: float, name: str, radius_mm: float) -> Marker:
    """Give a marker on the gum; the angle runs from straight up (0) to outward (+90) or inward (-90)."""
    crest = jaw.sections.value("crest_z", station)
    middle = jaw.sections.value("crest_t", station)
    a = np.radians(angle_deg)
    way = np.array([np.sin(a), np.cos(a)])
    start = np.array([middle, crest - 2.5])
    reach = 0.0
    while reach < 20.0:
        t, z = start + way * reach
        if gum_distance(jaw, station, float(t), float(z)) > 0.70 * radius_mm:
            break
        reach += 0.02
    t, z = start + way * reach
    return Marker(name, np.append(jaw.curve.at(station, t), z), radius_mm, "mucosa")
