"""A surface coloured by a number at each point: one hue, with contour lines and their labels. No window, no VTK."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import ArrayLike, NDArray

from planner_core.geometry.frames import FloatArray
from planner_core.registration.surface_sample import even_share

LIGHT, DARK = (240, 247, 252), (10, 70, 112)
"""Colours of nothing and of the most, one hue (Okabe-Ito blue)."""
NOTHING = (104, 110, 117)
"""Colour where there is no number."""
DISTANCE_LEVELS_MM = (-0.5, -0.2, 0.2, 0.5)
"""Contour lines of the distance map, mm (our choice: 0.2 is about the error of a good match, 0.5 is refused)."""
DISTANCE_FULL_MM = 0.6
"""Distance shown in the darkest colour, mm (our choice)."""
SMOOTH_ROUNDS = 12
"""Rounds of averaging with the neighbours before contours are drawn, so that they follow places, not noise."""
LABEL_EVERY_MM = 20.0
"""Labels of all levels together stand this far apart, mm."""
DASH_MM = 0.9
LIFT_MM = 0.08
"""Lines lie this far above the surface, mm."""
LABEL_LIFT_MM = 1.2


@frozen(eq=False)
class Contours:
    """Lines of one level.

    Parameters
    ----------
    level : float
    segments_mm : array of shape (n, 2, 3)
        Every other piece left out where the level is negative, so that the line looks dashed.
    labels_mm : array of shape (m, 3)
        Where its number is written.
    text : str
    """

    level: float
    segments_mm: FloatArray
    labels_mm: FloatArray
    text: str


@frozen(eq=False)
class SurfaceMap:
    """What the 3D view draws of a map.

    Parameters
    ----------
    colours : uint8 array of shape (points, 3)
    contours : tuple of Contours
    """

    colours: NDArray[np.uint8]
    contours: tuple[Contours, ...] = field(default=())


def distance_colours(points: FloatArray, triangles: ArrayLike, distance_mm: FloatArray) -> SurfaceMap:
    """Give the map of signed distances: colour by size, the sign by the line (dashed is inwards) and its label."""
    return mapped(points, triangles, distance_mm, DISTANCE_FULL_MM, DISTANCE_LEVELS_MM, signed=True)


def error_colours(points: FloatArray, triangles: ArrayLike, error_mm: FloatArray) -> SurfaceMap:
    """Give the map of the error to expect."""
    levels = error_levels(error_mm)
    full = max(float(np.nanmax(error_mm)), 1e-3) if len(error_mm) else 1.0
    return mapped(points, triangles, error_mm, full, levels, signed=False, smooth=False)


def error_levels(error_mm: FloatArray) -> tuple[float, ...]:
    """Give a few round levels within the range of an error field."""
    low, high = float(np.nanmin(error_mm)), float(np.nanmax(error_mm))
    for step in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0):
        if (high - low) / step <= 4:
            first = np.floor(low / step) + 1
            return tuple(round(float(k * step), 3) for k in np.arange(first, np.ceil(high / step)))
    return ()


def mapped(
    points: FloatArray,
    triangles: ArrayLike,
    values: FloatArray,
    full: float,
    levels: Sequence[float],
    signed: bool,
    smooth: bool = True,
) -> SurfaceMap:
    """Colour a surface by values and find the contour lines."""
    corners = np.asarray(triangles, dtype=np.int64)
    share = np.clip(np.abs(np.nan_to_num(values)) / full, 0.0, 1.0)[:, None]
    colours = (np.array(LIGHT) + share * (np.array(DARK) - np.array(LIGHT))).round().astype(np.uint8)
    colours[~np.isfinite(values)] = NOTHING
    even = smoothed(corners, values) if smooth else values
    normals = vertex_normals(points, corners)
    digits = 1 if all(abs(level * 10 - round(level * 10)) < 1e-6 for level in levels) else 2
    contours: list[Contours] = []
    taken = np.zeros((0, 3))
    for level in sorted(levels, key=abs, reverse=True):
        pieces, at = contour_segments(points + LIFT_MM * normals, corners, even, level)
        if not len(pieces):
            continue
        middle = pieces.mean(axis=1)
        spots = _apart(middle, even_share(middle, LABEL_EVERY_MM), taken)
        taken = np.vstack([taken, middle[spots]])
        labels = middle[spots] + LABEL_LIFT_MM * normals[corners[at[spots], 0]]
        if level < 0:
            pieces = pieces[np.floor(middle / DASH_MM).sum(axis=1).astype(int) % 2 == 0]
        text = f"{level:+.{digits}f}".replace("-", "−") if signed else f"{level:.{digits}f}"
        contours.append(Contours(level, pieces, labels, text))
    return SurfaceMap(colours, tuple(contours))


def _apart(middle: FloatArray, spots: NDArray[np.intp], taken: FloatArray) -> NDArray[np.intp]:
    """Give those spots that keep their distance from each other and from labels that are there."""
    kept: list[int] = []
    for k in spots.tolist():
        others = np.vstack([taken, middle[kept]])
        if not len(others) or float(np.linalg.norm(others - middle[k], axis=1).min()) >= LABEL_EVERY_MM:
            kept.append(k)
    return np.array(kept, dtype=np.intp)


def smoothed(corners: NDArray[np.int64], values: FloatArray) -> FloatArray:
    """Average values over their neighbours on the surface; nan stays nan and counts for nothing."""
    from scipy.sparse import coo_matrix

    count = len(values)
    ends = np.concatenate([corners[:, [0, 1]], corners[:, [1, 2]], corners[:, [2, 0]]])
    both = np.concatenate([ends, ends[:, ::-1]])
    near = coo_matrix((np.ones(len(both)), (both[:, 0], both[:, 1])), shape=(count, count)).tocsr()
    known = np.isfinite(values)
    now = np.where(known, values, 0.0)
    weight = np.asarray(near @ known.astype(float)) + 1.0
    for _ in range(SMOOTH_ROUNDS):
        now = np.where(known, (now + near @ now) / weight, 0.0)
    return np.where(known, now, np.nan)


def contour_segments(
    points: FloatArray, corners: NDArray[np.int64], values: FloatArray, level: float
) -> tuple[FloatArray, NDArray[np.intp]]:
    """Give where a level crosses the triangles, shape (n, 2, 3), and which; those with nan are left out."""
    at = values[corners] - level
    whole = np.isfinite(at).all(axis=1)
    above = at > 0
    mixed = whole & (above.any(axis=1) != above.all(axis=1))
    which = np.flatnonzero(mixed)
    if not len(which):
        return np.zeros((0, 2, 3)), which
    at, above, corner = at[which], above[which], corners[which]
    # The corner that stands alone on its side of the level.
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    rows = np.arange(len(which))
    ends = []
    for step in (1, 2):
        other = (alone + step) % 3
        a, b = at[rows, alone], at[rows, other]
        share = (a / (a - b))[:, None]
        start, stop = points[corner[rows, alone]], points[corner[rows, other]]
        ends.append(start + share * (stop - start))
    return np.stack(ends, axis=1), which


def vertex_normals(points: FloatArray, corners: NDArray[np.int64]) -> FloatArray:
    """Give the normals at the corners, weighted by area, shape (n, 3)."""
    a, b, c = (points[corners[:, k]] for k in range(3))
    weighted = np.cross(b - a, c - a)
    out = np.zeros_like(points)
    for k in range(3):
        for axis in range(3):
            out[:, axis] += np.bincount(corners[:, k], weighted[:, axis], minlength=len(points))
    length = np.linalg.norm(out, axis=1, keepdims=True)
    return np.divide(out, length, out=np.zeros_like(out), where=length > 0)
