"""Air spaces over the upper teeth: maxillary sinuses and the nasal cavity, with thin bony walls.

Written in the upper jaw's own frame, which is upside down: the spaces lie at lower z than the crest.
"""

from __future__ import annotations

import math

import numpy as np
from attrs import field, frozen
from numba import njit

from phantoms.arch import ArchCurve
from phantoms.bone import Sections
from phantoms.paint import AIR, BONE, cover, put
from planner_core.geometry.frames import FloatArray, readonly

WALL_MM = 0.9
"""Thickness of the bony walls (M)."""
SINUS_STATION_MM = 41.0
"""The sinus lies over first and second molar (common practice, no source)."""
SINUS_RADII_MM = (14.0, 10.5, 15.0)
NOSE_RADII_MM = (11.0, 26.0, 13.0)
PALATE_MM = 15.5
"""Height of the nasal floor over the crest of the front teeth (M)."""
POWER = 2.6
"""Exponent of the rounded boxes that the spaces are."""


@frozen(eq=False)
class AirSpace:
    """A rounded space filled with air.

    Parameters
    ----------
    name : str
        ``"sinus right"``, ``"sinus left"`` or ``"nose"``.
    frame : array of shape (4, 4)
        Takes the space's own frame (origin in the middle, z as the jaw's) to the jaw's frame.
    radii_mm : array of shape (3,)
    """

    name: str
    frame: FloatArray = field(converter=readonly)
    radii_mm: FloatArray = field(converter=readonly)


def air_spaces(curve: ArchCurve, sections: Sections, floor_mm: tuple[float, float]) -> tuple[AirSpace, ...]:
    """Give both sinuses and the nasal cavity of an upper jaw.

    Parameters
    ----------
    curve, sections
        Of the upper jaw.
    floor_mm : tuple of float
        Height of bone between crest and sinus floor over the molars, right and left (mm).
    """
    out = []
    for side, sign, height in (("right", -1.0, floor_mm[0]), ("left", 1.0, floor_mm[1])):
        station = sign * SINUS_STATION_MM
        tangent = curve.tangent(station)
        frame = np.eye(4)
        frame[:2, 0] = tangent
        frame[:2, 1] = tangent[1], -tangent[0]
        low = sections.value("crest_z", station) - height - SINUS_RADII_MM[2]
        frame[:3, 3] = [*curve.at(station, -1.5), low]
        out.append(AirSpace(f"sinus {side}", frame, SINUS_RADII_MM))
    nose = np.eye(4)
    nose[:3, 3] = [0.0, 32.0, sections.value("crest_z", 0.0) - PALATE_MM - NOSE_RADII_MM[2]]
    return (*out, AirSpace("nose", nose, NOSE_RADII_MM))


@njit(nogil=True, cache=True)
def space_distance(x, y, z, radii):
    """Give about the distance (mm, negative inside) to a space's wall, in the space's own frame."""
    u, v, w = abs(x) / radii[0], abs(y) / radii[1], abs(z) / radii[2]
    q = (u**POWER + v**POWER + w**POWER) ** (1.0 / POWER)
    if q < 1e-6:
        return -min(radii[0], min(radii[1], radii[2]))
    gx = (u / q) ** (POWER - 1.0) / radii[0]
    gy = (v / q) ** (POWER - 1.0) / radii[1]
    gz = (w / q) ** (POWER - 1.0) / radii[2]
    return (q - 1.0) / math.sqrt(gx * gx + gy * gy + gz * gz + 1e-12)


@njit(nogil=True, cache=True)
def paint_space(codes, first, last, low, high, m, voxel, radii, wall):
    """Paint a space with its wall; `m` takes indices to the space's own frame."""
    for k in range(max(first, low[0]), min(last, high[0])):
        for i in range(low[1], high[1]):
            for j in range(low[2], high[2]):
                x = m[0, 0] * k + m[0, 1] * i + m[0, 2] * j + m[0, 3]
                y = m[1, 0] * k + m[1, 1] * i + m[1, 2] * j + m[1, 3]
                z = m[2, 0] * k + m[2, 1] * i + m[2, 2] * j + m[2, 3]
                d = space_distance(x, y, z, radii)
                if d < wall + voxel:
                    code = put(codes[k, i, j] & 0xFFFF, BONE, cover(d - wall, voxel))
                    codes[k, i, j] = put(code, AIR, cover(d, voxel))
