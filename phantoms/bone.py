"""The jaw bone as cross-sections along the arch, and its signed distance in straightened coordinates."""

from __future__ import annotations

import math

import numpy as np
from attrs import evolve, field, frozen
from numba import njit
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from phantoms.pool import in_slabs
from planner_core.geometry.frames import FloatArray, readonly

# Cross-sections of a dentate lower jaw by distance from the midline along the arch (mm); heights in the jaw frame
# (occlusal plane at zero), offsets outward from the arch. Our own invention, shaped after anatomy books (M).
_KNOTS_MM = np.array([0.0, 8.0, 16.0, 25.0, 32.0, 38.0, 49.0, 58.0, 66.0, 74.0, 84.0, 96.0])
_LOWER = {
    "crest_z": (-11.2, -11.0, -11.2, -10.6, -10.0, -9.8, -9.2, -6.5, 4.0, 19.0, 32.0, 36.0),
    "base_z": (-42.0, -41.5, -40.0, -38.0, -36.5, -35.5, -34.0, -33.5, -33.0, -31.0, -27.0, -20.0),
    "crest_t": (-0.2, -0.2, 0.0, 0.2, 0.2, 0.0, 0.2, 1.5, 2.5, 2.5, 2.0, 2.0),
    "middle_t": (-0.8, -0.8, -0.4, 0.2, 0.8, 1.8, 3.2, 4.2, 4.2, 3.5, 2.5, 2.0),
    "base_t": (2.8, 2.0, 0.8, 0.4, 1.2, 2.4, 4.6, 5.4, 5.0, 4.0, 2.5, 2.0),
    "crest_half": (3.6, 3.9, 4.6, 4.7, 4.9, 5.3, 5.7, 5.0, 3.6, 3.2, 2.6, 2.0),
    "middle_half": (4.4, 4.5, 5.0, 5.6, 6.2, 7.0, 7.4, 7.0, 5.2, 4.2, 3.5, 3.0),
    "base_half": (6.2, 5.6, 5.0, 5.0, 5.2, 5.2, 4.6, 4.2, 4.0, 4.0, 3.5, 3.0),
    "concavity": (0.0, 0.0, 0.3, 0.6, 1.2, 2.2, 2.6, 2.0, 0.8, 0.0, 0.0, 0.0),
}
# The upper alveolar process, written upside down (its own occlusal plane at zero, bone below).
_UPPER = {
    "crest_z": (-11.6, -11.4, -11.6, -10.6, -10.0, -9.6, -9.2, -9.4, -11.0, -14.0, -18.0, -20.0),
    "base_z": (-34.0, -33.0, -31.0, -27.0, -25.0, -24.0, -24.0, -24.0, -24.0, -24.0, -24.0, -24.0),
    "crest_t": (-0.6, -0.6, -0.3, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
    "middle_t": (-2.0, -1.8, -1.0, -0.6, -0.4, -0.2, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0),
    "base_t": (-4.0, -3.6, -2.2, -1.0, -0.4, 0.0, 0.4, 0.6, 0.6, 0.6, 0.6, 0.6),
    "crest_half": (4.0, 4.2, 4.8, 5.0, 5.4, 6.2, 6.4, 6.0, 4.5, 3.0, 2.0, 1.5),
    "middle_half": (5.0, 5.2, 5.6, 6.0, 6.6, 7.4, 7.4, 6.8, 5.0, 3.5, 2.4, 1.8),
    "base_half": (6.4, 6.4, 6.4, 6.6, 7.2, 7.8, 7.8, 7.0, 5.0, 3.5, 2.4, 1.8),
    "concavity": (0.0,) * 12,
}

OFFSET_STEP_MM = 0.5
HEIGHT_STEP_MM = 0.5
OFFSET_MIN_MM, OFFSET_MAX_MM = -14.0, 16.0
HEIGHT_MIN_MM, HEIGHT_MAX_MM = -50.0, 44.0
FAR_MM = 6.0
"""From this distance of the outline's box on, the distance is only bounded from below."""


@frozen(eq=False)
class Sections:
    """Numbers of the bone's cross-section per station; every array has one entry per station of the arch."""

    stations_mm: FloatArray = field(converter=readonly)
    crest_z: FloatArray = field(converter=readonly)
    base_z: FloatArray = field(converter=readonly)
    crest_t: FloatArray = field(converter=readonly)
    middle_t: FloatArray = field(converter=readonly)
    base_t: FloatArray = field(converter=readonly)
    crest_half: FloatArray = field(converter=readonly)
    middle_half: FloatArray = field(converter=readonly)
    base_half: FloatArray = field(converter=readonly)
    concavity: FloatArray = field(converter=readonly)

    def value(self, name: str, station_mm: float) -> float:
        """Give one of the numbers at a station."""
        return float(np.interp(station_mm, self.stations_mm, getattr(self, name)))


def sections_of(
    stations_mm: FloatArray, upper: bool, width_scale: float = 1.0, height_scale: float = 1.0
) -> Sections:
    """Give the dentate jaw's cross-sections at stations, scaled from the standard shape."""
    table = _UPPER if upper else _LOWER
    distance = np.abs(stations_mm)
    values = {name: np.interp(distance, _KNOTS_MM, column) for name, column in table.items()}
    for name in ("crest_half", "middle_half", "base_half"):
        values[name] = values[name] * width_scale
    height = (values["crest_z"] - values["base_z"]) * height_scale
    values["base_z"] = values["crest_z"] - height
    return Sections(stations_mm, **values)


def resorbed(
    sections: Sections, from_mm: float, to_mm: float, lost_mm: float, crest_half_mm: float, blend_mm: float = 3.5
) -> Sections:
    """Give the sections with a healed ridge between two stations: lower by `lost_mm`, `crest_half_mm` wide."""
    stations = sections.stations_mm
    share = np.clip((stations - from_mm) / blend_mm, 0, 1) * np.clip((to_mm - stations) / blend_mm, 0, 1)
    share = share * share * (3 - 2 * share)
    crest_half = sections.crest_half * (1 - share) + crest_half_mm * share
    middle_half = np.maximum(sections.middle_half - 0.35 * (sections.crest_half - crest_half), crest_half * 0.95)
    return evolve(
        sections, crest_z=sections.crest_z - lost_mm * share, crest_half=crest_half, middle_half=middle_half
    )


def outline(sections: Sections, index: int, count: int = 60) -> FloatArray:
    """Give the cross-section's smooth closed outline (count, 2) as (offset, height) at station number `index`."""
    zc, zb = sections.crest_z[index], sections.base_z[index]
    tc, tm, tb = sections.crest_t[index], sections.middle_t[index], sections.base_t[index]
    wc, wm, wb = sections.crest_half[index], sections.middle_half[index], sections.base_half[index]
    deep = sections.concavity[index]
    height = zc - zb
    control = np.array(
        [
            (tc, zc),
            (tc + 0.80 * wc, zc - 0.9 * min(1.0, wc / 4.0)),
            (tc + wc, zc - 0.13 * height),
            (0.5 * (tc + tm) + 0.5 * (wc + wm), zc - 0.30 * height),
            (tm + wm, zc - 0.48 * height),
            (0.5 * (tm + tb) + 0.5 * (wm + wb), zc - 0.70 * height),
            (tb + wb, zb + 0.14 * height),
            (tb + 0.6 * wb, zb + 0.03 * height),
            (tb, zb),
            (tb - 0.6 * wb, zb + 0.03 * height),
            (tb - wb, zb + 0.12 * height),
            (0.5 * (tm + tb) - 0.5 * (wm + wb) + deep, zc - 0.68 * height),
            (tm - wm + 0.1 * deep, zc - 0.48 * height),
            (0.5 * (tc + tm) - 0.5 * (wc + wm), zc - 0.28 * height),
            (tc - wc, zc - 0.12 * height),
            (tc - 0.80 * wc, zc - 0.9 * min(1.0, wc / 4.0)),
        ]
    )
    closed = np.vstack([control, control[:1]])
    chords = np.sqrt(np.linalg.norm(np.diff(closed, axis=0), axis=1))
    parameter = np.concatenate([[0.0], np.cumsum(chords)])
    spline = CubicSpline(parameter, closed, axis=0, bc_type="periodic")
    return np.asarray(spline(np.linspace(0.0, parameter[-1], count, endpoint=False)))


@njit(nogil=True, cache=True)
def _section_distance(outlines, first, last, t0, dt, z0, dz, out):
    """Write the signed distance (negative inside) to each station's outline on the (offset, height) grid."""
    _, offsets, heights = out.shape
    count = outlines.shape[1]
    for s in range(first, last):
        t_low, t_high = outlines[s, :, 0].min(), outlines[s, :, 0].max()
        z_low, z_high = outlines[s, :, 1].min(), outlines[s, :, 1].max()
        for i in range(offsets):
            t = t0 + i * dt
            for j in range(heights):
                z = z0 + j * dz
                beside = max(t_low - t, t - t_high, z_low - z, z - z_high)
                if beside > FAR_MM:
                    # Nothing asks for an exact distance out here.
                    out[s, i, j] = beside
                    continue
                best = 1e30
                inside = False
                for k in range(count):
                    m = k + 1 if k + 1 < count else 0
                    at, az = outlines[s, k, 0], outlines[s, k, 1]
                    bt, bz = outlines[s, m, 0], outlines[s, m, 1]
                    if (az > z) != (bz > z) and t < (bt - at) * (z - az) / (bz - az) + at:
                        inside = not inside
                    dx, dy = bt - at, bz - az
                    u = ((t - at) * dx + (z - az) * dy) / (dx * dx + dy * dy + 1e-12)
                    u = min(1.0, max(0.0, u))
                    ex, ey = t - at - u * dx, z - az - u * dy
                    best = min(best, ex * ex + ey * ey)
                distance = math.sqrt(best)
                out[s, i, j] = -distance if inside else distance


def straightened_distance(sections: Sections) -> NDArray[np.float32]:
    """Give the bone's signed distance (mm, negative inside) on the grid (station, offset, height).

    Distances are those in the plane of the cross-section, exact up to the grid's half millimetre being read
    linearly (an error under 0.02 mm away from the outline's corners).
    """
    offsets = round((OFFSET_MAX_MM - OFFSET_MIN_MM) / OFFSET_STEP_MM) + 1
    heights = round((HEIGHT_MAX_MM - HEIGHT_MIN_MM) / HEIGHT_STEP_MM) + 1
    outlines = np.stack([outline(sections, k) for k in range(len(sections.stations_mm))])
    out = np.empty((len(outlines), offsets, heights), np.float32)
    grid = OFFSET_MIN_MM, OFFSET_STEP_MM, HEIGHT_MIN_MM, HEIGHT_STEP_MM
    in_slabs(lambda first, last: _section_distance(outlines, first, last, *grid, out), len(outlines))
    return out
