"""Restorations, markers and prostheses as unions of simple shapes with a signed distance."""

from __future__ import annotations

import math
from enum import StrEnum

import numpy as np
from attrs import field, frozen
from numba import njit

from phantoms.materials import Material
from phantoms.teeth import crown_distance, smooth_max
from planner_core.geometry.frames import FloatArray, readonly

# Columns of a shape's row; points in the frame of the jaw that carries it.
TYPE, X0, Y0, Z0, X1, Y1, Z1, R0, R1, TOOTH, EXTRA = range(11)
SHAPE_COLUMNS = 11
CAPSULE, CROWN_SHELL, CROWN_SOLID, FILLING, CYLINDER, SPHERE = 0.0, 1.0, 2.0, 3.0, 4.0, 5.0

BASE_MM = 2.4
"""Thickness of a prosthesis's base over the mucosa; 2 to 3 mm is common practice, no source."""
BASE_REACH_MM = 7.0
"""How far down from the crest the base reaches."""
BASE_END_MM = 42.0
"""Station where the base ends, both sides."""
BODY_HALF_MM = 4.2
"""Half width of the body between base and crowns."""
BODY_TOP_MM = 4.0
"""How far below the occlusal plane that body ends."""
SEAT_GAP_MM = 0.05
"""Space between base and mucosa of a well seated prosthesis."""


class Kind(StrEnum):
    """What a body is, in the trade's words."""

    CROWN = "crown"
    BRIDGE = "bridge"
    VENEER = "veneer"
    FILLING = "filling"
    POST = "post"
    ROOT_FILLING = "root filling"
    FIXTURE = "fixture"
    MARKER = "marker"
    PROSTHESIS = "prosthesis"


@frozen(eq=False)
class Body:
    """Something radiopaque that did not grow there.

    Parameters
    ----------
    kind : Kind
    material : Material
    shapes : array of shape (n, SHAPE_COLUMNS)
        Their union is the body; in the frame of its jaw (the flipped one for the upper jaw).
    upper : bool
    teeth : tuple of int
        ISO 3950 positions that it stands on or replaces.
    """

    kind: Kind
    material: Material
    shapes: FloatArray = field(converter=readonly)
    upper: bool = False
    teeth: tuple[int, ...] = ()


def shape_row(
    kind: float,
    start: FloatArray | None = None,
    end: FloatArray | None = None,
    radius_mm: float = 0.0,
    end_radius_mm: float | None = None,
    tooth: int = -1,
    extra: float = 0.0,
) -> FloatArray:
    """Give one shape row; `tooth` is the index of the tooth in its jaw's list."""
    row = np.zeros(SHAPE_COLUMNS)
    row[TYPE] = kind
    row[X0 : Z0 + 1] = 0.0 if start is None else start
    row[X1 : Z1 + 1] = row[X0 : Z0 + 1] if end is None else end
    row[R0], row[R1] = radius_mm, radius_mm if end_radius_mm is None else end_radius_mm
    row[TOOTH], row[EXTRA] = tooth, extra
    return row


@njit(nogil=True, cache=True)
def _along(x, y, z, row):
    """Give (share along the axis, distance from the axis line, axis length)."""
    dx, dy, dz = row[4] - row[1], row[5] - row[2], row[6] - row[3]
    length2 = dx * dx + dy * dy + dz * dz + 1e-12
    px, py, pz = x - row[1], y - row[2], z - row[3]
    u = (px * dx + py * dy + pz * dz) / length2
    ex, ey, ez = px - u * dx, py - u * dy, pz - u * dz
    return u, math.sqrt(ex * ex + ey * ey + ez * ez), math.sqrt(length2)


@njit(nogil=True, cache=True)
def shape_distance(x, y, z, row, to_teeth, parameters):
    """Give the signed distance (mm) to one shape at a place in the jaw frame."""
    kind = row[0]
    if kind == 0.0:
        u, _, length = _along(x, y, z, row)
        u = min(1.0, max(0.0, u))
        ex = x - row[1] - u * (row[4] - row[1])
        ey = y - row[2] - u * (row[5] - row[2])
        ez = z - row[3] - u * (row[6] - row[3])
        return math.sqrt(ex * ex + ey * ey + ez * ez) - (row[7] + u * (row[8] - row[7]))
    if kind == 4.0:
        u, away, length = _along(x, y, z, row)
        v = min(1.0, max(0.0, u))
        return max(away - (row[7] + v * (row[8] - row[7])), max(-u, u - 1.0) * length)
    if kind == 5.0:
        return math.sqrt((x - row[1]) ** 2 + (y - row[2]) ** 2 + (z - row[3]) ** 2) - row[7]
    k = int(row[9])
    m, p = to_teeth[k], parameters[k]
    tx = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
    ty = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
    tz = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
    if tz < -4.0 or tz > 14.0 or tx * tx + ty * ty > 100.0:
        return 5.0
    crown = crown_distance(tx, ty, tz, p)
    if kind == 1.0:
        # A crown: a layer of the tooth's skin down to its margin, hollow over the prepared stump.
        crown += row[8]
        return max(crown, -(crown + row[7]), row[10] - tz)
    if kind == 2.0:
        # A pontic: the crown alone, its base rounded where it meets the mucosa.
        return smooth_max(crown + row[8], row[10] + row[8] - tz, 1.5)
    # A filling: a ball-ended box let into the chewing surface, in the tooth's own frame.
    ball = math.sqrt(((tx - row[1]) / row[4]) ** 2 + ((ty - row[2]) / row[5]) ** 2 + ((tz - row[3]) / row[6]) ** 2)
    small = min(row[4], row[5], row[6])
    return max((ball - 1.0) * small, crown + 0.02)


@njit(nogil=True, cache=True)
def body_distance(x, y, z, rows, to_teeth, parameters):
    """Give the signed distance (mm) to a union of shapes."""
    best = 1e9
    for k in range(rows.shape[0]):
        best = min(best, shape_distance(x, y, z, rows[k], to_teeth, parameters))
    return best
