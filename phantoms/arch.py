"""The dental arch as a plane curve, and the table that takes a place in the plane to (station, offset)."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numba import njit
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from planner_core.geometry.frames import FloatArray, readonly

# Left half of a lower arch through the middle of the crowns, mm, jaw frame (x left, y back); our own numbers, set
# so that the canines stand about 26 mm and the first molars about 46 mm apart (common practice, no source).
LOWER_ARCH_MM = (
    (0.0, 0.0), (6.0, 1.0), (12.6, 6.4), (18.2, 14.5), (22.0, 23.5), (25.0, 33.5),
    (28.0, 43.0), (32.5, 54.0), (37.5, 68.0), (42.0, 84.0),
)  # fmt: skip
UPPER_ARCH_MM = (
    (0.0, -2.5), (7.0, -1.5), (15.0, 4.5), (20.5, 13.0), (24.5, 22.5), (27.5, 32.5),
    (29.5, 41.0), (31.0, 50.0), (32.5, 62.0), (34.0, 76.0),
)  # fmt: skip

TABLE_STEP_MM = 0.5
"""Spacing of the plane table; the curve bends over 15 mm and more, so bilinear reading errs by microns."""

HALF_PLANE_MM = 62.0
PLANE_FRONT_MM = -32.0
PLANE_BACK_MM = 92.0


@njit(nogil=True, cache=True)
def _fill_table(curve, along, x0, y0, step, station, offset):
    """Write station and signed offset (outside positive) of each grid point's nearest point on the curve."""
    rows, columns = station.shape
    count = curve.shape[0]
    for i in range(rows):
        y = y0 + i * step
        for j in range(columns):
            x = x0 + j * step
            best = 1e30
            for k in range(count - 1):
                dx = curve[k + 1, 0] - curve[k, 0]
                dy = curve[k + 1, 1] - curve[k, 1]
                length2 = dx * dx + dy * dy
                u = ((x - curve[k, 0]) * dx + (y - curve[k, 1]) * dy) / length2
                u = min(1.0, max(0.0, u))
                ex = x - curve[k, 0] - u * dx
                ey = y - curve[k, 1] - u * dy
                distance2 = ex * ex + ey * ey
                if distance2 < best:
                    best = distance2
                    station[i, j] = along[k] + u * (along[k + 1] - along[k])
                    # The curve runs from right to left through the front, so outside lies on its right hand.
                    side = ex * dy - ey * dx
                    offset[i, j] = np.sqrt(distance2) * (1.0 if side > 0 else -1.0)


@frozen(eq=False)
class ArchCurve:
    """A tooth row seen from above.

    Parameters
    ----------
    points_mm : array of shape (n, 2)
        From the patient's right end through the midline to the left end, jaw frame.
    stations_mm : array of shape (n,)
        Length from the midline, + to the patient's left.
    """

    points_mm: FloatArray = field(converter=readonly)
    stations_mm: FloatArray = field(converter=readonly)

    def at(self, station_mm: float | FloatArray, offset_mm: float | FloatArray = 0.0) -> FloatArray:
        """Give plane points (..., 2) at stations, moved outwards by `offset_mm`."""
        station = np.asarray(station_mm, dtype=np.float64)
        point = np.stack([np.interp(station, self.stations_mm, self.points_mm[:, k]) for k in (0, 1)], axis=-1)
        tangent = self.tangent(station)
        outside = np.stack([tangent[..., 1], -tangent[..., 0]], axis=-1)
        return np.asarray(point + outside * np.asarray(offset_mm, dtype=np.float64)[..., None])

    def tangent(self, station_mm: float | FloatArray) -> FloatArray:
        """Give unit tangents (..., 2), towards the patient's left."""
        slopes = np.gradient(self.points_mm, self.stations_mm, axis=0)
        station = np.asarray(station_mm, dtype=np.float64)
        tangent = np.stack([np.interp(station, self.stations_mm, slopes[:, k]) for k in (0, 1)], axis=-1)
        return np.asarray(tangent / np.linalg.norm(tangent, axis=-1, keepdims=True))

    def plane_table(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Give station and offset on the fixed plane grid, each of shape (rows along y, columns along x)."""
        rows = round((PLANE_BACK_MM - PLANE_FRONT_MM) / TABLE_STEP_MM) + 1
        columns = round(2 * HALF_PLANE_MM / TABLE_STEP_MM) + 1
        station = np.empty((rows, columns), np.float32)
        offset = np.empty((rows, columns), np.float32)
        _fill_table(
            np.ascontiguousarray(self.points_mm),
            np.ascontiguousarray(self.stations_mm),
            -HALF_PLANE_MM,
            PLANE_FRONT_MM,
            TABLE_STEP_MM,
            station,
            offset,
        )
        return station, offset


def make_arch(
    upper: bool, width_scale: float = 1.0, depth_scale: float = 1.0, skew: float = 0.0, step_mm: float = 1.0
) -> ArchCurve:
    """Build an arch; `skew` makes the left side wider and the right side narrower by that share."""
    left = np.array(UPPER_ARCH_MM if upper else LOWER_ARCH_MM) * (width_scale, depth_scale)
    right = left[:0:-1] * (-(1.0 - skew), 1.0)
    control = np.vstack([right, left * (1.0 + skew, 1.0)])
    chords = np.linalg.norm(np.diff(control, axis=0), axis=1)
    parameter = np.concatenate([[0.0], np.cumsum(chords)])
    spline = CubicSpline(parameter, control, axis=0)
    fine = spline(np.linspace(0.0, parameter[-1], 1200))
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))])
    middle = float(np.interp(0.0, fine[:, 0], length))
    stations = length - middle
    count = int((stations[-1] - stations[0]) / step_mm)
    wanted = np.linspace(stations[0], stations[-1], count)
    points = np.stack([np.interp(wanted, stations, fine[:, k]) for k in (0, 1)], axis=1)
    return ArchCurve(points, wanted)
