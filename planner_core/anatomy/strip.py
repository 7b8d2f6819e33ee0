"""The strip: the section that follows the arch. It shows where things are; lengths are never measured in it."""

from __future__ import annotations

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from planner_core.anatomy import sampling
from planner_core.anatomy.structures import ArchCurve
from planner_core.errors import PlannerError
from planner_core.geometry.frames import AnyArray, FloatArray
from planner_core.geometry.polyline import at_lengths
from planner_core.geometry.volume import Volume

LARGEST_STRIP_PIXELS = 8192


@frozen(eq=False)
class Strip:
    """A picture along the arch with the place of each pixel.

    Parameters
    ----------
    image : float32 array of shape (h, w)
        Grey values, nan outside the volume; patient's right on the left, head on top.
    stations_mm : array of shape (w,)
        Station of each column: true length along the arch from its midline, + to the patient's left.
    up_mm : array of shape (h,)
        Height of each row over the arch curve along the arch's `up_lps`; falls from row to row.
    base_lps_mm : array of shape (w, 3)
        Point of the arch curve under each column.
    arch : ArchCurve
    """

    image: NDArray[np.float32]
    stations_mm: FloatArray
    up_mm: FloatArray
    base_lps_mm: FloatArray
    arch: ArchCurve = field(repr=False)

    @property
    def pixel_mm(self) -> float:
        """Size of a pixel along the arch, mm."""
        return float(self.stations_mm[1] - self.stations_mm[0])

    def to_lps(self, row: ArrayLike, column: ArrayLike) -> FloatArray:
        """Take fractional rows and columns to LPS points of shape (..., 3); clamped at the edges."""
        rows = np.asarray(row, dtype=np.float64)
        columns = np.asarray(column, dtype=np.float64)
        number = np.arange(len(self.stations_mm))
        base = np.stack([np.interp(columns, number, self.base_lps_mm[:, k]) for k in range(3)], axis=-1)
        up = np.interp(rows, np.arange(len(self.up_mm)), self.up_mm)
        return np.asarray(base + up[..., None] * self.arch.up_lps)

    def to_pixel(self, points_lps_mm: ArrayLike) -> FloatArray:
        """Take LPS points of shape (3,) or (n, 3) to (row, column, mm outwards of the strip)."""
        points = np.asarray(points_lps_mm, dtype=np.float64)
        flat = points.reshape(-1, 3)
        up = self.arch.up_lps
        stations = self._stations_of(flat)
        along = stations - float(self.arch.stations_mm[0])
        curve = self.arch.curve_lps_mm
        offset = flat - at_lengths(curve, along)
        # The curve's direction over the same reach as `ArchCurve.tangent_at`, for all points at once.
        tangent = at_lengths(curve, along + 1.0) - at_lengths(curve, along - 1.0)
        tangent -= np.outer(tangent @ up, up)
        outward = np.cross(tangent, up)
        outward /= np.maximum(np.linalg.norm(outward, axis=1, keepdims=True), 1e-12)
        out = np.stack(
            [
                (self.up_mm[0] - offset @ up) / (self.up_mm[0] - self.up_mm[1]),
                (stations - self.stations_mm[0]) / self.pixel_mm,
                np.einsum("ij,ij->i", offset, outward),
            ],
            axis=1,
        )
        return out.reshape(points.shape)

    def _stations_of(self, points: FloatArray) -> FloatArray:
        """Give the nearest station of each point, as `ArchCurve.station_of` does, shape (n,)."""
        up = self.arch.up_lps
        curve = self.arch.curve_lps_mm
        curve = curve - np.outer(curve @ up, up)
        flat = points - np.outer(points @ up, up)
        nearest = cKDTree(curve).query(flat)[1]
        return np.asarray(self.arch.stations_mm[nearest], dtype=np.float64)

    def column_of(self, station_mm: float) -> int:
        """Give the column nearest to a station."""
        column = round((station_mm - float(self.stations_mm[0])) / self.pixel_mm)
        return int(np.clip(column, 0, len(self.stations_mm) - 1))


def strip_stations(arch: ArchCurve, pixel_mm: float) -> FloatArray:
    """Give the stations of a strip's columns, shape (w,); one of them is the midline."""
    first, last = float(arch.stations_mm[0]), float(arch.stations_mm[-1])
    return np.arange(np.ceil(first / pixel_mm), np.floor(last / pixel_mm) + 1) * pixel_mm


def _outward(base: FloatArray, up: FloatArray) -> FloatArray:
    slopes = np.gradient(base, axis=0)
    slopes -= np.outer(slopes @ up, up)
    across = np.cross(slopes, up)
    return np.asarray(across / np.maximum(np.linalg.norm(across, axis=1, keepdims=True), 1e-12))


def sample_strip(
    volume: Volume,
    arch: ArchCurve,
    pixel_mm: float = 0.3,
    height_mm: float = 40.0,
    slab_mm: float = 0.0,
    mode: str = "mean",
    centre_height_mm: float = 0.0,
) -> Strip:
    """Give the section along the arch.

    Parameters
    ----------
    slab_mm : float
        Thickness across the arch, half of it outwards and half inwards; joined as `mode` says ("mean" or "max").
    centre_height_mm : float
        Height of the picture's middle over the arch curve.

    Raises
    ------
    PlannerError
        If the strip would have no pixels or too many.
    """
    number = sampling.mode_number(mode)
    if not pixel_mm > 0 or not height_mm > 0:
        raise PlannerError(f"A strip needs pixels and height above zero, not {pixel_mm} and {height_mm} mm.", "")
    stations = strip_stations(arch, pixel_mm)
    rows = round(height_mm / pixel_mm)
    if rows < 2 or len(stations) < 2 or max(rows, len(stations)) > LARGEST_STRIP_PIXELS:
        raise PlannerError(
            f"A strip of {rows} x {len(stations)} pixels cannot be drawn.", "Choose another pixel size or height."
        )
    base = at_lengths(arch.curve_lps_mm, stations - arch.stations_mm[0])
    up_mm = centre_height_mm + ((rows - 1) / 2.0 - np.arange(rows)) * pixel_mm
    layers, layer_mm = sampling.layers_of(volume, slab_mm)
    outward = _outward(base, arch.up_lps)
    turn = volume.index_from_lps[:3, :3]
    tops = base + up_mm[0] * arch.up_lps - 0.5 * layer_mm * (layers - 1) * outward
    image: AnyArray = np.empty((rows, len(stations)), np.float32)
    stored = sampling.stored_of(volume)
    start, row_step = np.ascontiguousarray(volume.to_index(tops)), turn @ (-arch.up_lps) * pixel_mm
    scale, offset = np.float32(volume.scale), np.float32(volume.offset)
    if layers == 1:
        spans = sampling._sheet_row_spans(start, row_step, rows, stored.shape)
        single = (stored, start, row_step, spans, scale, offset, image)
        sampling.run_rows(sampling._sheet_single_rows, single, rows, image.size)
        return Strip(image, stations, np.asarray(up_mm, dtype=np.float64), base, arch)
    arguments = (
        stored,
        start,
        row_step,
        np.ascontiguousarray((outward * layer_mm) @ turn.T),
        layers,
        number,
        scale,
        offset,
        image,
    )
    sampling.run_rows(sampling._sheet_rows, arguments, rows, image.size * layers)
    return Strip(image, stations, np.asarray(up_mm, dtype=np.float64), base, arch)
